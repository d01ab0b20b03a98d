"""Profile, flatness, straightness per unit area or length: the zone holds within each window, wherever it lies.

Rule from memory of ASME Y14.5-2018 (per unit basis: 8.4.1.1 for straightness, 8.4.2.1 for flatness, and profile alike).
A value can only grow with more touches in the window, so it is enough to try the windows that hold the most: the
fullest sets of touches.

Along a line, a window that holds a set can be pushed on until its start meets the first touch of it: the windows that
start at a touch are all there are. Over a surface, a round window can be moved, with all it holds, until two touches
lie on its rim (or one is its middle, if it holds but one): the windows through each pair of touches, on both sides of
it, are all there are on a flat face. They are laid in the tangent plane of the pair, so some may be missed on a face
that bends noticeably within one window.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..errors import TouchesError
from ..fit.datums.twists import velocity_rows
from ..fit.motion import typical_arm
from .boundaries import limits
from .cover import Covered, direction_of, positive
from .enough import fits_anything, place_of
from .evaluation import Evaluation
from .placement import place

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal
    from .profile import Profile

__all__ = ["counted", "in_windows", "spans_of", "windows_of", "worst_window"]

_WORDS = {2: "two", 3: "three", 4: "four"}
_TOUCHING = 1e-6  # a touch on the rim of a window is in it [mm]


def in_windows(deviations: pd.DataFrame, one: Profile, nominal: Nominal | None, free: Freedom) -> Evaluation:
    """Evaluate a profile per unit: the largest actual value over all windows that could hold other touches.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    one : Profile
        Its `unit` is the diameter of round windows, or the length of windows `along` a line [mm].
    nominal : Nominal or None
    free : Freedom
        Of the zone in each window.

    Raises
    ------
    InputError
        If the size is not positive, or no window holds two touches or more than its freedoms can fit.
    """
    reach, covered, width = positive(one.unit, "the size of a window"), one.covered(deviations), one.needed_width()
    sides = limits(width, one.outside)
    middle = sum(sides) / 2
    along = None if one.along is None else direction_of(one.along, "of the line")
    windows = windows_of(covered, reach, None if along is None else covered.contact @ along, least=2)
    windows = [held for held in windows if not fits_anything(covered.contact[held], covered.normal[held], free)]
    if not windows:
        what = f"tolerance '{one.name}': the zone fits the touches of each window whatever the part is"
        raise TouchesError(what, found=f"windows of {reach:g} mm", todo="Touch more densely.")
    held = deviations["deviation"].to_numpy(dtype=float)[covered.rows] - middle

    def placed(window: np.ndarray) -> np.ndarray:
        part = deviations.iloc[covered.rows[window]]
        return place(part, nominal, free, middle, width / 2, name=one.name).deviations - middle

    window, fitted = worst_window(windows, lambda window: _at_most(covered, held, window, free), placed)
    off, fitted = np.abs(fitted), fitted + middle
    value = 2.0 * float(off.max())
    return Evaluation.as_whole(
        deviations,
        covered.rows,
        value,
        width,
        name=one.name,
        kind="profile of a surface per unit " + ("area" if one.along is None else "length"),
        features=covered.names,
        lower=sides[0],
        upper=sides[1],
        high=float(fitted.max()),
        low=float(fitted.min()),
        ruling=tuple(covered.ids[window][off >= off.max() - 5e-6].tolist()),
        missed_rows=covered.missed,
        free=free.names,
        freedom=free,
        notes=(counted(windows, reach),),
        details={"windows": float(len(windows)), "touches in the worst window": float(len(window))},
    )


def windows_of(covered: Covered, reach: float, height: np.ndarray | None, *, least: int) -> list[np.ndarray]:
    """The fullest windows that hold `least` touches or more: round ones across `reach`, or spans of it along a line.

    Parameters
    ----------
    covered : Covered
    reach : float
        Diameter, or length [mm].
    height : (n,) float or None
        Places along the line [mm]; None for round windows.
    least : int

    Raises
    ------
    InputError
        If there is none.
    """
    spans = _round_windows(covered, reach / 2) if height is None else _spans(height, reach)
    return _holding(_fullest(spans), covered, reach, least)


def spans_of(covered: Covered, reach: float, lines: Iterable[np.ndarray], *, least: int) -> list[np.ndarray]:
    """The fullest spans of a length, of each of several lines of touches by itself, that hold `least` or more.

    `lines`: places of the touches of each among those covered. Heights are along each line by itself.

    Raises
    ------
    InputError
        If there is none on any line.
    """
    windows = []
    for part in lines:
        points = covered.contact[part]
        along = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
        windows += [part[window] for window in _fullest(_spans(points @ along, reach))]
    return _holding(windows, covered, reach, least)


def _holding(windows: list[np.ndarray], covered: Covered, reach: float, least: int) -> list[np.ndarray]:
    """Those windows that hold enough touches."""
    place = place_of(covered.contact)
    kept = [window for window in windows if len(np.unique(place[window])) >= least]
    if not kept:
        what = f"tolerance '{covered.name}': no window holds {_WORDS.get(least, least)} touches"
        raise TouchesError(what, found=f"windows of {reach:g} mm", todo="Touch more densely.")
    return kept


def worst_window(
    windows: Sequence[np.ndarray],
    at_most: Callable[[np.ndarray], float],
    placed: Callable[[np.ndarray], np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    """The window with the largest deviation from the middle of its zone, and its deviations from there [mm].

    `at_most` bounds twice that deviation from above, without the cost of `placed`, which computes the deviations.
    """
    bound = np.array([at_most(window) for window in windows])
    best, chosen = -1.0, (np.empty(0, dtype=int), np.empty(0))
    for k in np.argsort(-bound, kind="stable"):
        if bound[k] < best:
            break  # no other window can have a larger value
        deviations = placed(windows[k])
        value = 2.0 * float(np.abs(deviations).max())
        if value > best:
            best, chosen = value, (windows[k], deviations)
    return chosen


def counted(windows: Sequence[np.ndarray], reach: float) -> str:
    """A note on the windows that were tried."""
    counts = sorted(len(w) for w in windows)
    return (
        f"{len(windows)} windows of {reach:g} mm with {counts[0]} to {counts[-1]} touches each; only touches are seen, "
        "so the true largest value may be larger"
    )


def _spans(height: np.ndarray, length: float) -> Iterator[np.ndarray]:
    """Touches in each window of a length along a line, from each touch on."""
    order = np.argsort(height, kind="stable")
    rising = height[order]
    for start, end in enumerate(np.searchsorted(rising, rising + length + _TOUCHING, side="right")):
        yield order[start:end]


def _round_windows(covered: Covered, radius: float) -> Iterable[Sequence[int]]:
    """Touches in each round window: about each touch, and with each pair of touches on its rim."""
    from scipy.spatial import cKDTree

    at, tree = covered.contact, cKDTree(covered.contact)
    first, second = tree.query_pairs(2 * radius + _TOUCHING, output_type="ndarray").T
    along = at[second] - at[first]
    across = np.cross(covered.normal[first] + covered.normal[second], along)
    size = np.linalg.norm(across, axis=1)
    rise = np.sqrt(np.maximum(radius**2 - (along**2).sum(axis=1) / 4, 0.0)) / np.where(size > 0, size, 1.0)
    sideways = rise[:, None] * across
    middle = at[first] + along / 2
    return tree.query_ball_point(np.vstack([at, middle + sideways, middle - sideways]), radius + _TOUCHING)


def _fullest(windows: Iterable[Sequence[int]]) -> list[np.ndarray]:
    """Windows, as rising places of the touches they hold, but for those that lie within another."""
    held = {tuple(sorted(map(int, one))) for one in windows}
    kept: list[tuple[int, ...]] = []
    about: dict[int, list[int]] = {}  # touch -> the windows kept that hold it, each as the bits of an integer
    for one in sorted(held, key=lambda window: (-len(window), window)):
        bits = sum(1 << touch for touch in one)
        fewest = min((about.get(touch, []) for touch in one), key=len)
        if any(bits & other == bits for other in fewest):
            continue
        kept.append(one)
        for touch in one:
            about.setdefault(touch, []).append(bits)
    return [np.array(one) for one in kept]


def _at_most(covered: Covered, held: np.ndarray, window: np.ndarray, free: Freedom) -> float:
    """What the value of a window cannot exceed [mm], to first order: that of a least squares placement, or none."""
    deviation = held[window]
    most = 2.0 * float(np.abs(deviation).max())
    if not free or free.limited:
        return most
    arm = typical_arm(covered.contact[window], free.pivot)
    slope = velocity_rows(covered.contact[window], covered.normal[window], free.pivot, 1.0) @ free.scaled(arm).motions
    left = deviation - slope @ np.linalg.lstsq(slope, deviation, rcond=1e-6)[0]
    return min(most, 2.0 * float(np.abs(left).max()) + 1e-4)
