"""The ways of the probe through the program of a plan, added to its view for the player."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..errors import InputError
from ..scene.playing import played_all

if TYPE_CHECKING:
    from ..scene.model import Scene
    from .prepared import Plan

__all__ = ["with_plays"]


def with_plays(scene: Scene, planned: Plan) -> tuple[Scene, tuple[str, ...]]:
    """The view of a plan with the ways of its probe: of all that its program decides, or of the route alone.

    Parameters
    ----------
    scene : Scene
        Of `probekit.study.outputs.view`.
    planned : Plan

    Returns
    -------
    scene : Scene
    notes : tuple of str
        Why there is nothing to play. The plan is shown all the same: it says which touches are left out, and why.
    """
    route = planned.route
    if route.targets.empty:
        return scene, ()
    rows = {int(touch): row for row, touch in enumerate(scene.touches["touch"])}
    try:
        plays = played_all(planned.ways, planned.kinematics, planned.probe, planned.pace, rows)
    except InputError as error:
        return scene, (f"the way of the probe cannot be played, as there is no program yet: {error}",)
    return replace(scene, plays=plays), ()
