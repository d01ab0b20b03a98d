"""Canned cycles as the moves they make.

Source: NISTIR 6556, section 3.5.16 (G81 to G89), from memory. G87 (back boring) and G88 (retraction by hand) are not
reckoned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from .arcs import PLANES

__all__ = ["RECKONED", "cycle_moves"]

RECKONED = ("G81", "G82", "G83", "G84", "G85", "G86", "G89")

_BACK_OFF = 0.254
_MOST_PECKS = 10_000


def cycle_moves(
    word: str,
    plane: str,
    current: Sequence[float],
    hole: Sequence[float],
    bottom: float,
    clear: float,
    back: float,
    *,
    peck: float = 0.0,
    dwell: float = 0.0,
) -> list[tuple[str, tuple[float, ...] | float]]:
    """Moves of one hole: ("rapid" | "feed", end (3,) [mm]) and ("dwell", seconds).

    Parameters
    ----------
    word : str
        One of `RECKONED`.
    plane : {"G17", "G18", "G19"}
    current : (3,) float
        Where the tool stands [mm].
    hole : (3,) float
        Place of the hole; its component along the plane's normal is not used.
    bottom, clear, back : float
        Along the plane's normal [mm]: the bottom of the hole, the R level, and where the tool goes in the end.
    peck : float
        Depth of one peck of G83 [mm].
    dwell : float
        Wait at the bottom [s].

    Raises
    ------
    ValueError
        If the bottom is above the R level, or the pecks are not usable.
    """
    normal = PLANES[plane][2]
    if clear < bottom:
        raise ValueError(f"the R level {clear:g} lies below the bottom of the hole {bottom:g}")
    moves: list[tuple[str, tuple[float, ...] | float]] = []

    def go(kind: str, place: Sequence[float], level: float) -> None:
        end = list(place)
        end[normal] = level
        moves.append((kind, tuple(end)))

    level = current[normal]
    if not level >= clear:
        go("rapid", current, clear)
        level = clear
    go("rapid", hole, level)
    go("rapid", hole, clear)
    if word == "G83":
        if peck <= 0 or (clear - bottom) / peck > _MOST_PECKS:
            raise ValueError(f"pecks of {peck:g} mm are not usable for a hole of {clear - bottom:g} mm")
        count = math.ceil((clear - bottom) / peck - 1e-9)
        for number in range(1, count + 1):
            go("feed", hole, max(clear - number * peck, bottom))
            if number < count:
                go("rapid", hole, clear)
                go("rapid", hole, min(clear - number * peck + _BACK_OFF, clear))
    else:
        go("feed", hole, bottom)
        if word in ("G82", "G86", "G89"):
            moves.append(("dwell", dwell))
    if word in ("G84", "G85", "G89"):
        go("feed", hole, clear)
    go("rapid", hole, max(back, clear))
    return moves
