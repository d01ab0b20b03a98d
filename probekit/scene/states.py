"""The same touches as clamped, and with a uniform offset taken off: for comparison, not judged."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..action.corrections import as_clamped, explained
from .model import Scene, State

if TYPE_CHECKING:
    from ..fit.alignment import Alignment
    from ..nominal.model import Nominal
    from ..verdict.results import Verdict

__all__ = ["with_states"]

CLAMPED = "as clamped"
OFFSET = "next part, offset off"


def with_states(scene: Scene, verdict: Verdict, nominal: Nominal, alignment: Alignment | None = None) -> Scene:
    """The scene with the states that its touches can be compared with.

    Parameters
    ----------
    scene : Scene
    verdict : Verdict
        The one that the scene was built from.
    nominal : Nominal
    alignment : Alignment, optional
        The alignment that the verdict's touches have been through.

    Returns
    -------
    Scene
        With up to two `states`: as clamped (the alignment undone), and with the uniform offset of each profile
        tolerance taken off its touches and faces. Both are arithmetic on these touches.
    """
    table = verdict.table
    still = np.zeros(len(scene.face_names))
    states: list[State] = []
    if alignment is not None:
        states.append(
            State(
                CLAMPED,
                "As clamped, before the alignment: not judged",
                as_clamped(table, nominal, alignment),
                np.asarray(alignment.inverse, dtype=float),
                still,
            )
        )
    said: list[str] = []
    off, faces = np.zeros(len(table)), still.copy()
    for one in reversed([e for e in verdict.evaluations if e.from_nominal]):
        if not len(one.rows):
            continue
        value = explained(table, one, one.deviations - one.middles, rigid=False, offset=True)[1]
        off[one.rows] = value
        on = set(table["face"].iloc[one.rows])
        faces[[k for k, name in enumerate(scene.face_names) if name in on]] = value
        said.insert(0, f"{one.name} {value:+z.3f} mm".replace("-", "\N{MINUS SIGN}"))
    if said:
        text = f"Next part, if its uniform offset were taken off ({'; '.join(said)}): arithmetic, not judged"
        deviation = table["deviation"].to_numpy(dtype=float, na_value=np.nan) - off
        states.append(State(OFFSET, text, deviation, None, faces))
    return replace(scene, states=tuple(states))
