"""The release sheet of a DMIS program: what was checked, what was not, and what a person must do.

The cautions are common practice in measuring rooms (no source).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from html import escape
from pathlib import Path

import numpy as np

from ...errors import InputError
from ...plan.access.poses import tip_place
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..checking.findings import Findings
from ..checking.release import moves_told, set_up_of, touches_of
from ..checking.sheet_frame import checks_of, findings_of, finished, head_of, section, signatures, ticks, trial_of
from ..checking.sheet_tables import table
from ..checking.told import told as decided_told
from ..checking.told import told_decisions
from ..deciding.decisions import Step as Planned
from ..deciding.decisions import decides
from ..deciding.paths import straight
from ..reading.source import load
from ..reading.steps import Step
from .plan_of import Limit, limits_of
from .reader import Reading, read
from .state import sensor_of
from .state import told as angles_told

__all__ = ["measuring_sheet"]

_CHECKED = (
    "The text was read again by a reader that shares nothing with the writer of it. It knows only the statements "
    "that are needed here; any other one is a stop. State, moves, measured points, results and waits were rebuilt "
    "from the text and compared with the plan, and the whole probe was followed along every move that a statement "
    "tells."
)
_NOT_CHECKED = (
    "That this machine and its software take each statement as it is taken here: text and reader are both from "
    "memory of ISO 22093. A qualified person has released the dialect for it, and has run the program through the "
    "simulation of the machine itself, with part, fixtures and stylus as they are.",
    "That the distances of SNSET count from the surface to the surface of the ball. Where a system counts to the "
    "ball's centre the approach ends inside the part at positioning rate: add the ball's radius first.",
    "The way from where the probe stands to the place of the first GOTO: the machine goes there straight. After a "
    "restart the same holds for its first GOTO.",
    "The machine itself: its column, arm or quill, and the head beyond the outline of the probe on this sheet. "
    "While the head turns, its ball is followed about the pivot that the study states.",
    "That the coordinate system which the program recalls is the part's, and the one that the plan was made in.",
    "That TEXT/MAN waits for a person, and that the machine stops with an error where a touch finds nothing, or "
    "where the probe meets something on its way.",
)
_DECIDES = (
    "That TRANS takes the value of a variable, moves the origin of the system in force along its axis towards plus for "
    "a value above zero, and puts the new system in force. Try it before the first run: reckon a variable, move a "
    "system by it, and read the place of the probe on the display.",
    "That OBTAIN and OUTPUT count from the system in force, also for what was measured in another one: the touches of "
    "the shifted system are put out after RECALL. Compare one result with a place that is known.",
    "That the software runs statement by statement, and reads a condition only when it comes to it.",
    "That the language has no end of a program but its last statement: where it ends itself, TEXT/OPER tells why and "
    "the machine is free for the next program. Results that are there then are those of the first phase.",
    "Results of touches in the shifted system are put out at the end: a run that is broken off before has none.",
)
_SHIFTED = (
    "The moves after the shift count from the system that the program makes; their places on this sheet are those on a "
    "part that lies as planned."
)
_TRIAL = (
    "Not tried: a sensor that is qualified wrongly, a label that stands for another sensor, an axis of the head "
    "that is off. Touch a known place with each sensor first, and compare.",
    "The model goes straight, ends with an error where a touch finds nothing, and knows no column, arm or quill.",
)
_PLACES = "in the coordinate system above [mm], centre of the ball of the selected sensor"
_CAUTIONS = (
    "This sheet and the checks on it release nothing. Only a person qualified for this machine and its software can.",
    "The manual of the machine, the rules of the shop and the local codes come first; where they differ, follow them.",
    "Each sensor of the list below has been qualified in its pose, and stands under exactly this label.",
    "Fixtures stand as on this sheet; there is no obstacle that the model does not show.",
    "Dry run first, without a part, at reduced speed. It has a program of its own, which goes to each standoff and "
    "touches nothing.",
    "First run at reduced speed, a hand on the stop, the touches compared with this sheet one by one; hands clear.",
)


def measuring_sheet(
    text: str,
    findings: Findings,
    *,
    title: str,
    frame: str,
    steps: Sequence[Planned] = (),
    omitted: Iterable[str] = (),
    set_up: Iterable[tuple[str, str]] = (),
    kinematics: Kinematics,
    probe: Probe,
    trial: Sequence[tuple[str, str, str, str]] = (),
    to: str | Path | None = None,
) -> str:
    """The sheet that goes with such a program to the machine.

    Many parameters: the sheet tells all that a person must know who signs it.

    Parameters
    ----------
    text : str
        The program.
    findings : Findings
        Of `check_measuring`, for this program.
    title : str
    frame : str
        The statement that recalls the coordinate system.
    steps : sequence of Step
        The planned moves and decisions, for the limits at which the program waits or ends.
    omitted : iterable of str
        What the dialect cannot spell.
    set_up : iterable of (str, str)
        As for `release_sheet`.
    kinematics : Kinematics
    probe : Probe
    trial : sequence of four str, optional
        As for `release_sheet`.
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
    source = load(text)
    digest = hashlib.sha256(source.encode(source.text)).hexdigest()
    told = (
        "It may run only after a qualified person has signed at the end of this sheet, and only the file with this "
        "checksum."
    )
    try:
        reading = read(source.text, kinematics=kinematics, probe=probe)
    except InputError:
        reading = None
    left_out = _list(omitted)
    said: list[str] = []
    moved: list[str] = []
    if reading is not None:
        said = _read(reading, kinematics, probe, limits_of(straight(steps)))
        balls = moves_told(_of_balls(reading, kinematics, probe), kinematics, _PLACES)
        moved = [section("Touches", touches_of(reading.steps, kinematics)), section("Moves of the probe", balls)]
    parts = [
        head_of(title, f"{len(source.lines)} lines", digest, "NOT RELEASED", told),
        section("Result of the checks", f"<p>{escape(findings.sentence)}</p>{findings_of(findings)}"),
        section("What was checked", f"<p>{escape(_CHECKED if reading else 'Nothing: it could not be read.')}</p>"),
        section("What was not checked", ticks((*_NOT_CHECKED, *(_DECIDES if decides(steps) else ())))),
        section("Before it runs", ticks(_CAUTIONS)),
        section("Set-up", set_up_of([*set_up, ("Coordinate system", frame)], kinematics, probe)),
        *([section("What the dialect cannot spell", left_out)] if left_out else []),
        *said,
        *([section("What it decides", decided_told([*told_decisions(steps), _SHIFTED]))] if decides(steps) else []),
        section("Checks", checks_of(findings)),
        *([section("Trial on a model of the machine", trial_of(trial) + ticks(_TRIAL))] if trial else []),
        *moved,
        section("To be released by", signatures()),
    ]
    return finished(title, parts, to)


def _read(reading: Reading, kinematics: Kinematics, probe: Probe, limits: Sequence[Limit]) -> list[str]:
    """What the text itself says: sensors, rates and distances, where it waits, where it may be started again."""
    return [
        section("Sensors to be qualified", _sensors(reading, kinematics, probe)),
        section("How it touches, and where it waits for a person", _list([*_manner(reading), *_waits(limits)])),
        section("Places to start again", _restarts(reading)),
    ]


def _of_balls(reading: Reading, kinematics: Kinematics, probe: Probe) -> list[Step]:
    """The steps, ending where the machine tells: at the ball of the selected sensor, in the part frame."""
    found = []
    for step, setting in zip(reading.steps, reading.settings, strict=True):
        tip = 0 if setting.sensor is None else setting.sensor.tip
        place = tip_place(np.array(step.end), probe, tip, kinematics, step.angles_end)
        found.append(replace(step, end=tuple(place.tolist())))
    return found


def _sensors(reading: Reading, kinematics: Kinematics, probe: Probe) -> str:
    count: dict[str, int] = {}
    said = (one for one in reading.statements if one.word == "SNSLCT")
    seen = {one.named: sensor_of(one.named, kinematics, probe, one.line) for one in said}
    for touch in reading.touches:
        label = touch.setting.sensor.label if touch.setting.sensor is not None else ""
        count[label] = count.get(label, 0) + 1
    rows = [
        (
            f"SA({label})",
            "the label does not tell" if one.angles is None else angles_told(one.angles, kinematics.letters),
            str(one.tip),
            str(count.get(label, 0)),
        )
        for label, one in seen.items()
    ]
    return table(("label", "head [degree]", "tip", "touches"), rows, numbers={2, 3})


def _manner(reading: Reading) -> list[str]:
    """Rates and distances of touches and moves."""

    def values(name: str) -> str:
        found = {getattr(one.setting, name) for one in reading.touches}
        return " and ".join(f"{value:g}" for value in sorted(value for value in found if value is not None))

    rates = sorted({step.feed for step in reading.steps if step.kind == "feed" and step.feed})
    lines = [f"Moves go straight, at {' and '.join(f'{rate:g}' for rate in rates)} mm/min; no statement watches them."]
    if reading.touches:
        lines.append(
            f"Each touch begins {values('approach')} mm off the surface, searches {values('search')} mm beyond it at "
            f"{values('measuring')} mm/min, and goes back by {values('retract')} mm, all between surface and ball."
        )
    return lines


def _waits(limits: Sequence[Limit]) -> list[str]:
    """Where it waits for a person."""
    if not limits:
        return ["It waits nowhere: whatever a touch finds, the program goes on, or ends as it decides."]
    by: dict[tuple[float, float], list[str]] = {}
    for one in limits:
        by.setdefault((one.lower, one.upper), []).append(one.label.removeprefix("P"))
    lines = [
        f"After touch{'es' * (len(own) > 1)} {', '.join(own)} it waits for a person where the deviation lies outside "
        f"{low:+g} to {high:+g} mm."
        for (low, high), own in by.items()
    ]
    return [*lines, "The language goes on when the person confirms: end the program there by hand."]


def _restarts(reading: Reading) -> str:
    rows = []
    for number, one in enumerate(reading.statements):
        words = one.named.split() if one.word == "$$" else []
        if words[:2] == ["PROBEKIT", "RESTART"] and words[2:]:
            after = reading.statements[number + 1 :]
            touches = sum(later.word == "PTMEAS" for later in after)
            rows.append((words[2], str(one.line), " ".join(words[3:]), str(touches)))
    if not rows:
        return "<p>None: after a stop, bring the probe clear by hand and start from the beginning.</p>"
    note = (
        "<p>After a stop: find out why, and bring the probe clear of the part by hand, straight back from where it "
        "touched, then above everything, near the place of the next GOTO. There the program says units, coordinate "
        "system, mode, sensor, rates and distances anew; its variables (DECL) must still be declared.</p>"
    )
    return note + table(("place", "line", "what comes", "touches from there"), rows, numbers={1, 3})


def _list(sentences: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(one)}</li>" for one in sentences)
    return f"<ul>{items}</ul>" if items else ""
