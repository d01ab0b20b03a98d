"""Orthogonal distance fits: closed forms, else Levenberg-Marquardt with a last stretch of Newton's method.

References
----------
A. B. Forbes, Least-squares best-fit geometric elements, NPL report DITC 140/89, 1989 (parametrisation and closed forms,
from memory); J. Nocedal, S. Wright, Numerical Optimization, 2nd ed., ch. 10.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...errors import FitError, TouchesError
from .checks import WARNED_ARC, arcs_of_torus
from .shapes import KINDS, Kind, State, derivatives, recentre, retract, unit_frame
from .starts import frame_in_plane, principal_axes, starts

__all__ = ["check_settled", "covariance_of_step", "fit_least_squares", "others_as_good"]

_STEPS = 300
_FLAT = 1e-10  # a parameter that changes the residuals by less than this part of the strongest is left alone
_SAMPLE = 200  # touches that the choice of a start uses
_SEVERAL = ("line", "plane", "circle", "cylinder", "cone", "torus", "width", "slot2")  # that may fit in several ways
_FEW = 4  # touches per unknown, above which a second solution is not looked for
_FINEST = 2e-5  # scatter below this part of the spread of the touches is not told from none
_AGREE = 2  # further starts that must end in the best place before the rest is left out
_AGREE_PATCH = 6  # a small patch of a torus is nearly a sphere, and many starts end in one that is

#: State -> weighted residuals (m,) and their Jacobian (m, k).
Evaluate = Callable[[State], tuple[np.ndarray, np.ndarray]]


def fit_least_squares(
    kind: Kind,
    points: np.ndarray,
    *,
    offset: float = 0.0,
    weights: np.ndarray | None = None,
    outward: np.ndarray | None = None,
    start: State | None = None,
) -> State:
    """State that minimises the weighted sum of squared distances.

    Parameters
    ----------
    kind : Kind
    points : (n, 3) float
        Centred and scaled to about one.
    offset : float
        Distance at which the touches lie from the element (the ball, with its sign).
    weights : (n,) float, optional
    outward : (3,) float, optional
        Outer side of a plane or line2; for a width, across it.
    start : State, optional
        The one state to begin from; what is found is the minimum that lies downhill from it.

    Raises
    ------
    FitError
        If no start settles.
    """
    if kind.name in ("point", "line", "line2", "plane"):
        return _closed_form(kind, points, offset, weights, outward)
    root = None if weights is None else np.sqrt(np.repeat(weights, kind.components))

    def evaluator(few: slice) -> Evaluate:
        part = None if root is None else root.reshape(len(points), -1)[few].ravel()

        def evaluate(at: State) -> tuple[np.ndarray, np.ndarray]:
            residual, slope = derivatives(kind, at, points[few], offset)
            return (residual, slope) if part is None else (part * residual, part[:, None] * slope)

        return evaluate

    # the starts race on some of the touches; the winner goes on with all
    some = slice(None, None, max(1, len(points) // _SAMPLE))
    evaluate = evaluator(some)
    best, least, agree = None, np.inf, 0
    enough = _AGREE
    for first in starts(kind.name, points[some], outward) if start is None else [start]:
        try:
            state, cost = _tidy(kind, *_levenberg(kind, first, evaluate))
        except (FitError, np.linalg.LinAlgError):
            continue
        if cost < 0.999 * least - 1e-20:
            best, least, agree = state, cost, 0
            if kind.name == "torus":
                enough = _AGREE if min(arcs_of_torus(best, points[some])) > WARNED_ARC else _AGREE_PATCH
        elif cost < 1.001 * least + 1e-20:
            agree += 1
            if agree == enough:
                break
    if best is None:
        raise FitError(
            f"the least-squares {kind.name} did not converge from any start: the touches may not lie on a {kind.name}, "
            "or on too little of one. Check them, and exclude touches of other faces."
        )
    if some.step > 1:
        best, least = _levenberg(kind, best, evaluator(slice(None)))
    return recentre(kind, _tidy(kind, _newton(kind, best, evaluator(slice(None))), least)[0])


def others_as_good(
    kind: Kind, points: np.ndarray, best: State, offset: float, weights: np.ndarray | None, u: float | None
) -> list[tuple[State, float]]:
    """Quite different states that fit few touches about as well as the best, and their sums of squares.

    Parameters
    ----------
    kind, points, offset, weights
        As `fit_least_squares` has them.
    best : State
        What it found.
    u : float, optional
        Standard uncertainty of a touch, scaled as the points are.

    Notes
    -----
    About as good: its sum of squares is not larger than that of the best by more than the 97.5 % point of F says (or
    than chi squared says, with a known u), so that scatter alone could have made the one or the other the least.
    """
    from scipy.special import chdtri, fdtri

    spare = len(points) * kind.components - kind.free
    if kind.name not in _SEVERAL or len(points) > _FEW * kind.free:
        return []
    root = np.ones(len(points) * kind.components) if weights is None else np.sqrt(np.repeat(weights, kind.components))

    def evaluate(at: State) -> tuple[np.ndarray, np.ndarray]:
        residual, slope = derivatives(kind, at, points, offset)
        return root * residual, root[:, None] * slope

    def cost_of(at: State) -> float:
        return float(np.sum(evaluate(at)[0] ** 2))

    least = max(cost_of(best), max(spare, 1) * _FINEST**2)
    allowed = least * float(fdtri(max(spare, 1), max(spare, 1), 0.975))
    if u is not None and weights is None:
        allowed = max(cost_of(best), u**2 * float(chdtri(max(spare, 1), 1.0 - 0.975)))
    found: list[tuple[State, float]] = []
    if kind.name in ("line", "plane"):
        mean, axes, _ = principal_axes(points, weights)
        tries = [(State(mean, unit_frame(axes[:, 1]), np.zeros(0)), 0.0)]
    else:
        tries = []
        for first in starts(kind.name, points):
            try:
                tries.append(_tidy(kind, *_levenberg(kind, first, evaluate)))
            except (FitError, np.linalg.LinAlgError):
                continue
    for state, cost in tries:
        state, cost = recentre(kind, state), cost_of(state) if np.isfinite(cost) else np.inf
        if cost <= allowed and all(_unlike(kind, state, other) for other in (best, *(one for one, _ in found))):
            found.append((state, cost))
    return found


def _unlike(kind: Kind, one: State, other: State) -> bool:
    """Whether two states are quite different: by three degrees, or a fiftieth of a size or of the spread."""
    if abs(float(one.rotation[:, kind.axis] @ other.rotation[:, kind.axis])) < np.cos(np.radians(3.0)):
        return True
    if kind.name in ("line", "plane"):
        return False
    apart = float(np.linalg.norm(one.origin - other.origin))
    return apart > 0.02 or bool((np.abs(one.sizes - other.sizes) > 0.02 * (0.1 + np.abs(other.sizes))).any())


def _closed_form(
    kind: Kind, points: np.ndarray, offset: float, weights: np.ndarray | None, outward: np.ndarray | None
) -> State:
    mean, axes, _ = principal_axes(points[:, : kind.dims], weights)
    mean, none = np.append(mean, np.zeros(3 - len(mean))), np.zeros(0)
    if kind.name == "point":
        shift = np.zeros(3) if outward is None else np.asarray(outward) / np.linalg.norm(outward)
        return State(mean - offset * shift, np.eye(3), none)
    if kind.name == "line2":
        frame = frame_in_plane(float(np.arctan2(axes[1, 1], axes[0, 1])))
        if outward is not None and frame[:, 0] @ outward < 0:
            frame = frame @ np.diag([-1.0, -1.0, 1.0])
        return State(mean - offset * frame[:, 0], frame, none)
    if kind.name == "line":
        return State(mean, unit_frame(axes[:, 0]), none)
    normal = axes[:, 2]
    if outward is not None and normal @ outward < 0:
        normal = -normal
    return State(mean - offset * normal, unit_frame(normal), none)


def _levenberg(kind: Kind, state: State, evaluate: Evaluate) -> tuple[State, float]:
    """Damped Gauss-Newton down to a flat place, and the sum of squares there."""
    residual, slope = evaluate(state)
    cost, damping, free = float(residual @ residual), 1e-3, kind.free
    for _ in range(_STEPS):
        widths = np.linalg.norm(slope, axis=0)
        guard = np.diag(np.sqrt(damping) * np.maximum(widths, 1e-9 * widths.max()))
        step = np.linalg.lstsq(np.vstack([slope, guard]), np.append(-residual, np.zeros(free)), rcond=None)[0]
        trial = retract(kind, state, step)
        new_residual, new_slope = evaluate(trial)
        new_cost = float(new_residual @ new_residual)
        small = np.abs(step).max() <= 1e-8 * (1.0 + np.abs(state.sizes).max(initial=0.0))
        if new_cost <= cost:
            flat = cost - new_cost <= 1e-9 * cost
            state, residual, slope, cost = trial, new_residual, new_slope, new_cost
            damping = max(0.1 * damping, 1e-15)
            if small or (flat and damping < 1e-6):
                break
        else:
            damping = max(10.0 * damping, 1e-9)
            if small:
                break
    else:
        raise FitError(f"{kind.name}: {_STEPS} steps were not enough")
    return state, cost


def _newton(kind: Kind, state: State, evaluate: Evaluate) -> State:
    """Newton's method on half the sum of squares; its second derivatives by differences of the exact gradient.

    The second derivatives are kept while they bring the steps down by a factor of a hundred each.
    """

    def gradient(at: State) -> np.ndarray:
        residual, slope = evaluate(at)
        return residual @ slope

    last, width, second = np.inf, 1e-5, None
    tries = width * np.eye(kind.free)
    for _ in range(20):
        residual, slope = evaluate(state)
        size = 1.0 + np.abs(state.sizes).max(initial=0.0)
        if second is None:
            second = np.array([gradient(retract(kind, state, h)) - gradient(retract(kind, state, -h)) for h in tries])
            second = 0.5 * (second + second.T) / (2 * width)
            bent = np.linalg.eigvalsh(second) if np.isfinite(second).all() else np.zeros(1)
            convex = bent[0] > _FLAT * bent[-1]
        step = np.linalg.solve(second, -(residual @ slope)) if convex else None
        if step is None or np.abs(step).max() > 1e-3 * size:
            step = np.linalg.lstsq(slope, -residual, rcond=_FLAT)[0]
        length = float(np.abs(step).max()) / size
        if length > 0.5 * last or not np.isfinite(length):
            break
        if length > 0.01 * last:
            second = None
        state, last = retract(kind, state, step), length
        if length < 1e-15:
            break
    if last > 1e-8:
        raise FitError(
            f"the least-squares {kind.name} did not settle: its last steps do not shrink. The touches hardly "
            "determine it: touch it in more places, or fit a simpler element."
        )
    return state


def _tidy(kind: Kind, state: State, cost: float) -> tuple[State, float]:
    """One of the equal ways to write the same element; an infinite cost where sizes make no sense."""
    sizes, rotation = state.sizes.copy(), state.rotation
    if kind.name == "cone":
        sizes[0] = np.remainder(sizes[0] + np.pi, 2 * np.pi) - np.pi
        if sizes[0] < 0:  # the same cone, its direction turned round
            sizes[0], rotation = -sizes[0], rotation @ np.diag([1.0, -1.0, -1.0])
        if sizes[0] > 0.5 * np.pi:
            cost = np.inf
    elif kind.name == "ellipse2":
        sizes = np.abs(sizes)
        if sizes[0] < sizes[1]:
            sizes, rotation = sizes[::-1].copy(), rotation @ frame_in_plane(0.5 * np.pi)
    elif kind.name == "slot2":
        sizes[0] = abs(sizes[0])
    elif kind.name == "torus" and sizes[0] <= 0:
        cost = np.inf
    return State(state.origin, rotation, sizes), cost


def _undetermined(slope: np.ndarray) -> bool:
    """Whether the columns of a Jacobian depend on each other, each scaled to unit length."""
    widths = np.linalg.norm(slope, axis=0)
    if (widths <= 1e-7 * widths.max(initial=1e-300)).any():
        return True
    spectrum = np.linalg.svd(slope / widths, compute_uv=False)
    return bool(len(slope) < slope.shape[1] or spectrum[-1] <= 1e-9 * spectrum[0])


def covariance_of_step(
    residual: np.ndarray, slope: np.ndarray, weights: np.ndarray | None, u: np.ndarray | None
) -> np.ndarray:
    """Covariance (k, k) of the independent parameters.

    Parameters
    ----------
    residual, slope : (m,), (m, k) float
    weights : (m,) float, optional
    u : (m,) float, optional
        Standard uncertainty of each residual; without it, the scatter of the residuals is used, and NaN comes back
        when there are no more touches than unknowns.

    Notes
    -----
    With u: G diag(u^2) G^T, where G = (J^T W J)^-1 J^T W takes touches to parameters; else s^2 (J^T W J)^-1,
    s^2 = r^T W r / (m - k).
    """
    m, k = slope.shape
    root = np.ones(m) if weights is None else np.sqrt(weights)
    if _undetermined(root[:, None] * slope):
        return np.full((k, k), np.nan)
    inverse = np.linalg.pinv(root[:, None] * slope, rcond=1e-15)
    if u is not None:
        gain = inverse * root * u
        return gain @ gain.T
    spare = int(np.count_nonzero(root)) - k
    if spare <= 0:
        return np.full((k, k), np.nan)
    weighted = root * residual
    return float(weighted @ weighted) / spare * (inverse @ inverse.T)


def check_settled(kind: str, slope: np.ndarray) -> None:
    """Refuse an element that the touches leave free to move."""
    if _undetermined(slope) and kind != "ellipse2":
        raise TouchesError(
            f"the touches do not determine a {kind}: it could move without any residual changing",
            expected=f"{KINDS[kind].needs} or more touches spread over it",
            todo="Touch it at more points, or fit a simpler element.",
        )
