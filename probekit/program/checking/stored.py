"""Which coordinate of a trigger a value keeps: as the control tells it, or counted from another work offset.

Parameters 5061 to 5063 hold the trigger, 5221 and on, twenty for each work offset, their values: NISTIR 6556, 3.2.1,
from memory.
"""

from __future__ import annotations

from ..reading.expressions import Formula
from ..reading.modal import OFFSETS

__all__ = ["counted_from", "stored_axis"]

_TRIGGER, _ORIGINS, _EACH = 5061, 5221, 20


def stored_axis(value: float | Formula) -> int | None:
    """0, 1 or 2 for X, Y or Z of the trigger that a value is; None if it is not one.

    Parameters
    ----------
    value : float or Formula
    """
    if not isinstance(value, Formula) or not value.steps or isinstance(value.steps[0], str):
        return None
    axis = int(value.steps[0]) - _TRIGGER
    if axis not in (0, 1, 2) or value.steps[1:2] != ("#",):
        return None
    return axis if len(value.steps) == 2 or counted_from(value) else None


def counted_from(value: Formula) -> tuple[str, str] | None:
    """The copy and the work offset between which a kept trigger is carried over; None if it is not so kept.

    Parameters
    ----------
    value : Formula
        Such as ``[#5061+[#5241-#5221]]``.
    """
    axis = int(value.steps[0]) - _TRIGGER if value.steps and not isinstance(value.steps[0], str) else -1
    if len(value.steps) != 8 or (value.steps[1], *value.steps[3::2]) != ("#", "#", "#", "+"):
        return None
    if value.steps[6] != "-" or not all(isinstance(value.steps[k], float) for k in (2, 4)):
        return None
    places = [(float(value.steps[k]) - axis - _ORIGINS) / _EACH for k in (2, 4)]
    if not all(place in range(len(OFFSETS)) for place in places):
        return None
    to, by = (OFFSETS[int(place)] for place in places)
    return to, by
