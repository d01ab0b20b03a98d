"""How a dialect writes numbers."""

from __future__ import annotations

from dataclasses import dataclass

from ...show import shown

__all__ = ["Number"]


@shown
@dataclass(frozen=True)
class Number:
    """How numbers are written.

    Parameters
    ----------
    decimals : int
        Places after the decimal point; the number is rounded to them.
    point : bool
        Whether whole numbers have a decimal point. Some controls read "X10" as ten thousandths: leave it true.
    trailing : bool
        Whether zeros at the end are written out.
    leading : bool
        Whether the zero before the point is written.
    width : int
        Least number of digits before the point, filled up with zeros.
    factor : float
        From mm, degree, mm/min or s to the unit of the dialect.
    """

    decimals: int = 4
    point: bool = True
    trailing: bool = False
    leading: bool = True
    width: int = 1
    factor: float = 1.0

    def __call__(self, value: float) -> str:
        """The text of a finite number; minus zero is zero."""
        value = value * self.factor
        digits = f"{abs(value):.{self.decimals}f}"
        sign = "-" if value < 0 and digits.strip("0.") else ""
        whole, _, rest = digits.partition(".")
        whole, rest = whole.zfill(self.width), rest if self.trailing else rest.rstrip("0")
        if not self.leading and not whole.strip("0") and rest:
            whole = ""
        return f"{sign}{whole}{'.' if rest or self.point else ''}{rest}"
