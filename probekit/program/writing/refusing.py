"""Moves that a dialect, a machine or a probe cannot make: refused before a line is written."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ...plan.probe import BY_HAND, Probe
from ..moves import Agree, BackOff, Confirm, DryTouch, FirstTouch, Move, Orient, Record, SafeStop, ToolChange, Touch
from .dialect import Dialect

__all__ = ["has_spindle", "refuse", "tokens_of"]

#: Moves that somebody relies on: a dialect that leaves them out is refused.
_ASKED_FOR = {
    Agree: "agree",
    BackOff: "back_off",
    Confirm: "confirm",
    DryTouch: "dry_touch",
    FirstTouch: "first_touch",
    SafeStop: "safe_stop",
}


def refuse(moves: Sequence[Move], dialect: Dialect, kinematics: Kinematics, probe: Probe) -> None:
    """Refuse what a dialect cannot do with these moves at all.

    Parameters
    ----------
    moves : sequence of Move
    dialect : Dialect
    kinematics : Kinematics
    probe : Probe

    Raises
    ------
    InputError
    """
    turned = {axis.moves for axis in kinematics.axes} - set(dialect.turns)
    if turned:
        raise InputError(
            f"the dialect {dialect.name} cannot turn the axes of this machine",
            found=", ".join(sorted(turned)),
            expected=" or ".join(dialect.turns) or "no rotary axes",
        )
    lines = "".join(dialect.moves.get("record", ()))
    if dialect.coordinates == "program" and not re.search(r"\{(side_)?tip\}", lines):
        for move in moves:
            if isinstance(move, Record) and move.tip:
                raise InputError(
                    f"the record lines of the dialect {dialect.name} do not state the tip",
                    column="moves.record",
                    found=f"touch {move.touch} with {probe.tip_name(move.tip)}",
                    expected="{tip} or {side_tip}",
                )
    for move in moves:
        kind = _ASKED_FOR.get(type(move))
        if kind in dialect.omit:
            raise InputError(
                f"the dialect {dialect.name} cannot spell what is asked for",
                column=f"moves.{kind}",
                found=dialect.omit[kind],
                todo="Define it in the dialect, or leave it out of the study; no program was written.",
            )
    _refuse_unoriented(moves, dialect, probe)


def tokens_of(dialect: Dialect, names: Sequence[str], what: str) -> dict[str, str]:
    """Name -> token; two names must not become one."""
    tokens = {name: dialect.token(name) for name in names}
    for token, count in Counter(tokens.values()).items():
        if count > 1:
            alike = ", ".join(name for name, one in tokens.items() if one == token)
            raise InputError(
                f"two names become the same in the dialect's safe characters: {token}",
                column=what,
                found=alike,
                todo="Give them names that differ in letters or digits.",
            )
    return tokens


def has_spindle(dialect: Dialect) -> bool:
    """Whether the machine of a dialect has a spindle."""
    return "spindle_stop" not in dialect.omit


def _refuse_unoriented(moves: Sequence[Move], dialect: Dialect, probe: Probe) -> None:
    """A probe with side tips in a spindle that nothing orients: after a tool change it stands anywhere."""
    oriented = not has_spindle(dialect)
    for move in moves:
        if isinstance(move, ToolChange):
            oriented = not has_spindle(dialect)
        elif isinstance(move, Orient):
            spelled = "orient" if move.angle is not None else "stop"
            if has_spindle(dialect) and spelled in dialect.omit:
                raise InputError(
                    f"the dialect {dialect.name} cannot orient the spindle",
                    column=f"moves.{spelled}",
                    found=dialect.omit[spelled],
                    todo=f'Define it in the dialect, or set [stylus] orientation = "{BY_HAND}".',
                )
            oriented = True
        elif isinstance(move, Touch | DryTouch) and probe.tips and not oriented:
            raise InputError(
                f"touch {move.touch} is made with {probe.tip_name(move.tip)} of a probe with side tips, but "
                "the spindle is not oriented",
                column="orientation",
                found="none",
                expected=f'an angle in degrees, or "{BY_HAND}"',
                todo="State with the probe how the spindle is oriented so that its tips point as described; no "
                "program was "
                "written.",
            )
