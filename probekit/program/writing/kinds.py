"""Which lines of a dialect each move and each decision takes, and lines with their placeholders filled in."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from ...errors import InputError
from ..deciding.decisions import Entered, ShiftOffset, Step, Switch, UseOffset, decides
from ..moves import Move, Orient, Restart, ToolChange
from .dialect import Dialect
from .spelling import Obtain, kind_of_decision, spread_out

__all__ = ["filled", "kinds_of", "omissions"]


def omissions(moves: Sequence[Step], dialect: Dialect) -> tuple[str, ...]:
    """What a dialect leaves out of moves, and why, in words.

    Parameters
    ----------
    moves : sequence of Move
    dialect : Dialect

    Returns
    -------
    tuple of str
        One per kind of move; empty if all is spelled.
    """
    count = Counter(kind for kind, _ in kinds_of(moves) if kind in dialect.omit)
    return tuple(f"omitted {n} x {kind}: {dialect.omit[kind]}" for kind, n in count.items())


def kinds_of(moves: Sequence[Step]) -> Iterator[tuple[str, Step | Switch | Obtain]]:
    """Each move with the key of its lines: its kind, but the first link, from an unknown place, is one of its own."""
    known, depth, shifted = False, 0, False
    for move in spread_out(moves) if decides(moves) else moves:
        kind = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", type(move).__name__).lower()
        if isinstance(move, Orient) and move.angle is None:
            kind = "by_hand"
        decision = kind_of_decision(move, depth, shifted)
        yield decision or ("first_link" if kind == "link" and not known else kind), move
        known = (known or (isinstance(move, Move) and hasattr(move, "to"))) and not isinstance(
            move, ToolChange | Restart | Switch
        )
        if isinstance(move, Switch):
            depth += {"end": -1, "again_end": -2, "otherwise": 0}.get(move.where, 1)
        shifted = isinstance(move, ShiftOffset | Entered) or (shifted and not isinstance(move, UseOffset))


def filled(template: str, values: Mapping[str, str]) -> str:
    """A template with its placeholders filled in; what is filled in is not looked at again."""

    def value(match: re.Match) -> str:
        if match[1] not in values:
            raise InputError("a line of the dialect uses a placeholder that has no value here", found=template)
        return values[match[1]]

    return re.sub(r"\{([a-z_0-9]*)\}", value, template)
