"""How a datum frame scatters: its simulators settle anew on drawn touches, in the order of precedence.

symbol   variable   meaning
d        resting    deviations of the touches of a datum where its simulator rests, less its size [mm]
A        design     their change with what the datum takes, with translations of the simulator, and with its sizes
x        unknowns   the same motions and sizes: the simulator makes a function of d + A x small
e        drawn      errors of the touches
G        gain       mean change of the frame with the deviation of each touch

A simulator that rests on a few touches rests on others when the touches are drawn again, so no gain of one set of them
tells how it scatters. Each is linearised where it rests, and settles on every draw by the method that it has for the
measured touches: squares or a largest value to make small, with all touches on one side. What an envelope leaves open
is placed by least squares, as it is where touches are measured. The touches are drawn about shrunk deviations: of what
they are off what the datum takes, that part is left which scatter does not explain, for to draw about the measured ones
would count the scatter twice. G is the regression of the frame on the errors, exact for all that a rigid motion or a
size does to the touches; the covariance that it leaves, the mean that scatter moves the frame by (a bias, which is not
taken off), and what form does to it, as it does to least squares, come on top.

References
----------
C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, SIAM 1995, ch. 23; B. Efron, R. J. Tibshirani, An
Introduction to the Bootstrap, 1993, ch. 6 and 10 (parametric bootstrap, bias); JCGM 101:2008, ch. 7. All from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri

from ..nonnegative import least_distance
from .doubt import CHANCE, gain_of
from .twists import adjoint

if TYPE_CHECKING:
    from .frame import Step

__all__ = ["scatter_of_frame"]

_TRIALS = 200  # standard deviations to 5 %; drawn in pairs of opposite errors, so that the bias is known better
_RULES = 100.0  # weight of the size of an envelope against the squares that place what it leaves open
_MANY = _TRIALS // 4  # with more touches the draws do not tell what each of them does by itself
_RANK = 1e-7
_DRAWN = ("tangent", "tangent_minimax", "mating", "least_material")


def scatter_of_frame(
    steps: list[Step], stated: np.ndarray, spread: np.ndarray, centre: np.ndarray, arm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Gain and lift of a frame.

    Parameters
    ----------
    steps : list of Step
    stated : (n,) float
        Standard uncertainty of the touches [mm]: what is drawn.
    spread : (n,) float
        The same with the form that they show, where that is more [mm].
    centre, arm
        As the twists are written.

    Returns
    -------
    gain : (6, n) float
        Twist of the frame with the deviation of each touch.
    lift : (6, m) float
        What moves the frame beside that, one standard deviation a column [mm].
    """
    gain = gain_of(steps, centre, arm)
    if not np.isfinite(spread).all():
        return gain, np.zeros((6, 0))
    form = _by_squares(steps, centre, arm) * np.sqrt(np.maximum(spread**2 - stated**2, 0.0))
    columns = [_factored(form @ form.T)]
    drawn_at_all = any(s.settled is not None and s.part.datum.settles_by in _DRAWN for s in steps)
    if drawn_at_all and (stated > 0).any():
        drawn = _drawn(steps, stated)
        twists = _settled_on(steps, drawn, stated, centre, arm)
        bias = twists.mean(axis=0)
        gain = _regression(steps, drawn, twists - bias, stated, centre, arm)
        rest = twists - bias - drawn @ gain.T
        columns += [_factored(rest.T @ rest / len(rest)), bias[:, None]]
    return gain, np.hstack(columns)


def _drawn(steps: list[Step], stated: np.ndarray) -> np.ndarray:
    """(trials, n) errors; touches in another order get the same."""
    points = np.concatenate([step.part.points for step in steps])
    order = np.lexsort(np.round(points, 9).T)
    half = np.random.default_rng(0).standard_normal((_TRIALS // 2, len(points)))
    errors = np.empty((_TRIALS, len(points)))
    errors[: len(half), order], errors[len(half) :, order] = half, -half
    return errors * stated


def _settled_on(steps: list[Step], drawn: np.ndarray, stated: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(trials, 6) twists of the frame from where it rests on the shrunk deviations."""
    twists, at = np.zeros((len(drawn), 6)), 0
    for step in steps:
        own = slice(at, at + len(step.part.rows))
        at += len(step.part.rows)
        if step.settled is None:
            continue
        twists = twists @ adjoint(step.settled.motion, centre, arm).T
        change = drawn[:, own] + twists @ step.slope.T
        if step.part.datum.settles_by in _DRAWN:
            moved = _resettled(step, _shrunk(step, stated[own]), change)
        else:
            moved = change @ step.settled.gain.T
        twists = twists + moved @ step.taken.T
    return twists


def _shrunk(step: Step, stated: np.ndarray) -> np.ndarray:
    """Deviations (n,) at rest, less what scatter may have put into them: form is what chance does not make of it."""
    resting, design = step.settled.residuals, step.settled.design
    off = resting - design @ (np.linalg.pinv(design, rcond=_RANK) @ resting)  # in what it takes it has no form
    freedoms = len(off) - int(np.linalg.matrix_rank(design, tol=_RANK * max(float(np.linalg.norm(design, 2)), 1e-300)))
    seen, by_chance = float(off @ off), float(chdtri(freedoms, CHANCE) * np.mean(stated**2)) if freedoms else 0.0
    left = np.sqrt(max(0.0, 1.0 - by_chance / seen)) if seen > 0 else 0.0
    return resting - (1.0 - left) * off


def _resettled(step: Step, resting: np.ndarray, change: np.ndarray) -> np.ndarray:
    """(trials, k) further steps that a simulator takes when the deviations (n,) change by (trials, n)."""
    settled, simulator = step.settled, step.part.datum.settles_by
    side = -1.0 if simulator == "least_material" else 1.0
    design, root = settled.design, np.sqrt(step.part.weight)[:, None]
    m = step.member.shape[1] if simulator != "tangent" else 0
    k, drawn = step.taken.shape[1], side * (resting + np.vstack([np.zeros(len(resting)), change]))
    far = _RULES * len(resting) * max(float(np.sqrt(np.mean(change**2))), 1e-12)  # a size counts before any square
    squares, held, cost = root * design, design, np.zeros(design.shape[1])
    wide = np.zeros(0)
    if simulator == "tangent_minimax":  # its width is one more unknown
        wide = np.ones(1)
        squares = np.block([[design, np.zeros((len(design), 1))], [np.zeros((1, design.shape[1])), np.eye(1)]])
        held = np.vstack([np.pad(design, ((0, 0), (0, 1))), np.pad(-design, ((0, 0), (0, 1)), constant_values=0.0)])
        held[len(design) :, -1] = -1.0
        cost = np.append(cost, far)
    elif m:
        cost[-m:] = far
    q, r = np.linalg.qr(squares)
    back = np.linalg.inv(r)
    inner = held @ back
    found = np.empty((len(drawn), squares.shape[1]))
    for t, one in enumerate(drawn):
        right = np.append(root[:, 0] * one, np.zeros(len(wide)))
        free = -(q.T @ right) - back.T @ cost
        bound = np.append(one, -one) if len(wide) else one
        found[t] = back @ (free + least_distance(inner, inner @ free + bound))
    return (found[1:] - found[0])[:, :k]


def _regression(
    steps: list[Step], drawn: np.ndarray, twists: np.ndarray, stated: np.ndarray, centre: np.ndarray, arm: float
) -> np.ndarray:
    """Mean gain (6, n): that of least squares, and what the draws show of errors which that fit does not take up."""
    gain = _by_squares(steps, centre, arm)
    n = len(stated)
    taken_up, at = np.eye(n), 0
    for step in steps:
        own = slice(at, at + len(step.part.rows))
        at += len(step.part.rows)
        if step.settled is None:
            taken_up[own, own] = 0.0
            continue
        design = step.settled.design
        taken_up[own, own] -= design @ np.linalg.pinv(design, rcond=_RANK)
    if n > _MANY:
        return gain
    left = drawn @ taken_up
    more = np.linalg.lstsq(left, twists - drawn @ gain.T, rcond=1e-6)[0]
    return gain + more.T @ taken_up


def _by_squares(steps: list[Step], centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, n) gain as if each simulator settled by least squares."""
    return gain_of(steps, centre, arm, squares=True)


def _factored(covariance: np.ndarray) -> np.ndarray:
    """(6, m) columns whose squares add up to a covariance (6, 6)."""
    size, axes = np.linalg.eigh(covariance)
    kept = size > 1e-12 * max(float(size.max()), 1e-300)
    return axes[:, kept] * np.sqrt(size[kept])
