"""B-spline surfaces and curves as polynomial pieces, and Newton's method for closest points, all touches at once.

A B-spline, rational or not, is on each knot span a polynomial in homogeneous coordinates. Its Taylor coefficients about
the middle of the span are taken once, with scipy's B-splines; evaluating is then a small dense product per touch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import factorial

import numpy as np

from .edges import powers_of
from .surfaces import NEWTON, UNSETTLED, Closest, Derivatives, Surface

__all__ = ["Spline", "newton"]

_MOST = 40  # steps
_LEFT = 1e-8  # error along the surface that a settled foot may have [mm]
_BLIND = 1e-18  # square of the ratio of the tangents' lengths below which one has none
_CHUNK = 4096  # rows handled at a time, so that the work stays in cache


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
        found = []
        for knots, degree in zip(self.knots, self.degrees, strict=True):
            inner = knots[degree : len(knots) - degree]
            found.append(inner[np.append(True, np.diff(inner) > 1e-12 * max(np.ptp(inner), 1e-300))])
        return found[0], found[1]

    @cached_property
    def _pieces(self) -> np.ndarray:
        """(spans, (p+1) c, q+1) Taylor coefficients about the middle of each span, c = 3, or 4 if rational."""
        from scipy.interpolate import NdBSpline

        values = self.poles
        if self.weights is not None:
            values = np.concatenate([self.poles * self.weights[..., None], self.weights[..., None]], axis=2)
        middles = [0.5 * (b[:-1] + b[1:]) for b in self.breaks]
        at = np.stack(np.meshgrid(*middles, indexing="ij"), axis=-1).reshape(-1, 2)
        spline = NdBSpline(self.knots, np.ascontiguousarray(values), self.degrees)
        p, q = self.degrees
        pieces = np.empty((len(at), p + 1, values.shape[2], q + 1))
        for i in range(p + 1):
            for j in range(q + 1):
                pieces[:, i, :, j] = spline(at, nu=(i, j)) / (factorial(i) * factorial(j))
        return pieces.reshape(len(at), -1, q + 1)

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
        spans, powers = [], []
        for k in (0, 1):
            breaks = self.breaks[k]
            span = np.clip(np.searchsorted(breaks, uv[:, k], side="right") - 1, 0, len(breaks) - 2)
            spans.append(span)
            powers.append(powers_of(uv[:, k] - 0.5 * (breaks[span] + breaks[span + 1]), self.degrees[k], order))
        n, k = len(uv), order + 1
        piece = self._pieces[spans[0] * (len(self.breaks[1]) - 1) + spans[1]]
        in_v = np.matmul(piece, np.stack(powers[1], axis=2))  # (n, (p+1) c, k)
        values = np.matmul(np.stack(powers[0], axis=1), in_v.reshape(n, self.degrees[0] + 1, -1))
        values = values.reshape(n, k, -1, k)  # (n, derivative in u, component, derivative in v)
        pairs = ((0, 0), (1, 0), (0, 1)) if order < 2 else ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
        found = tuple(values[:, i, :, j] for i, j in pairs)
        return found if self.weights is None else _quotient(found)

    def moved(self, motion: np.ndarray) -> Spline:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, poles=self.poles @ motion[:3, :3].T + motion[:3, 3])

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), by Newton's method from `near` (n, 2)."""
        low = np.array([-np.inf if self.periods[k] else self.breaks[k][0] for k in (0, 1)])
        high = np.array([np.inf if self.periods[k] else self.breaks[k][-1] for k in (0, 1)])
        return newton(self, points, near, low, high)


def newton(surface: Surface, points: np.ndarray, near: np.ndarray, low: np.ndarray, high: np.ndarray) -> Closest:
    """Closest points by Newton's method on half the squared distance, with Gauss-Newton steps where it is not convex.

    Parameters
    ----------
    surface : Surface
        Anything with ``evaluate(uv, order)``.
    points : (n, 3) float [mm]
    near : (n, 2) float
        Parameters to start from.
    low, high : (2,) float
        Domain; a step is cut off at its border, and slides along it.

    Returns
    -------
    Closest
        `how` is `NEWTON` where the foot settled, else `UNSETTLED`.

    Notes
    -----
    With r = S - q, the gradient is (Su.r, Sv.r), the Hessian Su.Su + r.Suu, and so on (L. Piegl, W. Tiller, The NURBS
    Book, 2nd ed., sec. 6.1, from memory). A foot has settled when what a full Newton step leaves, its square times the
    bending of the parameter lines |Suu|/|Su|^2, is less than 1e-8 mm along the surface; the distance is then wrong by
    less than the square of that. Other steps must move it by less than 1e-10 mm. The last step is not evaluated again:
    value and tangents are taken on by their derivatives.
    """
    n = len(points)
    out = Closest(np.clip(near, low, high), np.full(n, UNSETTLED, np.uint8), *(np.empty((n, 3)) for _ in range(3)))
    for at in range(0, n, _CHUNK):
        _newton_chunk(surface, points, np.arange(at, min(at + _CHUNK, n)), out, low, high)
    return out


def _newton_chunk(
    surface: Surface, points: np.ndarray, rows: np.ndarray, out: Closest, low: np.ndarray, high: np.ndarray
) -> None:
    for turn in range(_MOST):
        at = out.uv[rows]
        s, su, sv, suu, suv, svv = surface.evaluate(at, 2)
        r = s - points[rows]
        gu, gv, e, f, g = _dot(r, su), _dot(r, sv), _dot(su, su), _dot(su, sv), _dot(sv, sv)
        a, b, c = e + _dot(r, suu), f + _dot(r, suv), g + _dot(r, svv)
        convex = (a > 0) & (a * c - b * b > 1e-3 * e * g)
        if not convex.all():
            a, b, c = np.where(convex, a, e), np.where(convex, b, f), np.where(convex, c, g)
        det = np.maximum(a * c - b * b, 1e-300)
        step = np.column_stack([b * gv - c * gu, b * gu - a * gv]) / det[:, None]
        # at a pole one parameter moves nothing: the other one is found alone
        blind_u, blind_v = e <= _BLIND * g, g <= _BLIND * e
        beyond = (at + step < low) | (at + step > high)
        alone_v, alone_u = beyond[:, 0] & ~beyond[:, 1] | blind_u, beyond[:, 1] & ~beyond[:, 0] | blind_v
        full = convex & ~(beyond[:, 0] | beyond[:, 1] | blind_u | blind_v)
        if not full.all():
            # so it is at the border, along which a step slides
            step[:, 1] = np.where(alone_v, -gv / np.maximum(c, 1e-300), step[:, 1])
            step[:, 0] = np.where(alone_u, -gu / np.maximum(a, 1e-300), step[:, 0])
            step[:, 0][blind_u], step[:, 1][blind_v] = 0.0, 0.0
            step = np.clip(at + step, low, high) - at
        moved = e * step[:, 0] ** 2 + 2.0 * f * step[:, 0] * step[:, 1] + g * step[:, 1] ** 2
        out.uv[rows] = at + step
        # a Newton step leaves an error of about its square times the bending of the parameter lines
        bending = np.sqrt(np.maximum(_dot(suu, suu) / (e * e + 1e-200), _dot(svv, svv) / (g * g + 1e-200)))
        settled = np.where(full, moved * np.maximum(bending, 1e-6) < _LEFT, moved < 1e-20)
        done = settled if turn + 1 < _MOST else np.ones(len(rows), dtype=bool)
        if done.any():
            du, dv = step[done, :1], step[done, 1:]
            ready = rows[done]
            along_u, along_v = du * suu[done] + dv * suv[done], du * suv[done] + dv * svv[done]
            out.foot[ready] = s[done] + du * (su[done] + 0.5 * along_u) + dv * (sv[done] + 0.5 * along_v)
            out.su[ready], out.sv[ready] = su[done] + along_u, sv[done] + along_v
            out.how[ready[settled[done]]] = NEWTON
            rows = rows[~done]
        if not len(rows):
            return


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.einsum("ij,ij->i", a, b)


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
