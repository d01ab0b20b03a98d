"""What a rigid fit found, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from ..columns import PLACED_BY, words
from ..geometry import apply_motion, invert_motion, motion_parameters
from ..show import shown
from .motion import FREEDOMS, move_touches

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Alignment", "Shared", "with_shared"]


class Shared(Protocol):
    """How uncertain touches are with what they share: an `uncertainty.Scatter`."""

    own: np.ndarray

    def of(self, rows: np.ndarray) -> Any:
        """The same for some touches."""

    def covariance(self, gain: np.ndarray) -> np.ndarray:
        """Covariance of gain @ deviations."""


@shown
@dataclass(frozen=True, eq=False)
class Alignment:
    """A rigid motion from measured to nominal coordinates.

    Attributes
    ----------
    motion : (4, 4) float
        Takes measured points to nominal ones.
    free : tuple of str
        Degrees of freedom the fit had, of tx, ty, tz, rx, ry, rz; the others were held at zero.
    pivot : (3,) float
        Point about which the parameters turn [mm].
    covariance : (6, 6) float
        Of (tx, ty, tz) [mm] and (rx, ry, rz) [deg]; zero rows where held, NaN where as many
        touches as freedoms are left and no u was told.
    residuals : (n,) float
        Deviations after the motion [mm], in the order of the touches used.
    weights : (n,) float
        Final weights, after any robust down-weighting; 1 is full weight.
    used : (n,) int
        Positions of those touches in the table that was given.
    method : str
        "least_squares", "huber", "tukey" or "minimax".
    condition : float
        Ratio of the largest to the smallest sensitivity of the deviations to the free motions.
    iterations : int
        Steps until it settled.
    undetermined : tuple of str
        Motions that the touches do not fix, held at zero (only if that was asked for).
    objective : float
        What was minimised, in its own unit: weighted root mean square, or largest weighted deviation [mm].
    certificate : float
        For minimax: how much better any small motion could still make it, at most [mm]; NaN for other methods. It is
        local: it says nothing of motions larger than the residuals.
    ruling : tuple of int
        For minimax: rows, of the table that was given, of the touches in contact with the zone that fix it.
    multipliers : tuple of float
        Theirs, positive and of sum 1. With them the signed gradients of these touches cancel in every free motion: no
        small motion is better (Fletcher, Practical Methods of Optimization, 1987, ch. 14; from memory).
    gain : (6, n) float, optional
        Change of the parameters, mm and deg, with the deviation of each touch used: what carries any covariance of the
        touches, with all that they share, to the motion.
    spread : (n,) float, optional
        Standard uncertainty of each touch used that `covariance` is made of [mm]; NaN if nothing told it.
    lift : (6, k) float, optional
        Bias of the parameters that scatter alone makes, mm and deg, one column for each datum that has one. It is not
        taken off, and its square is in `covariance`.
    """

    motion: np.ndarray
    free: tuple[str, ...]
    pivot: np.ndarray
    covariance: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    used: np.ndarray
    method: str
    condition: float
    iterations: int
    undetermined: tuple[str, ...] = field(default=())
    objective: float = float("nan")
    certificate: float = float("nan")
    ruling: tuple[int, ...] = ()
    multipliers: tuple[float, ...] = ()
    gain: np.ndarray | None = field(default=None, repr=False)
    spread: np.ndarray | None = field(default=None, repr=False)
    lift: np.ndarray | None = field(default=None, repr=False)

    @property
    def translation(self) -> np.ndarray:
        """(3,) translation about the pivot [mm]."""
        return motion_parameters(self.motion, pivot=self.pivot)[0]

    @property
    def rotation_deg(self) -> np.ndarray:
        """(3,) rotation vector [deg]."""
        return motion_parameters(self.motion, pivot=self.pivot)[1]

    @property
    def inverse(self) -> np.ndarray:
        """(4, 4) motion from nominal to measured coordinates: where the part sits."""
        return invert_motion(self.motion)

    @property
    def uncertainty(self) -> np.ndarray:
        """(6,) standard uncertainty of tx, ty, tz [mm] and rx, ry, rz [deg]."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def rms(self) -> float:
        """Root mean square of the residuals, unweighted [mm]."""
        return float(np.sqrt(np.mean(self.residuals**2)))

    def apply(self, touches: pd.DataFrame | np.ndarray) -> pd.DataFrame | np.ndarray:
        """Touches in nominal coordinates.

        Parameters
        ----------
        touches : DataFrame or (n, 3) array
            Measured points; of a table, x, y, z are moved, approach directions (ai, aj, ak) turned, targets left
            alone; the column `placed_by` says what did it. What an earlier projection added is dropped, for it holds
            no more.

        Returns
        -------
        The same kind as was given, a copy.
        """
        if isinstance(touches, np.ndarray):
            return apply_motion(self.motion, touches)
        out = move_touches(touches, self.motion)
        before = words(touches, PLACED_BY) if PLACED_BY in touches else np.full(len(out), "", dtype=object)
        out[PLACED_BY] = [f"{one}, then {self.said}" if one else self.said for one in before]
        return out

    @property
    def said(self) -> str:
        """The method in words."""
        return self.method.replace("_", " ")

    @property
    def sentence(self) -> str:
        """The alignment in one line."""
        t, r, u = self.translation, self.rotation_deg, self.uncertainty
        parts = []
        for k, name in enumerate(FREEDOMS):
            if name in self.free:
                value, unit, digits = (t[k], "mm", 4) if k < 3 else (r[k - 3], "deg", 4)
                plus = f" (u {u[k]:.{digits}f})" if np.isfinite(u[k]) else ""
                parts.append(f"{name} {value:+.{digits}f} {unit}{plus}")
        held = [name for name in FREEDOMS if name not in self.free]
        text = f"{self.said} on {len(self.used)} touches: " + ", ".join(parts)
        if held:
            text += "; held at zero: " + ", ".join(held)
        if self.undetermined:
            text += "; not fixed by the touches, held at zero: " + "; ".join(self.undetermined)
        return text

    def _repr_html_(self) -> str:
        t, r, u = self.translation, self.rotation_deg, self.uncertainty
        rows = "".join(
            f"<tr><td>{name}</td><td>{value:+z.5f}</td><td>{u[k]:.5f}</td><td>{'mm' if k < 3 else 'deg'}</td>"
            f"<td>{'free' if name in self.free else 'held'}</td></tr>"
            for k, (name, value) in enumerate(zip(FREEDOMS, [*t, *r], strict=True))
        )
        return (
            f"<p>{escape(self.said)}, {len(self.used)} touches, residual rms {self.rms:.4f} mm, "
            f"{self.iterations} steps</p><table><tr><th></th><th>value</th><th>u</th><th>unit</th><th></th></tr>"
            f"{rows}</table>"
        )


def with_shared(alignment: Alignment, scatter: Shared) -> Alignment:
    """The alignment, its covariance with what its touches share: a radius error moves a whole part.

    As it is where it does not know its gain, or the scatter that its touches showed. `scatter` is of the whole table.
    """
    if alignment.gain is None or alignment.spread is None or not np.isfinite(alignment.spread).all():
        return alignment
    made = scatter.of(alignment.used)
    made = replace(made, own=np.maximum(made.own, alignment.spread), own_causes=None)
    lift = np.zeros((6, 0)) if alignment.lift is None else alignment.lift
    return replace(alignment, covariance=made.covariance(alignment.gain) + lift @ lift.T)
