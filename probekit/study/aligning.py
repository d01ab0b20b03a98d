"""The alignment that a study asks for: a fit, or a datum frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import deviation, fit, tolerance
from ..errors import InputError
from ..limits import tables_of
from ..making import blaming, made
from ..plausibility.own_datums import OwnDatum
from ..tolerance import together
from ..tolerance.unjudged import Unjudged, attempted
from .model import Study
from .wording import in_keys

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Aligned", "align", "attempt", "by_fit", "datums_alone", "datums_of", "own_datums_of", "unplaced"]

Aligned = tuple[fit.alignment.Alignment, list[str], tuple]


def attempt(
    study: Study,
    deviations: pd.DataFrame,
    how: deviation.Projection,
    u: float,
    around: Callable[[Callable[[], Aligned]], Aligned],
) -> tuple[Aligned, str] | tuple[None, str]:
    """What `align` finds, and ""; or None, and why the touches do not carry the alignment. `around` calls it.

    Raises
    ------
    InputError
        For what is not the fault of the touches.
    """
    planned = [str(one["feature"]) for one in study.settings.get("plan", []) if "feature" in one]
    names = {*planned, *how.nominal.face_names}
    found, why = attempted(lambda: around(lambda: align(study, deviations, how, u)), names)
    return (None, in_keys(f"the alignment cannot be made: {why}")) if found is None else (found, "")


def unplaced(evaluations: list[tolerance.Evaluation | Unjudged], why: str) -> list[tolerance.Evaluation | Unjudged]:
    """Evaluations of a part that no alignment has placed: what rests on its place, and no datum frame, is not judged.

    `why`: the reason; without one they are returned as they are.
    """
    return [
        Unjudged(one.name, one.kind, one.features, one.width, why, one.rows)
        if why and isinstance(one, tolerance.Evaluation) and one.rests_on_place and one.carried is None
        else one
        for one in evaluations
    ]


def align(study: Study, deviations: pd.DataFrame, how: deviation.Projection, u: float) -> Aligned:
    """The alignment that was asked for, a fit or a datum frame; what the latter has to say, and what it rests on."""
    wanted = dict(study.settings["alignment"])
    letters, own = wanted.pop("datums", None), tolerance.propagation.own_uncertainty(deviations, u)
    stated = {"u": own} if own.any() else {}
    if letters is None:
        return fit.rigid(deviations, how, weights=np.ones(len(deviations)), **stated, **wanted), [], ()
    for key in ("features", "method"):
        if key in wanted:
            raise InputError("a datum frame has its own", file=study.path, column=f"alignment.{key}", found=wanted[key])
    known = {one.letter: one for one in datums_of(study)}
    for letter in letters:
        if letter.partition("(")[0] not in known:
            raise InputError(
                "there is no datum with that letter",
                file=study.path,
                column="alignment.datums",
                found=letter,
                expected="one of " + ", ".join(known) if known else "tables [[datum]] with a letter each",
            )
    with blaming(study.path, "alignment.datums"):
        datums = [together.datum_at(known[one.partition("(")[0]], one, "[alignment]") for one in letters]
    frame = fit.datum_frame(deviations, datums, nominal=how, **stated, **wanted)
    said = [frame.sentence, *frame.notes, *together.left_unsaid(letters, known)]
    return frame.alignment, said, tuple(one for ids in frame.table["contact"] for one in ids)


def by_fit(study: Study, method: str) -> Study:
    """The same study, aligned by another fit; where by a datum frame, by a fit of its datum features."""
    letters = study.settings["alignment"].get("datums")
    if letters is None:
        return study.with_alignment(method=method)
    stated = {one["letter"]: one["features"] for one in study.settings.get("datum", []) if "features" in one}
    named = [stated[letter] for letter in (one.partition("(")[0] for one in letters) if letter in stated]
    features = [name for one in named for name in ([one] if isinstance(one, str) else one)]
    kept = {key: value for key, value in study.settings["alignment"].items() if key in ("free", "pivot")}
    wanted = kept | {"features": features, "method": method, "undetermined": "hold"}
    return replace(study, settings=study.settings | {"alignment": wanted})


def datums_of(study: Study) -> list[fit.Datum]:
    """The datums of the tables ``[[datum]]``."""
    return [_datum(one, study.path) for one in study.settings.get("datum", [])]


def datums_alone(study: Study) -> tuple[str, ...]:
    """Features that are each a datum by themselves in the frame that the study is aligned by, in its order; none of a
    fit.
    """
    letters = study.settings.get("alignment", {}).get("datums") or ()
    known = {one.letter: one.features for one in datums_of(study) if len(one.features) == 1}
    named = [written.partition("(")[0] for written in letters]
    return tuple(known[letter][0] for letter in named if letter in known)


def own_datums_of(study: Study) -> list[OwnDatum]:
    """What is tested together of each datum that tolerances are judged from: a width as a whole, else each feature."""
    resting: dict[str, list[str]] = {}
    for where, _, table in tables_of({"tolerance": study.settings["tolerance"]}):
        for read in tolerance.read_tolerance(table, file=study.path, where=where):
            for one in together.segments_of(read):
                for letter in dict.fromkeys(written.partition("(")[0] for written in one.datums):
                    resting.setdefault(letter, []).append(one.name)
    found = []
    for datum in datums_of(study):
        groups = [datum.features] if set(datum.kind) == {"width"} else [(name,) for name in datum.features]
        names = tuple(dict.fromkeys(resting.get(datum.letter, ())))
        found += [OwnDatum(datum.letter, one, names) for one in groups if names]
    return found


def _datum(wanted: dict[str, Any], path: Path) -> fit.Datum:
    where = f"datum {wanted['letter']}"
    targets = [made(fit.DatumTarget, one, f"{where}.targets", file=path) for one in wanted.get("targets", [])]
    return made(fit.Datum, wanted | ({"targets": targets} if targets else {}), where, file=path)
