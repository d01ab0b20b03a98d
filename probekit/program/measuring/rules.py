"""What must hold of a DMIS program: its coordinate system, who moves the machine, rates, results, its end."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from ...errors import InputError
from ..checking.findings import Finding, NotMade, gathered
from .case import SAME, MeasuringCase
from .plan_of import next_touches, start_and_end
from .reader import follow
from .state import sensor_of

__all__ = [
    "frame_as_planned",
    "handed_back",
    "moved_by_itself",
    "rates",
    "restarts",
    "results_put_out",
    "same_ways",
    "start_known",
]

_AGAIN = "Write the program again."
#: They move nothing, and set nothing that moves.
_TELLS = {"IF", "ELSE", "ENDIF", "TEXT", "OBTAIN", "ASSIGN", "DECL", "$$"}


def frame_as_planned(case: MeasuringCase) -> list[Finding]:
    """Positions count from the planned coordinate system throughout, or from the planned one moved by its shift."""
    wrong = []
    for step, setting in case.in_force("feed", "probe"):
        if not np.array_equal(setting.motion, np.eye(4)):
            wrong.append(
                (step.line, f"the probe moves in a coordinate system that the program made: D({setting.frame})")
            )
        elif setting.frame != (planned := case.frame_at(step.line)):
            wrong.append((step.line, f"the probe moves in D({setting.frame}), planned is D({planned})"))
    return gathered(wrong, "stop", "Every position would be counted from elsewhere.")


def moved_by_itself(case: MeasuringCase) -> list[Finding]:
    """The program moves the machine along its own ways: MODE/PROG, and no surface of clearance."""
    wrong = []
    for step, setting in case.in_force("feed", "probe"):
        if setting.mode != "PROG,MAN":
            wrong.append(
                (step.line, f"the probe moves in MODE/{setting.mode}: not along the ways that are checked here")
            )
        if setting.clearance is not None:
            wrong.append((step.line, "SNSET/CLRSRF is on: the machine goes to it by ways that no statement tells"))
    return gathered(wrong, "stop", "Write MODE/PROG,MAN before the first move, and SNSET/CLRSRF,OFF.")


def same_ways(case: MeasuringCase) -> list[Finding]:
    """Whatever is measured, the machine goes the same ways, or ends: else between IF and ENDIF it only tells."""
    wrong, depth = [], 0
    opened = case.decisions[0] if case.decided and not case.dry else ()
    for one in case.reading.statements:
        if one.line in opened or (opened and one.word == "ELSE"):
            if one.word == "ELSE":
                break  # what follows only tells: see `branches_end`
            continue
        depth += {"IF": 1, "ENDIF": -1}.get(one.word, 0)
        if depth and one.word not in _TELLS:
            wrong.append((one.line, f"{one.word} between IF and ENDIF: it depends on a result whether it is done"))
    return gathered(wrong, "stop", "Take it out: its ways are followed on a part as planned only.")


def rates(case: MeasuringCase) -> list[Finding]:
    """No move is faster than the plan has it."""
    limit = case.positioning * 1.01
    fast = (
        (step.line, f"a move at {step.feed:g} mm/min, faster than the planned {case.positioning:g}")
        for step, _ in case.in_force("feed")
        if step.feed is None or step.feed > limit
    )
    return gathered(fast, "stop", "FEDRAT counts in m/min (MPM) or mm/s (MMPS).")


def results_put_out(case: MeasuringCase) -> list[Finding]:
    """Each touch puts its result out once, and nothing else is put out."""
    count = Counter(label for _, label in case.reading.output)
    line = {label: at for at, label in reversed(case.reading.output)}
    lost = [(one.line, "a touch whose result is not put out") for one in case.reading.touches if not count[one.label]]
    twice = [(line[label], "a result is put out twice") for label, times in count.items() if times > 1]
    return gathered(lost, "stop", "Add OUTPUT after it, or it is measured for nothing.") + gathered(
        twice, "stop", "Its touch would be read twice."
    )


def start_known(case: MeasuringCase) -> list[Finding]:
    """It is known where the probe stands before the first move, and which way the head is turned."""
    found, steps = list[Finding](), list(case.case.probe_moves())
    kinematics, probe = case.case.kinematics, case.case.probe
    assert probe is not None
    moved = next((step.line for step in steps if step.kind in ("feed", "probe")), math.inf)
    for one in case.reading.statements:
        if one.word == "SNSLCT" and sensor_of(one.named, kinematics, probe, one.line).angles is None:
            what = f"SA({one.named}) tells no angle: how the head stands with it is not known"
            level = "stop" if one.line > moved else "note"  # the head may turn beside the part
            found.append(Finding(one.line, level, what, "Have the head clear of everything when it is selected."))
    first = next((step for step in steps if not all(map(math.isfinite, (*step.start, *step.end)))), None)
    if first is None:
        return found
    what = "where the probe stands before the first move is not told, so the way of that move is not checked"
    todo = "Bring it by hand above everything, near the place of the first move, before the program starts."
    return [*found, Finding(first.line, "note", what, todo)]


def handed_back(case: MeasuringCase) -> list[Finding] | NotMade:
    """At its end the probe is lifted, and the head is turned back."""
    steps = [step for step in case.case.probe_moves() if step.kind in ("feed", "index")]
    if not steps:
        return [Finding(0, "stop", "the program moves nothing", "Check that it is the right file.")]
    last, found = steps[-1], list[Finding]()
    turned = start_and_end(case.moves)
    if turned and (np.abs(np.subtract(last.angles_end, turned[1])) > SAME).any():
        found.append(Finding(last.line, "stop", "at its end the head is not turned as the plan leaves it", _AGAIN))
    if case.case.turn_height is None:
        return found or NotMade("no height for turning the head was given")
    if not last.end[2] >= case.case.turn_height - SAME:
        what = f"the program ends with the probe at Z{last.end[2]:g}, not lifted to Z{case.case.turn_height:g}"
        found.append(Finding(last.line, "stop", what, _AGAIN))
    return found


def restarts(case: MeasuringCase) -> list[Finding]:
    """Where the program may be started again it says all that its moves depend on anew."""
    kinematics, probe = case.case.kinematics, case.case.probe
    assert probe is not None
    planned = next_touches(case.moves)
    wrong = []
    declared = {one.named for one in case.reading.statements if one.word == "DECL"}
    for number, one in enumerate(case.reading.statements):
        words = one.named.upper().split() if one.word == "$$" else []
        if words[:2] != ["PROBEKIT", "RESTART"]:
            continue
        after = case.reading.statements[number:]
        meant = planned.pop(words[2] if words[2:] else "", None)
        found = next((later.named for later in after if later.word == "MEAS"), "")
        if meant != found:
            where = f"touch {found.removeprefix('P')}" if found else "no touch"
            wrong.append((one.line, f"started again here {where} is the next one, which is not as planned"))
        try:
            follow(after, kinematics=kinematics, probe=probe, declared=declared)
        except InputError as error:
            wrong.append((one.line, f"started again here the program does not run: {error}"))
    wrong += [(0, f"place {number} to start again is missing") for number in sorted(planned)]
    return gathered(wrong, "stop", "Write the program again, or start it from its beginning only.")
