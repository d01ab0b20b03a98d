"""Many tolerances on one table: the datum frames that they name established, what shares a frame placed together."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ..deviation import Projection
from ..deviation.projection import projection_on, require_same, require_same_ball
from ..errors import InputError
from ..fit import FREEDOMS, Datum, datum_frame
from ..fit.datums.frame import DatumFrame
from .basic_angle import to_datums
from .evaluation import Evaluation
from .orientation import Orientation
from .play import narrower, with_play
from .position import Position
from .profile import Profile
from .propagation import carry, own_uncertainty
from .requirements import composite, simultaneous
from .spec import Tolerance
from .spec_table import Composite
from .unjudged import Unjudged, attempted, attempted_together

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

Frames: TypeAlias = "Mapping[tuple[str, ...], tuple[DatumFrame | None, pd.DataFrame]]"  # of letters, and its table

__all__ = ["datum_at", "evaluate_all", "in_frame", "left_unsaid", "named_frame"]


def evaluate_all(
    tolerances: Iterable[Tolerance | Composite],
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None = None,
    *,
    datums: Iterable[Datum] = (),
    pivot: tuple[float, float, float] = (0.0, 0.0, 0.0),
    u: float | None = None,
    features: Iterable[str] = (),
) -> list[Evaluation | Unjudged]:
    """Evaluate tolerances, in their order.

    Tolerances of profile and position that share datums and leave the same degrees of freedom are evaluated at one
    placement (simultaneous requirement, the default of ASME Y14.5), unless one says `separate`.

    Parameters
    ----------
    tolerances : iterable of Tolerance or Composite
    deviations : DataFrame
        Deviations table. Without `datums` it must be in the datum frame of all tolerances.
    nominal, pivot
        See `Tolerance.evaluate`.
    datums : iterable of Datum, optional
        What the letters stand for. Each tolerance is then evaluated in the frame that its own letters establish from
        the touches in the table, in their order, and with what that frame leaves free, unless the tolerance names what
        is free. "B(M)" or "B(L)" takes datum B at its material boundary, with its play, "B(>)" lets its simulator
        translate; "B" takes it at RMB, in its basic place. The lower segment of
        a composite tolerance has all shifts besides.
    u : float, optional
        Standard uncertainty of a touch [mm]; a column `u` of the table comes first. The least that the covariance of
        each frame is made of. What a frame's covariance does to what is judged in it is kept as `carried`.
    features : iterable of str, optional
        Names of features that there are though no touch may be on them, besides the faces of the nominal.

    Returns
    -------
    list of Evaluation or Unjudged
        Two for a composite tolerance. `Unjudged` stands in the place of a tolerance whose touches do not fix it, or its
        datum frame; all others are evaluated.

    Raises
    ------
    InputError
        If a letter has no datum, or is taken at what it does not have; if a feature is none of those that there are; or
        from the evaluation of one, for a value that cannot be used.
    """
    tolerances, known = list(tolerances), {one.letter: one for one in datums}
    names = {*features, *(() if nominal is None else projection_on(nominal).nominal.face_names)}
    if nominal is not None and "radius" in deviations:
        require_same_ball(projection_on(nominal), deviations)
    frames: dict[tuple[str, ...], tuple[DatumFrame | None, pd.DataFrame]] = {(): (None, deviations)}
    refused: dict[tuple[str, ...], str] = {}
    for segment in (segment for one in tolerances for segment in segments_of(one)):
        letters = segment.datums
        if known and letters not in frames and letters not in refused:
            frame, why = attempted(
                lambda segment=segment: named_frame(
                    segment.datums, known, deviations, nominal, tolerance=segment.name, u=u
                ),
                names,
                f"its datum frame {'|'.join(letters)} cannot be established: ",
            )
            if frame is None:
                refused[letters] = why or ""
            else:
                frames[letters] = frame, in_frame(deviations, frame, nominal)
    evaluated = partial(
        _in_frames, refused=refused, deviations=deviations, nominal=nominal, pivot=pivot, names=names, known=bool(known)
    )
    found = evaluated(tolerances, frames)
    for letter in dict.fromkeys(letter for frame, _ in frames.values() if frame for letter in frame.freedom.of):
        using = [k for k, one in enumerate(tolerances) if any(_plays(s, frames, letter) for s in segments_of(one))]
        less, step = narrower(frames, letter)
        for k, again in zip(using, evaluated([tolerances[k] for k in using], less), strict=True):
            found[k] = tuple(
                with_play(own, other, frames[segment.datums][0], letter, step)
                if isinstance(own, Evaluation) and _plays(segment, frames, letter)
                else own
                for segment, own, other in zip(segments_of(tolerances[k]), found[k], again, strict=True)
            )
    return [one for several in found for one in several]


def _plays(one: Tolerance, frames: Frames, letter: str) -> bool:
    """Whether the frame of a tolerance has play of a datum."""
    frame = frames.get(one.datums, (None, None))[0]
    return frame is not None and letter in frame.freedom.of


def _in_frames(
    tolerances: list[Tolerance | Composite],
    frames: Frames,
    *,
    refused: Mapping[tuple[str, ...], str],
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None,
    pivot: tuple[float, float, float],
    names: set[str],
    known: bool,
) -> list[tuple[Evaluation | Unjudged, ...]]:
    """Of each tolerance one evaluation, two of a composite one, in frames that are established."""
    results: dict[int, tuple[Evaluation | Unjudged, ...]] = {}
    for k, one in enumerate(tolerances):
        lacking = [refused[segment.datums] for segment in segments_of(one) if segment.datums in refused]
        if lacking:
            results[k] = tuple(Unjudged.of(segment, lacking[0], deviations) for segment in segments_of(one))
    for members in _sharing(tolerances, frames, results).values():
        first = tolerances[members[0]]
        frame, table = frames.get(first.datums, (None, deviations))
        free = None if first.free else frame
        together = attempted_together(
            members,
            lambda some, table=table, free=free: simultaneous(
                table, [tolerances[k] for k in some], free=free, nominal=nominal, pivot=pivot
            ),
            lambda k: tolerances[k].name,
            names,
        )
        results |= {k: (_or_why(tolerances[k], found, frame, table),) for k, found in together.items()}
    for k, one in enumerate(tolerances):
        if isinstance(one, Composite) and k not in results:
            results[k] = _composite_or_why(one, frames, deviations, nominal, pivot, known, names)
        elif k not in results:
            results[k] = (_by_itself(one, frames, deviations, nominal, pivot, names),)
    return [results[k] for k in range(len(tolerances))]


def segments_of(one: Tolerance | Composite) -> tuple[Tolerance, ...]:
    """Both segments of a composite tolerance; any other by itself."""
    return (one.locating, one.relating) if isinstance(one, Composite) else (one,)


def _or_why(
    one: Tolerance, found: Evaluation | str | None, frame: DatumFrame | None, table: pd.DataFrame
) -> Evaluation | Unjudged:
    """The evaluation told in its frame, or the tolerance with the reason why there is none."""
    return _told(found, frame, table) if isinstance(found, Evaluation) else Unjudged.of(one, found or "", table)


def _by_itself(
    one: Tolerance,
    frames: Frames,
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None,
    pivot: tuple[float, float, float],
    names: set[str],
) -> Evaluation | Unjudged:
    frame, table = frames.get(one.datums, (None, deviations))
    if isinstance(one, Orientation) and one.angle is not None and not np.size(one.to) and frame is not None:
        found = to_datums(frame, np.size(one.angle))
        one = one if found is None else replace(one, to=found[0], to_kind=found[1])
    free = None if getattr(one, "free", ()) or getattr(one, "turn", None) is not None else frame

    def evaluated() -> Evaluation:
        if isinstance(one, Orientation) and frame is not None:
            one.require_meant(table, frame)
        return one.evaluate(table, nominal, pivot=pivot, free=free)

    found, why = attempted(evaluated, names)
    return _or_why(one, found if why is None else why, frame, table)


def _composite_or_why(
    one: Composite,
    frames: Frames,
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None,
    pivot: tuple[float, float, float],
    established: bool,
    names: set[str],
) -> tuple[Evaluation | Unjudged, ...]:
    """Both segments; where they cannot be evaluated together the upper one by itself, if it can."""
    pair, why = attempted(lambda: _composite(one, frames, deviations, nominal, pivot, established), names)
    if pair is not None:
        return pair
    upper = _by_itself(one.locating, frames, deviations, nominal, pivot, names)
    return upper, Unjudged.of(one.relating, why or "", deviations)


def named_frame(
    letters: Iterable[str],
    known: Mapping[str, Datum],
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None = None,
    *,
    tolerance: str = "",
    u: float | None = None,
) -> DatumFrame:
    """Establish the frame that letters such as "A", "B(M)" or "C(>)" name.

    Parameters
    ----------
    letters : iterable of str
        In order of precedence.
    known : mapping
        Letter -> Datum.
    deviations, nominal
        See `probekit.fit.datum_frame`.
    tolerance : str
        What wants it, for the error.
    u : float, optional
        See `evaluate_all`.

    Raises
    ------
    InputError
        If a letter is unknown, or what it is taken at the datum does not have; or from `datum_frame`.
    """
    wanted = []
    for written in letters:
        letter, where = written.partition("(")[0], f"tolerance '{tolerance}'"
        if letter not in known:
            raise InputError(
                f"{where} names a datum that does not exist", found=letter, expected="one of " + ", ".join(known)
            )
        wanted.append(datum_at(known[letter], written, where))
    own = own_uncertainty(deviations, u)
    frame = datum_frame(deviations, wanted, nominal=nominal, u=own if own.any() else None)
    return replace(frame, notes=(*frame.notes, *left_unsaid(letters, known)))


def left_unsaid(letters: Iterable[str], known: Mapping[str, Datum]) -> tuple[str, ...]:
    """A note for each datum that has a material boundary, or may translate, and is named without saying so."""
    notes = []
    for datum in (known[letter] for letter in letters if letter in known):
        mark = {1: "M", -1: "L"}.get(datum.material_side, "")
        if mark:
            notes.append(
                f"datum {datum.letter} is taken at RMB, as a reference without a modifier is; its "
                f"{datum.boundary_words} mm counts where it is written {datum.letter}({mark})"
            )
        elif datum.translation is not None:
            notes.append(f"datum {datum.letter} does not translate, as it is not written {datum.letter}(>)")
    return tuple(notes)


def datum_at(datum: Datum, written: str, where: str) -> Datum:
    """A datum as "B", "B(M)", "B(L)" or "B(>)" takes it: at RMB, with its material boundary, or free to translate.

    Raises
    ------
    InputError
        If it is taken at what it does not have; `where` begins the message.
    """
    modifier = written.partition("(")[2].rstrip(")")
    if modifier not in ("", "M", "L", ">"):
        raise InputError(f"{where}: a datum is taken at RMB, at (M), at (L), or (>) translated", found=written)
    boundary = {"M": "MMB", "L": "LMB"}.get(modifier, "")
    if boundary and datum.boundary[0] != boundary:
        raise InputError(
            f"{where} takes datum {datum.letter} at its {boundary}, which it does not have",
            todo=f'Give the datum boundary = ["{boundary}", size].',
        )
    if modifier == ">" and datum.translation is None:
        what = f"{where} lets datum {datum.letter} translate, and the datum does not say along what"
        raise InputError(what, todo="Give the datum translation = [x, y, z].")
    kept = datum.translation if modifier == ">" else None
    return replace(datum, boundary=datum.boundary if boundary else "RMB", translation=kept)


def in_frame(deviations: pd.DataFrame, frame: DatumFrame, nominal: Nominal | Projection | None) -> pd.DataFrame:
    """The deviations table moved into a datum frame that was established from it, and projected again in the same way.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    frame : DatumFrame
    nominal : Nominal, Projection or None
        How the table was projected; a bare nominal for the defaults. Needed unless the table is in the frame already.

    Raises
    ------
    InputError
        If there is no nominal, or the table was projected in another way than `nominal` says.
    """
    if np.abs(frame.motion - np.eye(4)).max() < 1e-12:
        return deviations
    if nominal is None:
        raise InputError("a table is moved into a datum frame by projecting it again, so it needs nominal=")
    how = projection_on(nominal)
    require_same(how, deviations)
    return how.project(frame.apply(deviations))


def _sharing(
    tolerances: list[Tolerance | Composite],
    frames: Frames,
    settled: Container[int],
) -> dict[tuple, list[int]]:
    """Places of the tolerances that share a datum frame which leaves them something to share."""
    groups: dict[tuple, list[int]] = {}
    for k, one in enumerate(tolerances):
        if k in settled or not isinstance(one, Profile | Position) or not one.datums or one.separate:
            continue
        if isinstance(one, Profile) and (one.dynamic or one.unit or one.tangent):
            continue
        frame = frames.get(one.datums, (None, None))[0]
        if one.free or (frame is not None and frame.freedom):
            groups.setdefault((one.datums, tuple(sorted(one.free))), []).append(k)
    return {key: members for key, members in groups.items() if len(members) > 1}


def _composite(
    one: Composite,
    frames: Frames,
    deviations: pd.DataFrame,
    nominal: Nominal | Projection | None,
    pivot: tuple[float, float, float],
    established: bool,
) -> tuple[Evaluation, ...]:
    """Both segments, in the frame of the upper one: that of the lower one is part of it."""
    upper, lower = one.locating, one.relating
    if not established:
        return composite(deviations, upper, lower, nominal=nominal, pivot=pivot)
    if upper.datums[: len(lower.datums)] != lower.datums:
        raise InputError(
            f"tolerance '{lower.name}': the datums of a lower segment repeat those of the upper one, in their order",
            found="|".join(lower.datums),
            expected="the first of " + "|".join(upper.datums),
        )
    frame, table = frames[upper.datums]
    if not lower.datums and not lower.free:
        lower = replace(lower, free=FREEDOMS)
    pair = composite(table, upper, lower, nominal=nominal, pivot=pivot, frame=frame, refined_in=frames[lower.datums][0])
    return tuple(_told(own, frame, table) for own in pair)


def _told(evaluation: Evaluation, frame: DatumFrame | None, table: pd.DataFrame) -> Evaluation:
    """The evaluation with its motion taken from the table's coordinates on, the frame named and its doubt carried.

    `table`: the one it was made of, in the frame.
    """
    if frame is None:
        return evaluation
    evaluation = carry(evaluation, table, frame.alignment)
    notes = (f"in the datum frame established for it: {frame.sentence}", *evaluation.notes)
    notes += tuple(f"datum shift used: {one.sentence}" for one in frame.mobility if one.clearance >= 0)
    notes += tuple(one for one in frame.notes if one not in {play.sentence for play in frame.mobility})
    return replace(evaluation, motion=evaluation.motion @ frame.motion, notes=notes)
