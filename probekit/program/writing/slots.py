"""Which parameters of a control keep the trigger of a touch."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["slot_of"]


def slot_of(slots: Sequence[int], place: int) -> int | None:
    """The first of the three parameters (X, Y, Z) that keep the trigger of a touch.

    Parameters
    ----------
    slots : (2,) int or empty
        First and last parameter that may be used.
    place : int
        Of the touch among those that are recorded, from 0.

    Returns
    -------
    int or None
        None if no three are left.
    """
    if not slots:
        return None
    first, last = slots
    at = first + 3 * place
    return at if at + 2 <= last else None
