"""An operation of the milling program as a program of its own, for a control that cannot decide: a person runs it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ..deciding.decisions import Recut
from ..reading.interpreter import Interpreter
from ..reading.source import Source, load
from ..reading.steps import Step
from ..reading.words import parse
from ..writing.dialect import Dialect
from ..writing.kinds import filled
from ..writing.lifting import lift_lines
from ..writing.spelling import Values
from .anchors import walk
from .cutting_again import CUT_BEGIN, CUT_END, again_lines, operation_of, otherwise_cut
from .merge import LIFT

__all__ = ["CUT_ALONE", "cut_alone"]

#: Comment with which such a program begins.
CUT_ALONE = "PROBEKIT CUTS AN OPERATION AGAIN"

_QUIET = ("M5", "M9", "S0", "G40", "G80")


def cut_alone(
    milling: str | bytes | Path | Source,
    again: Recut,
    dialect: Dialect,
    name: str,
    *,
    lift: str = LIFT,
    clearance: float | None = None,
    aliases: Mapping[str, str] | None = None,
    known: Collection[str] = (),
) -> tuple[str, tuple[str, ...]]:
    """The text of a program that runs an operation again, and what to look at.

    It stops with an error unless the copy is entered: X and Y those of its work offset, Z lower, within the limit.

    Parameters
    ----------
    milling, lift, clearance, aliases, known
        As for `probekit.program.merge`.
    again : Recut
    dialect : Dialect
        With the kind `recut_entered`.
    name : str
        Of the program.

    Raises
    ------
    InputError
        As `probekit.program.merge` for what is run again.
    """
    source = load(milling)
    file = source.name or None
    walked = walk(Interpreter(aliases=aliases), parse(source))
    span = operation_of(walked, again, len(walked), known, file)
    if (skipped := next((one.block for one in walked[: span[1]] if one.block.skip), None)) is not None:
        what = "what the operation relies on depends on the block delete switch"
        raise InputError(what, file=file, line=skipped.line, found=skipped.text.strip())
    values = {"name": dialect.token(name), "work_offset": dialect.work_offsets[again.of], "probe": "", "touches": "0"}
    values |= Values(dialect, Kinematics()).pair(again.to, again.of)
    values["limit"] = dialect.numbers["target"](again.limit)
    told = [f"{CUT_ALONE}: ONLY AFTER {again.to} IS ENTERED", *dialect.caution]
    up = lift_lines(lift, "G21 G90")
    begin = [*dialect.before, *(line for text in told for line in dialect.comment(text)), *dialect.header]
    begin = [filled(line, values) for line in (*begin, *dialect.moves["recut_entered"])] + [*_QUIET, *up, "G17 G94"]
    offsets = {one: (0.0, 0.0, 0.0) for one in (again.of, again.to)}
    before = walk(Interpreter(offsets=offsets), parse("\n".join(begin)))[-1]
    own, notes = again_lines(walked, again, span, before, lift, clearance, file)
    end = [filled(line, values) for line in (*_QUIET, *up, "{work_offset}", *dialect.footer, *dialect.after)]
    text = "\n".join([*begin, *own, *end]) + "\n"
    steps, inside, control = list[Step](), False, Interpreter(offsets=offsets)
    for one in walk(control, parse(text)):
        inside = one.block.text == f"({CUT_BEGIN})" or (inside and one.block.text != f"({CUT_END})")
        steps += one.steps if inside else ()
    wrong = otherwise_cut(walked[span[0] : span[1]], steps, again.to) or ("" if control.ended else "it has no end")
    if wrong:
        raise InputError(
            f"the operation '{again.operation}' would not go where it went",
            file=file,
            line=walked[span[0]].block.line,
            found=wrong,
            todo="State at its head what it relies on, or leave recut out. No program was written.",
        )
    return text, tuple(notes)
