"""Who matters: what each cause gives to the uncertainty of one result.

u^2(result) is a sum over causes (JCGM 100:2008, 5.1.2 and 5.2.2; clauses from memory): sum of (g_i s_i)^2 of what is
each touch's own, and (sum g_i L_ic)^2 of each common cause. A size, a distance, a mean and an extreme have different
rulers: a radius error doubles in a diameter and cancels in a distance.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..show import shown
from .scatter import Scatter

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Shares", "shares"]

_OWN = "each touch's own"
_BAR, _ROW, _LABEL, _WIDE = 130, 20, 176, 390  # of the drawing [px]


@shown
@dataclass(frozen=True, eq=False)
class Shares:
    """The causes of one uncertainty, the largest first.

    Attributes
    ----------
    result : str
        What is uncertain.
    causes : tuple of str
    parts : (c,) float
        Standard uncertainty from each [mm].
    assumed : tuple of bool
        Whether nobody stated its size.
    """

    result: str
    causes: tuple[str, ...]
    parts: np.ndarray
    assumed: tuple[bool, ...]

    @property
    def u(self) -> float:
        """Standard uncertainty of the result [mm]."""
        return float(np.sqrt((self.parts**2).sum()))

    @property
    def share(self) -> np.ndarray:
        """(c,) part of u^2, 0 to 1."""
        return self.parts**2 / self.u**2 if self.u > 0 else np.zeros(len(self.parts))

    @property
    def assumed_share(self) -> float:
        """Part of u^2 from causes whose size nobody stated, 0 to 1."""
        return float(self.share @ np.array(self.assumed, dtype=float)) if self.causes else 0.0

    @property
    def sentence(self) -> str:
        """How uncertain, from what, and how much of it is assumed."""
        first = ", ".join(f"{name} {1e3 * part:.2g}" for name, part in zip(self.causes[:3], self.parts, strict=False))
        guessed = f"; {100 * self.assumed_share:z.0f} % of u² is assumed" if self.assumed_share > 0 else ""
        return f"{self.result}: u {1e3 * self.u:.3g} um" + (f", from {first} um" if first else "") + guessed

    @property
    def table(self) -> pd.DataFrame:
        """Cause, u [um], part of u^2 [%], assumed."""
        import pandas as pd

        return pd.DataFrame(
            {
                "cause": self.causes,
                "u [um]": 1e3 * self.parts,
                "% of u²": 100 * self.share,
                "assumed": ["assumed" if one else "" for one in self.assumed],
            }
        )

    def _repr_svg_(self) -> str:
        """Bar chart: a bar as long as the part, its number, and a dashed outline where it is assumed."""
        longest = float(self.parts.max(initial=0.0)) or 1.0
        rows = [
            (f"{name}{' (assumed)' if guessed else ''}", part, guessed)
            for name, part, guessed in zip(self.causes, self.parts, self.assumed, strict=True)
            if part > 0.01 * longest
        ]
        rows.append(("all together", self.u, False))
        scale = _BAR / max(longest, self.u, 1e-12)
        drawn = []
        for k, (label, part, guessed) in enumerate(rows):
            y, length = k * _ROW, max(scale * part, 1.0)
            look = 'fill="none" stroke="currentColor" stroke-dasharray="4 3"' if guessed else 'fill-opacity="0.6"'
            drawn.append(
                f'<text x="{_LABEL}" y="{y + 14}" text-anchor="end">{escape(label)}</text>'
                f'<rect x="{_LABEL + 8}" y="{y + 4}" width="{length:.1f}" height="{_ROW - 8}" {look}/>'
                f'<text x="{_LABEL + 14 + length:.1f}" y="{y + 14}">{1e3 * part:.2f} um</text>'
            )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {len(rows) * _ROW}" width="{_WIDE}" '
            f'height="{len(rows) * _ROW}" font-family="sans-serif" font-size="12" fill="currentColor" role="img" '
            f'aria-label="{escape(self.sentence)}">{"".join(drawn)}</svg>'
        )


def shares(scatter: Scatter, gain: np.ndarray, result: str = "result") -> Shares:
    """What each cause gives to the uncertainty of one result.

    Parameters
    ----------
    scatter : Scatter
        Of n touches.
    gain : (n,) float
        Change of the result with the deviation of each touch: ``1/n`` for a mean, 1 for a single touch, a row of a
        fit, the weights of the touches that rule an extreme.
    result : str
        What it is, for the sentence.

    Returns
    -------
    Shares

    Raises
    ------
    InputError
        If there is not one finite number for each touch.
    """
    gain = np.asarray(gain, dtype=float)
    if gain.shape != scatter.own.shape or not np.isfinite(gain).all():
        raise InputError("a gain has one finite number for each touch", found=gain.shape, expected=scatter.own.shape)
    squares: dict[str, float] = {}
    own = scatter.own_causes if scatter.own_causes else {_OWN: scatter.own}
    for name, part in own.items():
        squares[name] = squares.get(name, 0.0) + float(((gain * part) ** 2).sum())
    for name, part in zip(scatter.causes, gain @ scatter.factors, strict=True):
        squares[name] = squares.get(name, 0.0) + float(part) ** 2
    order = sorted((name for name in squares if squares[name] > 0), key=lambda name: -squares[name])
    parts = np.sqrt([squares[name] for name in order])
    return Shares(result, tuple(order), parts, tuple(name in scatter.assumed for name in order))
