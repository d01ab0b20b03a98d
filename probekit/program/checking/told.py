"""What a program decides, in words for the release sheet: one sentence each, in the order of the program."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from ..deciding.decisions import Continue, Decide, Entered, Recut, Reprobe, ShiftOffset, Step, UseOffset
from ..deciding.entries import Entry
from ..deciding.estimates import Estimate
from ..deciding.expressions import Deviation, Expression, Let, Name, Shifted, Value
from ..moves import SafeStop
from .sheet_tables import table

__all__ = ["to_enter", "told", "told_decisions", "words_of"]

_KINDS = {"height": "height", "middle": "middle between opposed touches", "angle": "angle"}


def told_decisions(steps: Sequence[Step]) -> list[str]:
    """What a program reckons, shifts, repeats, and where it stops for good.

    Parameters
    ----------
    steps : sequence of Step
    """
    found: list[str] = []
    for one in steps:
        if isinstance(one, Estimate):
            used = ", ".join(map(str, one.used))
            along = "({:g}, {:g}, {:g})".format(*one.direction)
            left = f" (not of {', '.join(map(str, one.unused))}, which lie across)" if one.unused else ""
            found.append(f"{one.name}: {_KINDS[one.kind]} along {along}, of touches {used}{left} [{one.unit}].")
        elif isinstance(one, Reprobe):
            found += told_decisions(one.steps)
            if one.between:
                found += [f"{let.name}: {words_of(let.to)} [mm]." for let in one.steps if isinstance(let, Let)]
                found += [f"Unless {words_of(one.until)}: {words}" for words in told_decisions(one.between)]
            times = f"{one.at_most} time{'s' * (one.at_most != 1)}"
            found.append(f"These touches are made again, at most {times}, until {words_of(one.until)}.")
        elif isinstance(one, Decide):
            found += _decision(one)
        elif isinstance(one, ShiftOffset):
            by = " and ".join(one.names)
            found.append(
                f"{one.to} is written as a copy of {one.by} shifted by {by}; {one.by} itself stays as it is. Nothing "
                f"else may use {one.to}."
            )
        elif isinstance(one, Entered):
            found.append(
                f"It counts from {one.to}, which a person has entered: it stops with an error if that lies more than "
                f"{one.limit:g} mm from {one.by}. It cannot see a wrong sign."
            )
        elif isinstance(one, UseOffset):
            found.append(f"At the end it counts from {one.name} again.")
        elif isinstance(one, Recut):
            found.append(
                f"The operation '{one.operation}' of the milling program is run again, once, with its tool lower by "
                f"what is {one.by}, at most {one.limit:g} mm: it counts from {one.to}, a copy of {one.of}. Neither "
                f"the tool table nor {one.of} is written."
            )
    return list(dict.fromkeys(found))


def _decision(one: Decide) -> list[str]:
    """One decision, with what either branch does."""
    ways = []
    for branch, holds in ((one.then, "if"), (one.otherwise, "unless")):
        stop = next((step for step in branch if isinstance(step, SafeStop)), None)
        if stop is not None:
            ways.append(f"It lifts, stops and ends {holds} {words_of(one.condition)}: “{stop.message}”.")
        elif any(not isinstance(step, Continue) for step in branch):
            ways += [f"{holds.capitalize()} {words_of(one.condition)}: {words}" for words in told_decisions(branch)]
    return ways


def words_of(tree: Expression) -> str:
    """An expression as a person reads it."""
    if isinstance(tree, Value):
        return f"{tree.number:g}{f' {tree.unit}' if tree.unit else ''}"
    if isinstance(tree, Name):
        return tree.name
    if isinstance(tree, Shifted):
        return f"{tree.to} less {tree.of} along {'XYZ'[tree.axis]}"
    if isinstance(tree, Deviation):
        return f"deviation of touch {tree.touch}"
    parts = [words_of(one) for one in tree.of]
    if tree.word in ("abs", "sqrt", "min", "max", "atan2"):
        return f"{tree.word}({', '.join(parts)})"
    if tree.word == "*" and parts[0] == parts[1]:
        return f"{parts[0]}\N{SUPERSCRIPT TWO}"
    text = f"{parts[0]} {tree.word} {parts[1]}"
    return f"({text})" if tree.word in ("or", "-", "/") else text


def told(sentences: Sequence[str]) -> str:
    """The sentences as a part of the sheet."""
    note = '<p class="soft">Values are counted in the part frame. The checks have run the program beside them.</p>'
    return f"{note}<ol>{''.join(f'<li>{escape(one)}</li>' for one in sentences)}</ol>"


def to_enter(entries: Sequence[Entry]) -> str:
    """What a person reads, judges and enters, as a table to be filled in."""
    rows = [
        (one.parameter, one.what, "" if one.limit is None else f"{one.limit:g} {one.unit} either way", one.into, "", "")
        for one in entries
    ]
    head = ("read", "what it is", "not beyond", "to be entered", "value read", "entered, and by whom")
    note = (
        "<p>This control does not decide: a person does. Read each value at the control and write it down. If one lies "
        "beyond its limit, do not go on but as its line says: find out why. Else enter what is to be entered, let a "
        "second person compare it, and go on.</p>"
    )
    return note + table(head, rows)
