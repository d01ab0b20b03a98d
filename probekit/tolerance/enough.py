"""Whether touches are enough for what a tolerance claims; no actual value is given that is zero by construction.

A zone that is placed by what it judges fits as many touches as it has freedoms, whatever the part is. Touches close
together count as one, and what a feature's direction or form needs must be spread in all of its directions.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..errors import TouchesError
from ..fit.datums.freedom import Freedom
from ..fit.few import blind_to
from ..fit.motion import typical_arm
from .blocks import of_motions

if TYPE_CHECKING:
    from ..fit.alignment import Alignment
    from .evaluation import Evaluation

__all__ = [
    "few",
    "fits_anything",
    "made_zero",
    "place_of",
    "require_enough",
    "require_held",
    "require_located",
    "require_unfitted",
]

#: Touches that an element needs to be fixed, and how many more support a statement on its form. The second numbers are
#: common practice, no source: spread evenly, they show waviness up to about three lobes and no more.
ENOUGH = {
    "line": (2, 5),
    "circle": (3, 7),
    "plane": (3, 9),
    "sphere": (4, 9),
    "cylinder": (5, 15),
    "width": (4, 10),
}
#: Touches no farther apart than this are at one place [mm]: they tell its scatter, not the form or the direction of a
#: feature. A convention of ours, well above how exactly a machine finds a place again.
ONE_PLACE = 0.1
_SPANS = {"plane": 2, "cylinder": 3}  # directions that the touches must spread in
_FORMS = {0: "at one place", 1: "on one straight line", 2: "in one plane"}
_FITTED = 1e-4  # a motion that moves the touches by less than this part of the others is none


def place_of(points: np.ndarray) -> np.ndarray:
    """Number (n,) of the place that each point (n, 3) [mm] is at: places are more than `ONE_PLACE` apart."""
    from scipy.spatial import cKDTree

    tree, place = cKDTree(points), np.full(len(points), -1)
    for first, point in enumerate(points):  # what is at no place yet is one, with what is near
        if place[first] < 0:
            near = np.asarray(tree.query_ball_point(point, ONE_PLACE))
            place[near[place[near] < 0]] = first
    return np.unique(place, return_inverse=True)[1].reshape(-1)


def require_enough(kind: str, points: np.ndarray, claim: str, name: str, *, form: bool = False) -> None:
    """Raise if points (n, 3) [mm] are too few, or too close together, for what a tolerance claims of an element.

    They must fix the element, and for its own form (`form`) leave one over: with as many places as the element has
    freedoms the actual value is zero by construction, whatever the part is.

    Raises
    ------
    TouchesError
    """
    places = points[np.unique(place_of(points), return_index=True)[1]]
    n, least = len(places), ENOUGH[kind][0] + form
    off = places - places.mean(axis=0)
    wide = np.abs(off @ np.linalg.svd(off, full_matrices=True)[2].T).max(axis=0) > ONE_PLACE / 2
    spans = int(np.count_nonzero(wide))
    if n >= least and spans >= _SPANS.get(kind, 0):
        return
    on = f"at {n} different place{'s' * (n > 1)}"
    found = f"{len(points)} touches {on}" if n < len(points) else f"{n} touch{'es' * (n > 1)}"
    if n < ENOUGH[kind][0]:
        what = f"too few touches for a {kind}, so {claim} is not shown"
    elif n < least:
        what = f"the touches fix a {kind} and leave nothing over: {claim} is zero by construction and has no meaning"
    else:
        what, found = f"the touches do not fix a {kind}, so {claim} is not shown", f"all of them {_FORMS[spans]}"
    raise TouchesError(
        f"tolerance '{name}': {what}",
        found=found,
        expected=f"{least} or more, spread over the feature",
        todo="Touch it at more places.",
    )


def fits_anything(at: np.ndarray, normal: np.ndarray, free: Freedom, *, offset: bool = False) -> bool:
    """Whether a zone with these freedoms can be placed on touches (n, 3) [mm] whatever their deviations are.

    That is so where the motions, and the offset, change the deviations of all different places independently. What
    moves within limits only is taken as held.
    """
    first = np.unique(place_of(at), return_index=True)[1]
    loose = free.without_play()
    (block,) = of_motions(at, normal, loose.scaled(typical_arm(at, loose.pivot)), offset=offset)
    if not block.slope.shape[1]:
        return False
    size = np.linalg.svd(block.slope[first], compute_uv=False)
    return int(np.count_nonzero(size > _FITTED * max(float(size[0]), 1e-300))) == len(first)


def require_unfitted(
    name: str, at: np.ndarray, normal: np.ndarray, free: Freedom, *, offset: bool = False, where: str = ""
) -> None:
    """Raise if a zone can be placed on touches whatever their deviations are; see `fits_anything`.

    Raises
    ------
    TouchesError
    """
    if fits_anything(at, normal, free, offset=offset):
        ways = free.without_play().motions.shape[1] + offset
        raise TouchesError(
            f"tolerance '{name}': the zone, free in {ways} ways, fits so few touches whatever the part is: "
            "its value is zero by construction and has no meaning",
            found=f"{len(at)} touches at {len(np.unique(place_of(at)))} different places{where}",
            todo="Touch it at more places.",
        )


def require_located(
    name: str,
    middles: Sequence[tuple[np.ndarray, np.ndarray]],
    free: Freedom,
    at: np.ndarray | None = None,
    normal: np.ndarray | None = None,
) -> None:
    """Raise if zones that are free to move can be brought to where the features are, wherever these are.

    Parameters
    ----------
    name : str
        Of the tolerance, for the error.
    middles : sequence of ((z, 6) float, (k, 6) float)
        Change, with a small motion about the pivot of `free`, of the place of the middle of each feature across its
        zone, and of how it leans. What turns a feature against its zone costs, so it does not count as free.
    free : Freedom
    at, normal : (n, 3) float, optional
        Touches of profiles that share the placement.

    Raises
    ------
    TouchesError
    """
    loose = free.without_play()
    if not loose.motions.shape[1]:
        return
    upright = _kept(np.vstack([lean for _, lean in middles]) @ loose.motions)
    rows = [one @ loose.motions @ upright for one, _ in middles]
    own = sum(int(np.linalg.matrix_rank(one)) for one, _ in middles)
    if at is not None and normal is not None:
        first = np.unique(place_of(at), return_index=True)[1]
        rows.append(of_motions(at[first], normal[first], loose)[0].slope @ upright)
        own += len(first)
    system = np.vstack(rows)
    system = system / np.maximum(np.linalg.norm(system, axis=0), 1e-300)
    if int(np.linalg.matrix_rank(system, tol=_FITTED)) < own:
        return
    many = f"{len(middles)} features" if len(middles) > 1 else "the one feature"
    raise TouchesError(
        f"tolerance '{name}': its datum frame leaves the zone free to move to wherever {many} may be: the position is "
        "zero by construction and has no meaning",
        found=f"a zone free in {loose.motions.shape[1]} ways",
        todo="Name the datums that hold it, or judge it together with what it is to be in place with.",
    )


def _kept(rows: np.ndarray) -> np.ndarray:
    """(f, m) orthonormal combinations of free motions that leave what the rows (k, f) measure as it is."""
    if not len(rows):
        return np.eye(rows.shape[1])
    _, size, across = np.linalg.svd(rows)
    return across[int((size > _FITTED * max(float(size.max(initial=0.0)), 1e-300)).sum()) :].T


def _can_leave(slope: np.ndarray) -> bool:
    """Whether a one-sided zone can leave all touches at once, by a motion p that changes deviation i by a_i p > 0.

    `slope` (n, k) has the a_i. The largest least a_i p within |p| <= 1, a linear program.
    """
    from scipy.optimize import linprog

    n, k = slope.shape
    if not k:
        return False
    slope = slope / max(float(np.abs(slope).max()), 1e-300)
    held = np.column_stack([-slope, np.ones(n)])
    found = linprog(np.r_[np.zeros(k), -1.0], A_ub=held, b_ub=np.zeros(n), bounds=[*[(-1.0, 1.0)] * k, (0, 1)])
    return bool(-found.fun > _FITTED)


def require_held(name: str, at: np.ndarray, normal: np.ndarray, free: Freedom) -> None:
    """Raise if a boundary with these freedoms can move away from all touches at (n, 3) [mm], whatever the part is.

    Raises
    ------
    TouchesError
    """
    loose = free.without_play()
    (block,) = of_motions(at, normal, loose.scaled(typical_arm(at, loose.pivot)))
    if _can_leave(block.slope):
        raise TouchesError(
            f"tolerance '{name}': the boundary is free to move away from all the touches, whatever the part is: "
            "its value is zero by construction and has no meaning",
            found=f"{len(at)} touches, a boundary free in {loose.motions.shape[1]} ways",
            todo="Touch the feature on all sides, or name the datums that hold it.",
        )


def few(kind: str, n: int, claim: str, *, form: bool = False) -> tuple[str, ...]:
    """A note when `n` touches are few for what is claimed; empty if they are many.

    `form`: the claim is the form of the element itself. Where nothing else is claimed, `require_enough` refuses touches
    of which a note would say so.
    """
    need, enough = ENOUGH[kind]
    if n >= enough:
        return ()
    if n < need:
        return (f"{n} touch{'es do' if n > 1 else ' does'} not fix a {kind}: {claim} is not shown by so few",)
    if n == need:
        said = (
            f"{claim} is zero by construction and has no meaning"
            if form
            else f"there is no information on how far {claim} holds"
        )
        lobes = (blind_to(n),) if kind == "circle" else ()
        return (f"{n} touches fix a {kind} and leave nothing over: {said}", *lobes)
    common = f"{n} touches are few for {claim}: {enough} spread over the feature are common practice (no source)"
    lobes = (blind_to(n),) if kind == "circle" else ()
    return (common + "; the value is a lower bound" if form else common, *lobes)


def made_zero(one: Evaluation, alignment: Alignment) -> bool:
    """Whether an alignment without a spare touch has made the deviations of all that a profile judges."""
    exact = len(alignment.used) <= len(alignment.free)
    return exact and one.kind.startswith("profile") and bool(np.isin(one.rows, alignment.used).all())
