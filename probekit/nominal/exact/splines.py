"""B-spline surfaces and curves as polynomial pieces, and Newton's method for closest points, all touches at once.

A B-spline, rational or not, is on each knot span a polynomial in homogeneous coordinates. Its Taylor coefficients about
the middle of the span are taken once; evaluating is then Horner's rule, for many touches at
once. Components come first in the arrays of this module's inner loops: so sums and products run along the touches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import factorial
from typing import Any

import numpy as np

from ...geometry import apply_motion
from .descent import BLIND, descended, least_bend
from .edges import powers_of
from .surfaces import NEWTON, UNSETTLED, Closest, Derivatives, Surface, dot, lengths
from .taylor import surface_pieces

__all__ = ["Spline", "at_local", "newton"]

_MOST = 40  # steps
_LEFT = 1e-8  # error along the surface that a settled foot may have [mm]
_UNKNOWN = 1.0  # square of what a first step is taken to leave of its square [1/mm2]
_CONVEX = 1e-9  # part that is left of the Hessian near the axis of a pole, where Gauss-Newton steps would creep
_LEVEL = 1e-6  # distance along the surface from being square, up to which there is no slope [mm]
_ALONE = 1e-3  # part of a line's that the second derivative over one parameter must be for a Newton step
_SADDLE = 1e-6  # part of a plane's that the Hessian must bend down by
_CHUNK = 2048  # rows handled at a time, so that the work stays in cache


@dataclass(frozen=True, eq=False)
class Spline:
    """A B-spline surface.

    Attributes
    ----------
    poles : (nu, nv, 3) float [mm]
    weights : (nu, nv) float or None
    knots : two (m,) float
        Full knot vectors, clamped or not; periodic ones unrolled.
    degrees : two int
    periods : two float
        Period in u and v; 0 where there is none.
    """

    poles: np.ndarray
    weights: np.ndarray | None
    knots: tuple[np.ndarray, np.ndarray]
    degrees: tuple[int, int]
    periods: tuple[float, float] = (0.0, 0.0)
    kind: str = "spline"

    @cached_property
    def breaks(self) -> tuple[np.ndarray, np.ndarray]:
        """Distinct knots inside the domain, its ends included."""
        u, v = (
            _distinct(np.asarray(knots, float).tobytes(), p) for knots, p in zip(self.knots, self.degrees, strict=True)
        )
        return u, v

    @property
    def pieces(self) -> np.ndarray:
        """(spans, q+1, p+1, c) Taylor coefficients about the middle of each span, c = 3, or 4 if rational."""
        weights = None if self.weights is None else self.weights[None]
        every = np.arange((len(self.breaks[0]) - 1) * (len(self.breaks[1]) - 1))
        return surface_pieces(
            self.poles[None], weights, self.knots, self.degrees, self.breaks, np.zeros_like(every), every
        )

    @cached_property
    def _pieces(self) -> np.ndarray:
        return self.pieces

    def _inside(self, uv: np.ndarray) -> np.ndarray:
        """Parameters taken into the domain: wrapped where periodic, clamped elsewhere."""
        out = np.empty_like(uv)
        for k in (0, 1):
            low, high = self.breaks[k][0], self.breaks[k][-1]
            out[:, k] = low + np.mod(uv[:, k] - low, self.periods[k]) if self.periods[k] else uv[:, k]
            np.clip(out[:, k], low, high, out=out[:, k])
        return out

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        uv = self._inside(uv)
        span, local = np.zeros(len(uv), dtype=np.int64), np.empty((2, len(uv)))
        for k, breaks in enumerate(self.breaks):
            own = np.clip(np.searchsorted(breaks, uv[:, k], side="right") - 1, 0, len(breaks) - 2)
            span = span * (len(breaks) - 1) + own
            local[k] = uv[:, k] - 0.5 * (breaks[own] + breaks[own + 1])
        return at_local(self._pieces, span, local, order, rational=self.weights is not None)

    def moved(self, motion: np.ndarray) -> Spline:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, poles=apply_motion(motion, self.poles))

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), by Newton's method from `near` (n, 2)."""
        low = np.array([-np.inf if self.periods[k] else self.breaks[k][0] for k in (0, 1)])
        high = np.array([np.inf if self.periods[k] else self.breaks[k][-1] for k in (0, 1)])
        return newton(self, points, near, low, high)


@lru_cache(maxsize=256)
def _distinct(knot_bytes: bytes, degree: int) -> np.ndarray:
    """Distinct knots inside the domain; many surfaces of a model have the same, so those asked for last are kept."""
    inner = np.frombuffer(knot_bytes)[degree : len(knot_bytes) // 8 - degree]
    out = inner[np.append(True, np.diff(inner) > 1e-12 * max(np.ptp(inner), 1e-300))]
    out.setflags(write=False)
    return out


def at_local(pieces: np.ndarray, span: np.ndarray, local: np.ndarray, order: int, *, rational: bool) -> Derivatives:
    """Values and derivatives, each (n, 3), of polynomial pieces (spans, q + 1, p + 1, c).

    Parameters
    ----------
    pieces : (spans, q + 1, p + 1, c) float
    span : (n,) int
        Piece of each row.
    local : (2, n) float
        Parameters from the middle of the span.
    order : int
        1 or 2.
    rational : bool
        Whether the pieces are homogeneous.
    """
    lines = _along_v(pieces, span, local[1], order)
    found = [_horner(line, local[0], order - j) for j, line in enumerate(lines)]
    first = found[0][0].T, found[0][1].T, found[1][0].T
    values = first if order < 2 else (*first, found[0][2].T, found[1][1].T, found[2][0].T)
    return _quotient(values) if rational else values


def _along_v(pieces: np.ndarray, span: np.ndarray, v: np.ndarray, order: int) -> Sequence[np.ndarray]:
    """Polynomials in u that are left at `v` (n,), and their derivatives over v, each (p+1, c, n)."""
    _, q, p, c = pieces.shape
    if len(pieces) == 1:
        # a product for each derivative: together they would be large enough for the BLAS to start threads
        powers = np.stack(powers_of(v, q - 1, order)).transpose(0, 2, 1)
        return np.matmul(pieces[0].reshape(q, -1).T, powers).reshape(order + 1, p, c, len(v))
    own = pieces.reshape(-1, q * p * c).take(span, axis=0)
    return _horner(np.ascontiguousarray(own.T).reshape(q, p, c, len(v)), v, order)


def newton(surface: Surface, points: np.ndarray, near: np.ndarray, low: np.ndarray, high: np.ndarray) -> Closest:
    """Closest points by Newton's method on half the squared distance, with Gauss-Newton steps where it is not convex.

    Parameters
    ----------
    surface : Surface
        Anything with ``evaluate(uv, order)``; if low and high have rows, of as many rows, with ``rows(index)``.
    points : (n, 3) float [mm]
    near : (n, 2) float
        Parameters to start from.
    low, high : (2,) or (n, 2) float
        Domain, of all or of each; a step is cut off at its border, and slides along it.

    Returns
    -------
    Closest
        `how` is `NEWTON` where the foot settled, else `UNSETTLED`.

    Notes
    -----
    With r = S - q, the gradient is (Su.r, Sv.r), the Hessian Su.Su + r.Suu, and so on (L. Piegl, W. Tiller, The NURBS
    Book, 2nd ed., sec. 6.1, from memory). A full Newton step leaves an error of about its square times what the second
    derivatives do, the largest of |Suu|/|Su|^2, |Svv|/|Sv|^2 (bending) and |Suv|/(|Su| |Sv|) (twist: all that a ruled
    surface may have), and times what the third ones do, which shows in how much of the square of the step before this
    step still is. A foot has settled when that is less than 1e-8 mm along the surface; the distance is then wrong by
    less than the square of that. Other steps must move it by less than 1e-10 mm. The last step is not evaluated again:
    value and tangents are taken on by their derivatives.

    What does not settle, or ends further off than it began or on a saddle, starts again from where a descent leads.
    """
    n = len(points)
    uv, *vectors = (np.empty((k, n)).T for k in (2, 3, 3, 3))
    np.clip(near, low, high, out=uv)
    out = Closest(uv, np.full(n, UNSETTLED, np.uint8), *vectors)
    for at in range(0, n, _CHUNK):
        rows = np.arange(at, min(at + _CHUNK, n))
        began = _newton_chunk(surface, points, rows, out, low, high)
        own = slice(at, at + _CHUNK)
        further = lengths(out.foot[own] - points[own]) > began + _LEFT
        astray = rows[further | (out.how[own] == UNSETTLED)]
        if len(astray):
            _descend(surface, points, astray, np.clip(near, low, high)[astray], out, low, high)
    return out


def _descend(
    surface: Surface,
    points: np.ndarray,
    rows: np.ndarray,
    near: np.ndarray,
    out: Closest,
    low: np.ndarray,
    high: np.ndarray,
) -> None:
    """Find feet of `rows` anew, from what they have or from parameters `near` (n, 2), whichever is nearer.

    Those that still do not settle stay where the descent ends.
    """
    many: Any = surface  # `SplineRows`, where limits are by row
    part = (surface, low, high) if low.ndim == 1 else (many.rows(rows), low[rows], high[rows])
    start = near.copy()
    had, away = (lengths(part[0].evaluate(uv, 1)[0] - points[rows]) for uv in (out.uv[rows], near))
    start[had < away] = out.uv[rows[had < away]]
    uv = descended(part[0], points[rows], start, *part[1:])
    out.uv[rows], out.how[rows] = uv, UNSETTLED
    began = _newton_chunk(surface, points, rows, out, low, high)
    further = lengths(out.foot[rows] - points[rows]) > began + _LEFT
    left = further | (out.how[rows] == UNSETTLED)
    ends = (uv, np.full(len(rows), UNSETTLED), *part[0].evaluate(uv, 1))
    for column, values in zip(out, ends, strict=True):
        column[rows[left]] = values[left]


def _newton_chunk(
    surface: Surface, points: np.ndarray, rows: np.ndarray, out: Closest, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Find feet of `rows` from the parameters in `out`; the distance (n,) from where each began."""
    many: Any = surface  # `SplineRows`, where limits are by row
    began = np.empty(0)
    before = np.full(len(rows), np.nan)  # square of the full step before
    for turn in range(_MOST):
        u, v = out.uv[:, 0].take(rows), out.uv[:, 1].take(rows)
        if low.ndim == 1:
            own, (low_u, low_v), (high_u, high_v) = surface, low, high
        else:
            own, (low_u, low_v), (high_u, high_v) = many.rows(rows), low[rows].T, high[rows].T
        s, su, sv, suu, suv, svv = own.evaluate(np.stack([u, v]).T, 2)
        r = s - np.asfortranarray(points.take(rows, axis=0))
        if not turn:
            began = lengths(r)
        gu, gv, e, f, g = dot(r, su), dot(r, sv), dot(su, su), dot(su, sv), dot(sv, sv)
        a, b, c = e + dot(r, suu), f + dot(r, suv), g + dot(r, svv)
        det = a * c - b * b
        full = convex = (a > 0) & (det > _CONVEX * e * g)
        alone_u, alone_v = a, c  # of one parameter, where the other one is held
        if not convex.all():
            alone_u, alone_v = np.where(a > _ALONE * e, a, e), np.where(c > _ALONE * g, c, g)
            a, b, c = np.where(full, a, e), np.where(full, b, f), np.where(full, c, g)
            det = np.maximum(a * c - b * b, 1e-300)
        du, dv = (b * gv - c * gu) / det, (b * gu - a * gv) / det
        # at a pole one parameter moves nothing: the other one is found alone
        blind_u, blind_v = e <= BLIND * g, g <= BLIND * e
        beyond_u, beyond_v = (u + du < low_u) | (u + du > high_u), (v + dv < low_v) | (v + dv > high_v)
        whole = ~(beyond_u | beyond_v | blind_u | blind_v)
        if not whole.all():
            # so it is at the border, along which a step slides; what is held there must not draw the other one along
            held_u = ~whole & ((u <= low_u) & (gu > 0) | (u >= high_u) & (gu < 0))
            held_v = ~whole & ((v <= low_v) & (gv > 0) | (v >= high_v) & (gv < 0))
            dv = np.where(beyond_u & ~beyond_v | blind_u | held_u, -gv / np.maximum(alone_v, 1e-300), dv)
            du = np.where(beyond_v & ~beyond_u | blind_v | held_v, -gu / np.maximum(alone_u, 1e-300), du)
            du[blind_u], dv[blind_v] = 0.0, 0.0
            du, dv = np.clip(u + du, low_u, high_u) - u, np.clip(v + dv, low_v, high_v) - v
            full = convex & whole
        moved = e * du**2 + 2.0 * f * du * dv + g * dv**2
        bending = np.maximum(dot(suu, suu) / (e * e + 1e-200), dot(svv, svv) / (g * g + 1e-200))
        twist = dot(suv, suv) / (e * g + 1e-200)
        shrunk = np.where(before > 0, moved / np.maximum(before, 1e-200) ** 2, _UNKNOWN)
        leaves = moved * np.sqrt(np.maximum(np.maximum(bending, twist), shrunk))
        settled = (moved < 1e-20) | full & (leaves < _LEFT)
        before = np.where(full, moved, np.nan)
        minimum = convex | ~settled
        if not minimum.all():
            minimum[~minimum] = ~_saddle([values[~minimum] for values in (r, su, sv, suu, suv, svv)])
        out.uv[rows, 0], out.uv[rows, 1] = u + du, v + dv
        done = np.flatnonzero(settled) if turn + 1 < _MOST else np.arange(len(rows))
        if not len(done):
            continue
        du, dv = du[:, None], dv[:, None]
        along_u, along_v = du * suu + dv * suv, du * suv + dv * svv
        ready = rows[done]
        out.how[ready[settled[done] & minimum[done]]] = NEWTON
        foot = s + du * (su + 0.5 * along_u) + dv * (sv + 0.5 * along_v)
        for column, values in zip(out[2:], (foot, su + along_u, sv + along_v), strict=True):
            for k in range(3):
                column[ready, k] = values[:, k].take(done)
        rows, before = rows[~settled], before[~settled]
        if not len(rows):
            break
    return began


def _saddle(here: Derivatives) -> np.ndarray:
    """Whether (n,) the distance has no slope and yet is no least one: a descent leads on from there.

    `here` is as of `least_bend`.
    """
    r, su, sv = here[:3]
    slope = dot(r, su) ** 2 / (dot(su, su) + 1e-200) + dot(r, sv) ** 2 / (dot(sv, sv) + 1e-200)
    return (slope <= _LEVEL**2) & (least_bend(here)[0] < -_SADDLE)


def _horner(coefficients: np.ndarray, x: np.ndarray, order: int) -> list[np.ndarray]:
    """Polynomials at x (n,), and their derivatives up to `order`, from coefficients (degree + 1, ..., n)."""
    degree = len(coefficients) - 1
    found = [coefficients[degree].copy(), *(np.zeros(coefficients.shape[1:]) for _ in range(order))]
    for step in range(1, degree + 1):
        for k in range(min(order, step), 0, -1):
            found[k] *= x
            found[k] += found[k - 1]
        found[0] *= x
        found[0] += coefficients[degree - step]
    for k in range(2, order + 1):
        found[k] *= factorial(k)
    return found


def _quotient(values: Derivatives) -> Derivatives:
    """Quotient rule on homogeneous values and derivatives, each (n, 4): The NURBS Book, sec. 4.5."""
    a, w = [v[:, :3] for v in values], [v[:, 3:] for v in values]
    s = a[0] / w[0]
    su, sv = (a[1] - w[1] * s) / w[0], (a[2] - w[2] * s) / w[0]
    if len(values) == 3:
        return s, su, sv
    suu = (a[3] - 2.0 * w[1] * su - w[3] * s) / w[0]
    suv = (a[4] - w[1] * sv - w[2] * su - w[4] * s) / w[0]
    svv = (a[5] - 2.0 * w[2] * sv - w[5] * s) / w[0]
    return s, su, sv, suu, suv, svv
