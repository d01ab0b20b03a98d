"""Which phases a program of a measuring machine can carry out by itself: one shift, after the first phase."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import InputError
from .phasing import phases_of
from .prepared import dialect_of

if TYPE_CHECKING:
    from ..program.deciding.asked import Phase
    from .model import Study

__all__ = ["check_measured", "copies_of"]


def check_measured(study: Study) -> None:
    """Refuse what such a program cannot carry, by the key that asks for it.

    Raises
    ------
    InputError
    """
    phases = phases_of(study)
    for number, phase in enumerate(phases, 1):
        for key, told, todo in _refused(phase, first=number == 1):
            raise InputError(
                f"phase '{phase.name}': {told}",
                file=study.path,
                column=f"phase {number}.{key}",
                found=getattr(phase, key) or "none",
                todo=todo,
            )
    if len(phases) < 2:
        raise InputError(
            "nothing follows the phase that shifts", file=study.path, column="phase", found="1", expected="2 or more"
        )
    if "stop_outside" in study.settings.get("program", {}):
        raise InputError(
            "a touch cannot stop a program of a measuring machine that shifts by itself",
            file=study.path,
            column="program.stop_outside",
            found=study.settings["program"]["stop_outside"],
            todo="Leave stop_outside out: limit and spread end the program; judge the rest by the results.",
        )


def copies_of(study: Study) -> tuple[str, ...]:
    """Systems of the dialect that a program makes by itself: no statement of the language recalls them."""
    dialect = dialect_of(study)
    mark = dialect.comment_open.strip()
    return tuple(name for name, text in dialect.work_offsets.items() if dialect.language and text.startswith(mark))


def _refused(phase: Phase, *, first: bool) -> list[tuple[str, str, str]]:
    """Key, why, and what to do instead, of all that is not carried."""
    found = []
    if phase.recut is not None:
        found.append(("recut", "a measuring machine does not cut", "Leave recut out."))
    if phase.after != "":
        found.append(("after", "a measuring machine has no milling program", "Leave after out."))
    if phase.again:
        todo = "Leave again out: touches that disagree end the program; clean the part and start it again."
        found.append(("again", "a feature is not measured anew under its label: systems differ in what it means", todo))
    if first and not phase.to:
        todo = 'State to = "SHIFTED" and limit, or leave [[phase]] out.'
        found.append(("to", "the first phase must shift the coordinate system", todo))
    if not first and phase.to:
        found.append(("to", "only the first phase can shift the coordinate system", "Leave to and limit out."))
    if not first and phase.estimate:
        todo = "Estimate in the first phase what decides, or judge by the results."
        found.append(("estimate", "only the first phase can estimate: later ones count from the shifted system", todo))
    if any(one.kind == "angle" for one in phase.estimate):
        todo = "Leave the angle out, and have the software turn the system that is recalled before this program runs."
        found.append(("estimate", "turns are not carried: the system is only moved", todo))
    return found
