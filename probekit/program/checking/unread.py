"""The release sheet of a program that the checks cannot read: that nothing was checked, and what a person must do.

The cautions are common practice in measuring rooms (no source).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..moves import Index, Move, Touch
from .release import set_up_of
from .sheet_frame import finished, head_of, section, signatures, ticks
from .sheet_tables import table

__all__ = ["unread_sheet"]

_NOT_DONE = (
    "No word of the program was read: not its moves, feeds, coordinate system, sensors, turns or results.",
    "It was not compared with the plan after it was written: an edited or damaged file looks the same here.",
    "It was not run on the virtual machine: no collision, no miss and no wrong order would have been found.",
)
_CAUTIONS = (
    "This sheet releases nothing. Only a person qualified for this machine and its software can.",
    "The manual of the machine, the rules of the shop and the local codes come first; where they differ, follow them.",
    "The software reads this dialect as it is meant: a qualified person has released the dialect for it, and has run "
    "the program through the simulation of the machine itself, with part, fixtures, stylus and sensor as they are.",
    "The alignment that the program takes for granted is the one in force; positions are those of the part frame.",
    "Each sensor that the program selects is the one of its pose and tip, and has been qualified.",
    "Before each turn of the sensor or the table the program is clear of part and fixtures: look at each of them in "
    "the program, for nothing here has.",
    "First run at reduced speed, a hand on the stop, the touches compared with this sheet one by one; hands clear.",
)


def unread_sheet(
    text: str,
    moves: Sequence[Move],
    *,
    title: str,
    omitted: Iterable[str] = (),
    set_up: Iterable[tuple[str, str]] = (),
    kinematics: Kinematics,
    probe: Probe,
    to: str | Path | None = None,
) -> str:
    """The sheet that goes with such a program to the machine.

    Many parameters: the sheet tells all that a person must know who signs it.

    Parameters
    ----------
    text : str
        The program.
    moves : sequence of Move
        That it was written of: the touches on the sheet are theirs, not those of the text.
    title : str
    omitted : iterable of str
        What the dialect cannot spell.
    set_up : iterable of (str, str)
        As for `release_sheet`.
    kinematics : Kinematics
    probe : Probe
    to : str or Path, optional
        File to write.

    Returns
    -------
    str
        HTML that needs nothing but a browser. All text is escaped.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    digest = hashlib.sha256(text.encode("ascii")).hexdigest()
    told = (
        "The checks and the virtual machine cannot read this dialect. It may run only after a qualified person has "
        "checked it and signed at the end of this sheet, and only the file with this checksum."
    )
    head = head_of(title, f"{len(text.splitlines())} lines", digest, "NOT RELEASED, NOT CHECKED", told)
    left_out = "".join(f"<li>{escape(one)}</li>" for one in omitted)
    body = [
        head,
        section("What was not done", ticks(_NOT_DONE)),
        section("Before it runs", ticks(_CAUTIONS)),
        section("Set-up", set_up_of(list(set_up), kinematics, probe)),
        *([section("What the dialect cannot spell", f"<ul>{left_out}</ul>")] if left_out else []),
        section("Touches as planned", _touches(moves, kinematics)),
        section("To be released by", signatures()),
    ]
    return finished(title, body, to)


def _touches(moves: Sequence[Move], kinematics: Kinematics) -> str:
    """The planned touches in their order, and where the rotary axes turn between them."""
    angles: tuple[float, ...] = (0.0,) * len(kinematics.axes)
    rows, turned = [], ""
    for move in moves:
        if isinstance(move, Index):
            turned = "turns before it" if move.angles != angles and rows else turned
            angles = move.angles
        elif isinstance(move, Touch):
            place = [*(f"{value:z.3f}" for value in move.target), *(f"{value:z.4f}" for value in move.normal)]
            own = (f"{angle:g}" for angle in angles)
            rows.append((str(move.touch), move.feature, *place, *own, str(move.tip), turned))
            turned = ""
    head = ("touch", "feature", "x0", "y0", "z0", "i", "j", "k", *(f"{a} [degree]" for a in kinematics.letters))
    note = '<p class="soft">Targets on the model and outward normals, part frame, mm; from the plan, not the text.</p>'
    return note + table((*head, "tip", ""), rows, numbers={0, *range(2, len(head))}, tall=True)
