"""An operation of the milling that a program runs again: the planned one, move by move, and nothing else.

Common practice of milling and probing in one program, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ...errors import InputError
from ..deciding.decisions import Recut
from ..deciding.phases import cut_again
from ..merging.anchors import Walked, find_operation, walk
from ..merging.cutting_again import otherwise_cut
from ..reading.interpreter import Interpreter
from ..reading.steps import Step
from ..reading.words import parse
from .case import Case
from .findings import Finding, NotMade, gathered
from .offsets import length_offset
from .rules import exact_path
from .runs import runs_of
from .seams import from_above, lifted_for_changes, offsets_as_planned

__all__ = ["changes_besides", "cut_again_as_planned"]


def cut_again_as_planned(case: Case) -> list[Finding] | NotMade:
    """What is cut again is the planned operation, move by move; tools are changed lifted before and after it."""
    planned, spans = cut_again(case.decided), case.again
    if case.dry or not (planned or spans):
        return []
    if not case.moves:
        return NotMade("the planned moves were not given", "look")
    if len(planned) != len(spans):
        what = f"{len(spans)} operations are cut again, planned are {len(planned)}"
        line = spans[0][0] if spans else 0
        return [Finding(line, "stop", what, "Write the program again: it is not the one that was planned.")]
    if case.milling is None:
        return NotMade("no milling program was given", "look")
    walked = walk(Interpreter(kinematics=case.kinematics, aliases=case.options.get("aliases")), parse(case.milling))
    seen: set[int] = set()
    wrong: list[tuple[int, str]] = []
    found: list[Finding] = []
    for steps in runs_of(case, None):
        new = [n for n, span in enumerate(spans) if n not in seen and any(_in(step, span) for step in steps)]
        for number in new:
            seen.add(number)
            told = _otherwise(walked, planned[number], [step for step in steps if _in(step, spans[number])])
            wrong += [(spans[number][0], told)] if told else []
        if new:
            for rule in (lifted_for_changes, from_above, offsets_as_planned, length_offset, exact_path):
                more = rule(replace(case, steps=steps))
                found += [] if isinstance(more, NotMade) else more
    wrong += [(spans[n][0], "no way of the program leads here") for n in range(len(spans)) if n not in seen]
    found = list({(one.line, one.what): one for one in found}.values())
    return (
        gathered(wrong, "stop", "Merge again: the tool would cut elsewhere, or otherwise, than the operation.") + found
    )


def changes_besides(case: Case) -> list[Step]:
    """Tool changes that do not belong to what is cut again: neither in it, nor the probe that comes back after it.

    Parameters
    ----------
    case : Case
        With the steps of a branch.
    """
    changes = [step for step in case.steps if step.kind == "tool"]
    back = [next((s for s in changes if s.line > last and case.probe_in(s)), None) for _, last in case.again]
    own = {step.line for step in back if step is not None}
    return [s for s in changes if s.line not in own and not any(_in(s, span) for span in case.again)]


def _in(step: Step, span: tuple[int, int]) -> bool:
    return span[0] < step.line < span[1]


def _otherwise(walked: Sequence[Walked], planned: Recut, steps: Sequence[Step]) -> str:
    """In what the operation that a text runs again is not the planned one; "" if in nothing."""
    try:
        first, last = find_operation(walked, planned.operation, planned.occurrence)
    except InputError as error:
        return f"'{planned.operation}' is not found in the milling program: {error.what}"
    own = walked[first:last]
    strange = next((s for s in steps if s.kind == "tool" and s.detail != own[-1].state.tool), None)
    if strange is not None:
        return f"{strange.text.strip()}: the operation has tool T{own[-1].state.tool}"
    told = otherwise_cut(own, steps, planned.to)
    return f"the operation '{planned.operation}' is not cut again as it stands: {told}" if told else ""
