"""Whether a dialect can decide, and the programs with a stop between them that take its place where it cannot."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

from .. import program as programs
from ..errors import InputError, ProbekitWarning
from ..making import blaming
from ..program.checking.case import is_dry
from ..program.deciding.entries import Entry, entries_of, numbers_of
from ..program.deciding.paths import straight
from ..program.moves import Touch
from ..program.reading.source import Source
from ..program.reading.steps import read_record
from ..program.reading.words import parse
from .following import Following
from .machinery import kinematics_of
from .phases_measured import check_measured, copies_of
from .phasing import phases_of
from .places import part_name
from .prepared import dialect_of, offset_of, slots_after

if TYPE_CHECKING:
    from ..program.deciding.asked import CutAgain
    from ..program.deciding.phases import Part
    from ..program.writing.dialect import Dialect
    from .model import Study
    from .prepared import Plan

__all__ = ["check_phases", "decides_itself", "entered_after", "later_parts", "part_of"]

_TO_DECIDE = ("decide", "shift", "give_up", "record_shifted", "let")
_IN_PARTS = ("entered", "record_shifted", "let")

_NO_PHASES = "Leave [[phase]] out, or use a dialect that can; no program was written."
_MEASURING = (
    "On a measuring machine the set-up is no work offset, but a coordinate system that its software makes and saves: "
    "probe the datums with a program of the software's own, let it save the system under the label that the work "
    "offset recalls, D(PART), and read there how far off the part is. Then run this program: leave [[phase]] out, and "
    "state in [program] confirm = 0.5 (your limit, mm): beyond it the first touch waits for a person."
)


def decides_itself(dialect: Dialect) -> bool:
    """Whether programs in a dialect can decide by themselves."""
    return not any(kind in dialect.omit for kind in _TO_DECIDE)


def check_phases(study: Study, dialect: Dialect) -> None:
    """Refuse phases that no program can be written of, before any work is done on them.

    Raises
    ------
    InputError
        If the dialect can neither decide nor reckon values for a person, a copy is no work offset or the one set up, or
        a milling program is to take a program that decides.
    """
    if not decides_itself(dialect):
        missing = next((kind for kind in _IN_PARTS if kind in dialect.omit), None)
        if missing is not None:
            lacking = next(kind for kind in _TO_DECIDE if kind in dialect.omit)
            raise InputError(
                f"the dialect {dialect.name} cannot decide, nor be followed by a second program",
                file=study.path,
                column="phase" if dialect.language else f"moves.{lacking}",
                found=dialect.omit["entered" if dialect.language else lacking],
                todo=_MEASURING if dialect.language else _NO_PHASES,
            )
    if dialect.language:
        check_measured(study)
    elif decides_itself(dialect) and "repeat" in dialect.omit and any(one.again for one in phases_of(study)):
        raise InputError(
            f"the dialect {dialect.name} cannot make touches again",
            file=study.path,
            column="phase.again",
            found=dialect.omit["repeat"],
            todo="Leave again out: touches that disagree are then a stop.",
        )
    by = offset_of(study)
    for number, phase in enumerate(phases_of(study), 1):
        if phase.to:
            _check_copy(study, dialect, phase.to, f"phase {number}.to", "a shift", by)
        if phase.recut is not None:
            _check_recut(study, dialect, phase.recut, f"phase {number}.recut", by)
    _check_places(study, dialect)


def _check_copy(study: Study, dialect: Dialect, to: str, key: str, what: str, by: str) -> None:
    """Refuse a copy of the work offset `by` that is none of the dialect, or that one itself."""
    free = copies_of(study) if dialect.language else [name for name in dialect.work_offsets if name != by]
    if to not in free:
        raise InputError(
            f"{what} needs another work offset for its copy",
            file=study.path,
            column=key,
            found=to,
            expected=", ".join(free) or "one that the program may make: see the dialect dmis",
        )


def _check_recut(study: Study, dialect: Dialect, recut: CutAgain, where: str, by: str) -> None:
    """Refuse to cut an operation again where no program or no machine could."""
    _check_copy(study, dialect, recut.to, f"{where}.to", "an operation that is cut again", by)
    if "milling" not in study.settings.get("program", {}):
        raise InputError(
            "there is no milling program whose operation could be cut again",
            file=study.path,
            column=f"{where}.operation",
            found=recut.operation,
            todo="Name the milling program: [program] milling.",
        )
    axes = kinematics_of(study).letters
    if axes:
        raise InputError(
            "nothing is cut again on a machine with rotary axes",
            file=study.path,
            column=where,
            found=", ".join(axes),
            expected="three axes: the shift is along Z of the machine, and an operation may have tilted tool or part",
            todo="Leave recut out, and decide by the report what is to be cut again.",
        )
    kind = "recut" if decides_itself(dialect) else "recut_entered"
    if kind in dialect.omit:
        raise InputError(
            f"the dialect {dialect.name} cannot cut an operation again",
            file=study.path,
            column=where,
            found=dialect.omit[kind],
            todo="Leave recut out, or use a dialect that can; no program was written.",
        )


def _check_places(study: Study, dialect: Dialect) -> None:
    """Refuse places in a milling program that is not there, or in which a control could not decide."""
    milling, phases = "milling" in study.settings.get("program", {}), phases_of(study)
    if milling and not decides_itself(dialect) and all(phase.recut is None for phase in phases):
        lacking = next(kind for kind in _TO_DECIDE if kind in dialect.omit)
        raise InputError(
            f"the dialect {dialect.name} cannot decide within a milling program",
            file=study.path,
            column="program.milling",
            found=dialect.omit[lacking],
            todo="Leave milling out: the phases are then programs of their own, with a stop and values to enter after "
            "each. Or use a dialect that can decide, such as rs274_flow if the control reads it.",
        )
    for number, phase in enumerate(phases, 1):
        if phase.after != "" and (number == 1 or not milling):
            raise InputError(
                "the first phase stands where [program] after says" if milling else "there is no milling program",
                file=study.path,
                column=f"phase {number}.after",
                found=phase.after,
                todo="Leave it out." if milling else "Leave it out, or name the program: [program] milling.",
            )


def entered_after(part: Part, study: Study, dialect: Dialect) -> tuple[Entry, ...]:
    """What a person enters after one of several programs."""
    numbers = numbers_of(part.steps, dialect.reckoning.names[0])
    shows = {name: dialect.reckoning.parameter.replace("{n}", str(n)) for name, n in numbers.items()}
    return entries_of(part, offset_of(study), shows)


def part_of(planned: Plan, text: Source) -> int | None:
    """Which of several programs a text is, by the touches that it records; None if there is only one, or it is dry.

    Parameters
    ----------
    planned : Plan
    text : Source
    """
    blocks = parse(text)
    if not planned.phases or decides_itself(dialect_of(planned.study)) or is_dry(blocks):
        return None
    found = [read_record(comment) for block in blocks for comment in block.comments]
    recorded = {record[0] for record in found if record is not None}
    own = [len(recorded & {s.touch for s in straight(one.steps) if isinstance(s, Touch)}) for one in planned.parts]
    return own.index(max(own))


def later_parts(study: Study, planned: Plan, dialect: Dialect, names: tuple[str, str]) -> tuple[Following, ...]:
    """The second program and those after it, written and checked.

    Parameters
    ----------
    study : Study
    planned : Plan
    dialect : Dialect
    names : (2,) str
        Name and suffix of the first one.
    """
    options, found = study.settings.get("program", {}), []
    for number, part in enumerate(planned.parts[1:], 1):
        own = replace(dialect, slots=slots_after(dialect.slots, part.touches))
        called = part_name(*names, number + 1)
        with blaming(study.path, "program"), warnings.catch_warnings():
            warnings.simplefilter("ignore", ProbekitWarning)  # what is left out is said of the first one
            text = programs.write(
                part.steps,
                own,
                kinematics=planned.kinematics,
                probe=planned.probe,
                name=called.removesuffix(names[1]),
                work_offset=offset_of(study),
                away=options.get("lift"),
                whole=True,
            )
        enter = entered_after(part, study, dialect)
        found.append(Following(called, part, text, planned.check(text, part=number), enter))
    return tuple(found)
