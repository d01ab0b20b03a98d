"""How a datum simulator settles on its touches: the shift, turn and size that bring touches and counterpart together.

symbol   variable    meaning
d_i      deviation   of touch i from the nominal counterpart [mm], positive = material left on
p        step        small motion among those that the datum takes [mm]
s_j      sizes       how far the simulator of feature j stands off the nominal, outward [mm]; 0 where it has no size
e_i      residual    d_i - s_j: outside the simulator if positive [mm]

=================  ==========================================================================================
simulator          what it makes small
=================  ==========================================================================================
least_squares      sum e_i^2
tangent            sum e_i^2 with e_i <= 0: outside the material, and as near to it as that allows
tangent_minimax    the largest distance from it, with e_i <= 0
minimax            the largest |e_i|
mating             sum s_j with e_i <= 0: largest inscribed in a bore or slot, smallest circumscribed about a boss
                   or web
least_material     -sum s_j with e_i >= 0: smallest circumscribed about a bore or slot, largest inscribed in a boss or
                   web
=================  ==========================================================================================

An envelope is not always unique: two touches across a bore rule, and it slides between the others at the same size, to
first order. Of these places the one nearest to all touches is taken, by least squares.

Deviations are linearised about the present place, the linear problem is solved exactly (least squares; least squares
with inequalities by the active set method; linear programs by HiGHS through scipy), and the touches are measured anew.

References
----------
C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, SIAM 1995, ch. 23 (problem LSI, solved as LDP by NNLS);
Which simulator is meant
when a drawing says nothing: ASME Y14.5.1-2019, datums (constrained least squares for planes; mating envelopes for
features of size), and ISO 5459:2024 (tangent minimax for planes; annex A in the edition of 2011). All from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ...errors import FitError
from ...geometry import apply_motion
from ..minimax import gain_of_minimax
from ..nonnegative import least_distance, nonnegative
from ..slp import Linear, linear_step, minimise_largest
from .twists import motion_of, velocity_rows

__all__ = ["SIMULATORS", "Settled", "settle"]

SIMULATORS = ("least_squares", "tangent", "tangent_minimax", "minimax", "mating", "least_material")

#: The motion (4, 4) of the touches, and the translation (3,) of the simulator [mm].
State = tuple[np.ndarray, np.ndarray]

_ACTIVE = 1e-7  # a touch within this of a bound touches it [mm]
_RULES = 0.01  # a touch of less weight than this does not rule an envelope
_NEAR, _TRIES = 1e-6, 10  # steps among equal envelopes end below this [mm], or after so many
_APART = 1e-3  # places of an envelope nearer than this are one [mm]
_SMALL = 1e-11  # steps below this are none [mm]
_SEEN = 2e-3  # a motion that moves the touches by less than this part of itself is not seen by them
_ENOUGH = 1e-10  # gain that is no gain [mm]
_NEGLIGIBLE = 1e-2  # part of the value; what a micrometre may still promise where facets are kinked


@dataclass(frozen=True, eq=False)
class Settled:
    """Where a simulator came to rest.

    Attributes
    ----------
    motion : (4, 4) float
        Of the points given, to where they rest on the counterpart.
    sizes : (m,) float
        Stand-off of each feature's simulator [mm].
    residuals : (n,) float
        Outside the simulator, if positive [mm].
    active : (a,) int
        Touches that rest on it, or fix it.
    gain : (k, n) float
        Change of the step with each deviation: how probing errors move the datum, to first order.
    design : (n, k + t + m) float
        Change of the deviations, positive on the side where the simulator may not be passed, with the step, with
        translations of the simulator, and with its sizes.
    certificate : float
        How much the linear problem at rest still promised [mm]; NaN for least squares.
    iterations : int
    shift : (3,) float
        How far the simulator translated from its basic place [mm].
    tie : float
        How far another place of the envelope, of the same size, was seen from the one that was taken [mm]; 0 if none.
    """

    motion: np.ndarray
    sizes: np.ndarray
    residuals: np.ndarray
    active: np.ndarray
    gain: np.ndarray
    design: np.ndarray
    certificate: float
    iterations: int
    shift: np.ndarray = field(default_factory=lambda: np.zeros(3))
    tie: float = 0.0


def settle(
    points: np.ndarray,
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    taken: np.ndarray,
    member: np.ndarray,
    weight: np.ndarray,
    simulator: str,
    *,
    centre: np.ndarray,
    arm: float,
    slides: np.ndarray | None = None,
    max_iterations: int = 200,
) -> Settled:
    """Let a simulator settle.

    Parameters
    ----------
    points : (n, 3) float
        Touches, in nominal coordinates as far as they are known [mm].
    measure : callable
        Moved points (n, 3) -> deviations (n,) and their gradients (n, 3).
    taken : (6, k) float
        Twists that the datum takes, as columns.
    member : (n, m) float
        1 where a touch belongs to feature j, whose size is free; all zero for features without one.
    weight : (n,) float
        For the two least squares.
    simulator : str
        One of `SIMULATORS`.
    centre, arm
        As the twists are written.
    slides : (3, t) float, optional
        Directions along which the simulator may translate; none by default.
    max_iterations : int

    Raises
    ------
    FitError
        If it does not settle.
    """
    slides = np.zeros((3, 0)) if slides is None else slides
    k, side = taken.shape[1], -1.0 if simulator == "least_material" else 1.0

    def look(state: State) -> tuple[np.ndarray, np.ndarray]:
        moved = apply_motion(state[0], points)
        deviation, gradient = measure(moved - state[1])
        own = np.hstack([velocity_rows(moved, gradient, centre, arm) @ taken, -gradient @ slides])
        return side * deviation, np.hstack([side * own, -member])

    def moves(state: State, step: np.ndarray) -> State:
        return motion_of(taken @ step[:k], centre, arm) @ state[0], state[1] + slides @ step[k:]

    start, steps = (np.eye(4), np.zeros(3)), k + slides.shape[1]
    if simulator in ("least_squares", "tangent"):
        found = _by_squares(look, moves, start, steps, weight, simulator == "tangent", max_iterations)
    else:
        within = "mating" if side < 0 else simulator
        found = _by_programs(look, moves, start, steps, member, within, max_iterations)
    (motion, shift), sizes, iterations, certificate = found
    tie, touching = 0.0, _ACTIVE
    if simulator in ("mating", "least_material"):
        (motion, shift), tie, touching = _nearest_of_equals(look, moves, (motion, shift), steps, member)
        sizes = _sizes(look((motion, shift))[0], member, "mating")
    deviation, slope = look((motion, shift))
    residuals = deviation - member @ sizes
    active, gain = _gain(residuals, slope, weight, "mating" if side < 0 else simulator, steps, touching)
    gain = side * gain[:k]
    return Settled(motion, side * sizes, side * residuals, active, gain, slope, certificate, iterations, shift, tie)


def _by_squares(
    look: Callable, moves: Callable, start: State, k: int, weight: np.ndarray, tangent: bool, most: int
) -> tuple[State, np.ndarray, int, float]:
    state, root = start, np.sqrt(weight)[:, None]
    for step in range(1, most + 1):
        deviation, slope = look(state)
        found = (
            _constrained(slope, deviation, root)
            if tangent
            else np.linalg.lstsq(root * slope, -root[:, 0] * deviation, rcond=1e-12)[0]
        )
        state = moves(state, found[:k])
        if np.abs(found[:k]).max(initial=0.0) <= _SMALL * max(1.0, np.abs(deviation).max()):
            return state, found[k:], step, float("nan")
    name = "tangent" if tangent else "least squares"
    raise FitError(f"the {name} simulator did not converge in {most} steps; check for touches on the wrong face")


def _constrained(slope: np.ndarray, deviation: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Unknowns q that minimise |root (slope q + deviation)|^2 with slope q + deviation <= 0 (LSI)."""
    # with R q = z + f the square is |z|^2 and a constant: least distance programming under G z >= h
    q, r = np.linalg.qr(root * slope)
    f = -q.T @ (root[:, 0] * deviation)
    g = -np.linalg.solve(r.T, slope.T).T
    try:
        z = least_distance(-g, deviation - g @ f)
    except FitError as error:
        raise FitError(
            "no place of the simulator keeps all touches on its inner side; a face that closes round the touches, as a "
            "bore does, has none: take it by least_squares, or as a cylinder"
        ) from error
    return np.linalg.solve(r, z + f)


def _by_programs(
    look: Callable, moves: Callable, start: State, k: int, member: np.ndarray, simulator: str, most: int
) -> tuple[State, np.ndarray, int, float]:
    """Sequence of linear programs, the sizes of the simulator's features among the unknowns."""
    loose = ~member.any(axis=1)
    # a tangent plane has no size, yet any place along its normal has the same range of distances
    sized = np.hstack([member, loose[:, None]]) if simulator == "tangent_minimax" and loose.any() else member

    def evaluate(state: State) -> Linear:
        deviation, slope = look(state)
        outside = deviation - sized @ _sizes(deviation, sized, simulator)  # of the simulator of the best sizes
        rows = np.hstack([slope[:, :k], -sized])
        if simulator == "mating":
            top = float(_sizes(deviation, sized, simulator).sum())
            return Linear(outside, rows, top, np.zeros(len(rows), dtype=bool), (1.0,) * sized.shape[1])
        rules = np.repeat([simulator == "minimax", True], len(rows))
        top = float(np.abs(outside).max())
        return Linear(np.append(outside, -outside), np.vstack([rows, -rows]), top, rules, (0.0,) * sized.shape[1])

    found = minimise_largest(
        evaluate,
        moves,
        start,
        name=f"the {simulator} simulator",
        radius=lambda there: max(2.0 * float(np.ptp(there.values)), 1e-3),
        settled=_ENOUGH,
        narrowest=1e-10,
        negligible=lambda value: _NEGLIGIBLE * max(abs(value), 1e-3),
        max_iterations=most,
    )
    state = found.state
    if sized is not member:  # the shortest step that brings it to the outside
        deviation, slope = look(state)
        rows = np.hstack([slope[:, :k], -member])
        value = float(np.ptp(deviation))
        there = Linear(
            np.append(deviation, -deviation),
            np.vstack([rows, -rows]),
            value,
            np.repeat([False, True], len(rows)),
            (0.0,) * member.shape[1],
        )
        state = moves(state, linear_step(there, 2.0 * float(np.abs(deviation).max()) + 1e-3).step)
    return state, _sizes(look(state)[0], member, simulator), found.iterations, found.gap


def _nearest_of_equals(
    look: Callable, moves: Callable, state: State, k: int, member: np.ndarray
) -> tuple[State, float, float]:
    """Of the places whose envelope is as large, to first order, the one nearest to all touches by least squares.

    Touches rule by the weights with which they hold the envelope from all sides; one that has hardly any rules by the
    second order alone. Also how far that is from the place given, and how near touches that rule are to it [mm].
    """
    deviation, slope = look(state)
    outside = deviation - member @ _sizes(deviation, member, "mating")
    active = np.flatnonzero(outside >= -_ACTIVE)
    held = np.append(np.zeros(k), -np.ones(member.shape[1]))
    ruling = active[nonnegative(slope[active].T, held) > _RULES]
    others, came, first = np.setdiff1d(np.arange(len(outside)), ruling), np.zeros(len(outside)), state
    for _ in range(_TRIES):
        open_ = _open(slope[ruling], slope[others])
        if not len(ruling) or not open_.shape[1]:
            break
        rows, room = slope[others] @ open_, np.minimum(outside[others], 0.0)
        sees = np.abs(rows).max(axis=1) > _SEEN  # those opposed to a ruling touch at another height do not
        step = (open_ @ _constrained(rows[sees], room[sees], np.ones((int(sees.sum()), 1))))[:k]
        state, moved = moves(state, step), slope[:, :k] @ step
        came += moved
        deviation, slope = look(state)
        outside = deviation - member @ _sizes(deviation, member, "mating")
        if np.abs(moved).max() < _NEAR:
            break
    tie = float(np.abs(came).max())
    return (state, tie, _ACTIVE - float(outside[ruling].min())) if tie > _APART else (first, 0.0, _ACTIVE)


def _open(ruling: np.ndarray, others: np.ndarray) -> np.ndarray:
    """(k + m, j) orthonormal motions and sizes that no ruling touch sees, but others do."""
    _, seen, way = np.linalg.svd(ruling, full_matrices=True)
    loose = way[int((seen > _SEEN * seen.max(initial=1e-300)).sum()) :].T
    if not loose.shape[1] or not len(others):
        return np.zeros((ruling.shape[1], 0))
    _, seen, way = np.linalg.svd(others @ loose, full_matrices=False)
    return loose @ way[seen > _SEEN * np.sqrt(len(others))].T


def _sizes(deviation: np.ndarray, member: np.ndarray, simulator: str) -> np.ndarray:
    groups = [deviation[member[:, j] > 0] for j in range(member.shape[1])]
    return np.array([(g.max() + g.min()) / 2 if simulator == "minimax" else g.max() for g in groups])


def _gain(
    residuals: np.ndarray, slope: np.ndarray, weight: np.ndarray, simulator: str, k: int, touching: float = _ACTIVE
) -> tuple[np.ndarray, np.ndarray]:
    """Touches that rest on the simulator, and the change of the step (k, n) with each deviation.

    From the conditions of optimality at rest, with the same touches active. Where fewer are active than there are
    unknowns (two touches across a circle), the others count by least squares. Of minimax, whose ruling touches change
    with the least scatter, it is that of least squares, stretched to the covariance that drawing shows.
    """
    n = len(residuals)
    if simulator == "least_squares":
        root = np.sqrt(weight)[:, None]
        return np.arange(n), -(np.linalg.pinv(root * slope, rcond=1e-10) * root.T)[:k]
    if simulator == "tangent":
        active = np.flatnonzero(residuals >= -_ACTIVE)
        fixed, weighted = slope[active], slope * weight[:, None]
        system = np.block([[weighted.T @ slope, fixed.T], [fixed, np.zeros((len(active), len(active)))]])
        right = -np.vstack([weighted.T, np.eye(n)[active]])
        return active, (np.linalg.pinv(system, rcond=1e-10, hermitian=True) @ right)[:k]
    if simulator == "minimax":
        size = float(np.abs(residuals).max())
        return np.flatnonzero(np.abs(residuals) >= size - _ACTIVE), gain_of_minimax(slope)[:k]
    size = float(np.abs(residuals).max())
    high = residuals >= -touching
    low = np.zeros(n, dtype=bool) if simulator == "mating" else residuals <= -size + _ACTIVE
    active = np.flatnonzero(high | low)
    width = {
        "mating": np.zeros(n),
        "tangent_minimax": np.where(high, 0.0, 1.0),
    }[simulator]
    system = np.hstack([slope[active], width[active, None]])
    gain = np.zeros((slope.shape[1], n))
    gain[:, active] = -np.linalg.pinv(system, rcond=1e-7)[: slope.shape[1]]
    return active, _with_the_rest(gain, system, slope)[:k]


def _with_the_rest(gain: np.ndarray, system: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Gain (k + m, n) where the touches that rule leave something open: there the others hold it, by least squares.

    Two touches across a bore rule, and it may slide between the rest: by no more than those scatter. To say that it
    does not move at all would be too sure of it.
    """
    _, singular, vt = np.linalg.svd(system, full_matrices=True)
    rank = int((singular > 1e-7 * singular.max(initial=1e-300)).sum())
    loose = vt[rank:].T[: slope.shape[1]]
    loose = loose[:, np.linalg.norm(slope @ loose, axis=0) > 1e-9] if loose.shape[1] else loose
    if not loose.shape[1]:
        return gain
    left = np.eye(slope.shape[0]) + slope @ gain
    return gain - loose @ (np.linalg.pinv(slope @ loose, rcond=1e-7) @ left)
