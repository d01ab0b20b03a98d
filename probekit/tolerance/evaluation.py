"""What the evaluation of a tolerance found, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

__all__ = ["Evaluation"]


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Actual value of a tolerance, and the deviations it was taken from.

    Attributes
    ----------
    name : str
        What the tolerance is called.
    features : tuple of str
        Features (or faces) it covers.
    width : float
        Tolerance: width of the zone [mm].
    lower, upper : float
        Limits of the deviation that the zone sets [mm].
    actual : float
        The smallest width of zone to which the touches conform [mm].
    high, low : float
        Largest and smallest deviation [mm].
    rows : (n,) int
        Positions, in the deviations table, of the touches judged.
    deviations : (n,) float
        Their deviations, after the best placement over `free` [mm].
    ruling : tuple
        Ids of the touches that fix the actual value.
    missed_rows : (m,) int
        Positions of the touches of these features that did not trigger and so could not be judged.
    free : tuple of str
        Degrees of freedom left to the tolerance's own placement.
    motion : (4, 4) float
        That placement; the identity if nothing was free.
    """

    name: str
    features: tuple[str, ...]
    width: float
    lower: float
    upper: float
    actual: float
    high: float
    low: float
    rows: np.ndarray
    deviations: np.ndarray
    ruling: tuple[int | str, ...]
    missed_rows: np.ndarray
    free: tuple[str, ...]
    motion: np.ndarray

    @property
    def touches(self) -> int:
        """How many touches were judged."""
        return len(self.rows)

    @property
    def missed(self) -> int:
        """How many touches did not trigger."""
        return len(self.missed_rows)

    @property
    def conforms(self) -> bool:
        """Whether the actual value is at most the tolerance, with no allowance for uncertainty."""
        return bool(self.actual <= self.width)

    @property
    def sentence(self) -> str:
        """The tolerance and its actual value in one line."""
        zone = f"{self.lower:+.3f} to {self.upper:+.3f} mm"
        where = ", ".join(self.features) if self.features else "all touches"
        text = (
            f"{self.name}: profile of a surface {self.width:.3f} mm on {where} (zone {zone}); "
            f"actual value {self.actual:.4f} mm from {self.touches} touches"
        )
        if self.free:
            text += "; best placement over " + ", ".join(self.free)
        if self.missed:
            text += f"; {self.missed} missed"
        return text

    def __repr__(self) -> str:
        return f"<Evaluation {self.sentence}>"

    def _repr_html_(self) -> str:
        return (
            f"<p>{escape(self.sentence)}; deviations {self.low:+.4f} to {self.high:+.4f} mm; fixed by touch "
            f"{escape(', '.join(map(str, self.ruling)))}</p>"
        )
