"""The release sheet: one HTML page, on paper or on a phone, for the person who is to release a program.

The software releases nothing. The cautions are common practice in machine shops (no source).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from html import escape
from pathlib import Path

from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..deciding.decisions import Entered, Recut, ShiftOffset, decides, linear
from ..deciding.decisions import Step as DecidedStep
from ..deciding.entries import Entry
from ..merging.merge import Merged
from ..reading.source import Source, load
from ..reading.steps import MOVES, Recorded, Step
from ..reading.words import Block, parse
from .by_hand import by_hand
from .contacts import steps_to_contact
from .findings import Findings
from .sheet_frame import checks_of, findings_of, finished, head_of, section, signatures, ticks, trial_of
from .sheet_parts import confirmations, manner, restart_rows
from .sheet_tables import scroll, table
from .told import to_enter, told, told_decisions

__all__ = ["moves_told", "release_sheet", "set_up_of", "touches_of"]

CAUTIONS = (
    "This sheet and the checks on it release nothing. Only a person qualified for this machine and its control can.",
    "The manual of the machine, the rules of the shop and the local codes come first; where they differ, follow them.",
    "The dialect is the right one for this control, and a qualified person has released it.",
    "The probe is in the magazine place that the program calls, its length offset is the right one, it is "
    "qualified, it "
    "signals when it is deflected.",
    "The spindle cannot start while the probe is in; its speed is locked where the machine allows it.",
    "Work offset, clamps and stock are as on this sheet; there is no obstacle that the model does not show.",
    "Every surface to be touched is finished at this point of the program, and no stock that is still to be cut is "
    "in the way.",
    "Dry run first, without a part or with the work offset raised so far that no move can reach part or fixture. It "
    "has a program of its own, which makes plain moves to the standoff: this one stops with an error where it touches "
    "nothing.",
    "First run on the part: single block, rapid and feed override reduced, a hand on feed hold; the distance "
    "to go is compared with the moves on this sheet.",
    "Doors closed, hands and loose objects clear of the working space whenever an axis can move.",
    "Before milling resumes: the milling tool is back in the spindle, and its length offset is in force.",
)

#: Of a program that may run an operation of the milling again.
CUT_CAUTIONS = (
    "An operation may be run again: the probe goes out, the milling tool comes back, the spindle and the coolant start "
    "by themselves, and it cuts. Doors stay closed until the program has ended.",
    "The tool of that operation is the one that cut it, and its length offset has not been changed since: a worn, "
    "broken or newly measured tool leaves something else than what was found.",
    "What may be left is thick enough for that tool to cut, and thin enough for it to cut at once: both limits are "
    "chosen for this tool and material.",
    "The surface was clean when it was touched: chips and coolant are blown off before, for a chip reads as material "
    "that is left.",
    "Lowered by its limit the operation meets no clamp, no other surface and not the table: tried in the air first, "
    "with the limit entered in the work offset that takes the copy.",
)

_WORDS = {"rapid": "rapid", "feed": "at feed", "arc": "arc at feed", "probe": "TOUCH", "index": "rotary axes"}
_TO_FILL = ("Clamping", "Stock", "Zero point found by", "Probe qualified on")


def release_sheet(
    program: str | bytes | Path | Source | Merged,
    findings: Findings,
    *,
    title: str = "Probing program",
    set_up: Iterable[tuple[str, str]] = (),
    kinematics: Kinematics | None = None,
    probe: Probe | None = None,
    aliases: Mapping[str, str] | None = None,
    trial: Sequence[tuple[str, str, str, str]] = (),
    decided: Sequence[DecidedStep] = (),
    enter: Sequence[Entry] = (),
    flow: bool = False,
    to: str | Path | None = None,
) -> str:
    """The sheet that goes with a program to the machine.

    Many parameters: the sheet tells all that a person must know who signs it.

    Parameters
    ----------
    program : str, bytes, Path, Source or Merged
        A str is the text itself. Of a `Merged` the sheet also shows what was inserted.
    findings : Findings
        Of `check`, for this program.
    title : str
    set_up : iterable of (str, str)
        Label and value of what the person at the machine must know: part, machine, clamping, model and its checksum.
    kinematics : Kinematics, optional
        As given to `check`.
    probe : Probe, optional
        As given to `check`.
    aliases : mapping of str to str, optional
        As given to `check`.
    trial : sequence of four str, optional
        Rows of a trial on the virtual machine: scenario, what is wrong, the expected end, how it ended.
    decided : sequence of Step, optional
        The program as data, if it decides.
    enter : sequence of Entry, optional
        What a person reads, judges and enters after it.
    flow : bool
        As given to `check`.
    to : str or Path, optional
        File to write; replaced if it exists, never left half written.

    Returns
    -------
    str
        HTML that needs nothing but a browser: it makes no request and runs no script. All text is escaped.

    Raises
    ------
    InputError
        If the program cannot be read or the file cannot be written.
    """
    merged = program if isinstance(program, Merged) else None
    source = merged.milling if merged else load(program)
    text = merged.text if merged else source.text
    kinematics = kinematics or Kinematics()
    listed = list(linear(decided))
    shifts = [one for one in listed if isinstance(one, ShiftOffset | Entered)]
    cut = [one for one in listed if isinstance(one, Recut)]
    origins = {name: (0.0, 0.0, 0.0) for one in shifts for name in (one.by, one.to)}
    origins |= {name: (0.0, 0.0, 0.0) for one in cut for name in (one.of, one.to)}
    copies = [one.to for one in (*shifts, *cut)]
    options = {"aliases": aliases, "flow": flow, "offsets": origins or None}
    blocks = parse(Source(text))
    steps = steps_to_contact(blocks, probe, kinematics, options)
    steps = _where_told(steps, blocks) if origins else steps
    probes = {s.state.tool for s in steps if s.kind == "probe"}
    parts = [
        _head(title, source, text, merged=merged is not None),
        section("Result of the checks", f"<p>{escape(findings.sentence)}</p>{findings_of(findings)}"),
        section("Before it runs", ticks([*CAUTIONS, *(CUT_CAUTIONS if cut else ())])),
        section("To be entered and verified", ticks(by_hand(steps, kinematics, probe, probes, copies))),
        section("Set-up", set_up_of(list(set_up), kinematics, probe)),
        section("How it touches, and where it stops by itself", _list([*manner(steps), *confirmations(steps)])),
        *([section("What it decides", told(told_decisions(decided)))] if decides(decided) else []),
        *([section("After it, before anything else runs", to_enter(enter))] if enter else []),
        section("Places to start again", _restarts(restart_rows(steps, text, kinematics))),
        section("Tools", _tools(steps, probes)),
        section("Work offsets", _offsets(steps)),
        section("Checks", checks_of(findings)),
        *([section("Trial on a model of the machine", trial_of(trial))] if trial else []),
        section("Touches", touches_of(steps, kinematics)),
        section("Moves of the probe", moves_told([s for s in steps if s.state.tool in probes], kinematics)),
    ]
    if merged:
        notes = "".join(f"<li>{escape(note)}</li>" for note in merged.notes)
        where = escape(merged.where)
        view = scroll(merged.difference.html(), "what was inserted", tall=True)
        parts.append(
            section(
                "Changes to the milling program",
                f"<p><strong>{escape(merged.difference.sentence)}</strong></p><p>{where}</p><ul>{notes}</ul>{view}",
            )
        )
    parts.append(section("To be released by", signatures()))
    return finished(title, parts, to)


def _where_told(steps: Sequence[Step], blocks: Sequence[Block]) -> tuple[Step, ...]:
    """The steps, their places unknown where machine coordinates lead: origins that are taken as zero tell nothing."""
    found, lost = [], set[int]()
    for step in steps:
        words = blocks[step.line - 1].words
        said = {"XYZ".index(letter) for letter, _ in words if letter in "XYZ"}
        lost = lost | said if ("G", 53.0) in words else lost - said
        place = tuple(math.nan if axis in lost else value for axis, value in enumerate(step.end))
        found.append(replace(step, end=place) if step.kind in MOVES else step)
    return tuple(found)


def _head(title: str, source: Source, text: str, *, merged: bool) -> str:
    digest = hashlib.sha256(source.encode(text)).hexdigest()
    lines = len(Source(text).lines)
    milling = escape(Path(source.name).name) if source.name else ""
    name = f"{milling} with probing inserted, " if merged and milling else f"{milling}, " if milling else ""
    told = (
        "It may run only after a qualified person has signed at the end of this sheet, and only the file with this "
        "checksum."
    )
    return head_of(title, f"{name}{lines} lines", digest, "NOT RELEASED", told)


def set_up_of(given: Sequence[tuple[str, str]], kinematics: Kinematics, probe: Probe | None) -> str:
    """What the person at the machine must know, with lines to be filled in."""
    rows = [(label, value) for label, value in given]
    labels = {label for label, _ in rows}
    if probe is not None:
        rows.append(
            (
                "Probe",
                f"{probe.name}: ball {probe.ball_diameter:g} mm (effective radius {probe.radius:.4f} mm), stylus "
                f"{probe.length:g} mm, spindle nose to ball centre {probe.tool_length:g} mm",
            )
        )
    axes = ", ".join(f"{a.letter} turns the {'part' if a.moves == 'table' else 'tool'}" for a in kinematics.axes)
    rows.append(("Rotary axes", axes or "none"))
    if kinematics.travel is not None:
        limits = zip("XYZ", kinematics.travel, strict=True)
        rows.append(("Travel [mm]", ", ".join(f"{letter} {low:g} to {high:g}" for letter, (low, high) in limits)))
    rows += [(label, "") for label in _TO_FILL if label not in labels]
    cells = "".join(
        f"<dt>{escape(label)}</dt>" + (f"<dd>{escape(value)}</dd>" if value else '<dd class="blank"></dd>')
        for label, value in rows
    )
    return f"<dl>{cells}</dl>"


def _tools(steps: Sequence[Step], probes: set[int | None]) -> str:
    seen: dict[int | None, dict[str, set[str] | int]] = {}
    for step in steps:
        if step.kind not in (*MOVES, "tool"):
            continue
        one = seen.setdefault(step.state.tool, {"line": step.line, "offsets": set(), "speeds": set(), "feeds": set()})
        if step.kind in MOVES:
            if step.state.length_offset:
                one["offsets"].add(f"H{step.state.length_offset}")
            if step.state.turning:
                one["speeds"].add(f"{step.state.speed:g}")
            if step.feed:
                one["feeds"].add(step.feed)
    rows = [
        (
            "none called" if tool is None else f"T{tool}",
            "probe" if tool in probes else "milling tool",
            ", ".join(sorted(one["offsets"])) or "none",
            ", ".join(sorted(one["speeds"], key=float)) or "stands",
            " to ".join(f"{feed:g}" for feed in sorted({min(one["feeds"]), max(one["feeds"])})) if one["feeds"] else "",
            str(one["line"]),
        )
        for tool, one in seen.items()
    ]
    head = ("tool", "what", "length offset", "spindle [1/min]", "feeds [mm/min]", "first line")
    return table(head, rows, numbers={3, 4, 5})


def _list(sentences: Sequence[str]) -> str:
    last = "Where the control keeps to RS274/NGC, a touch without a trigger stops the program with an error."
    told = [*sentences, last]
    return f"<ul>{''.join(f'<li>{escape(one)}</li>' for one in told)}</ul>"


def _restarts(rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return "<p>None: after a stop, lift the probe by hand and start from the tool change.</p>"
    note = (
        "<p>After a stop: find out why, and bring the probe clear of the part by hand, straight back from where it "
        "touched, then up. Start from one of these blocks only with the probe in the spindle, oriented as at the "
        "beginning, and all else as it was: there the program says its modes and offsets anew, goes up, turns the "
        "axes, goes across, and comes down. Touches after that place are made again.</p>"
    )
    return note + table(("block", "line", "rotary axes", "touches"), rows, numbers={1})


def _offsets(steps: Sequence[Step]) -> str:
    seen: dict[tuple[str, str], list[int]] = {}
    for step in steps:
        if step.kind in MOVES:
            seen.setdefault((step.state.offset, "probing" if step.kind == "probe" else "other moves"), []).append(
                step.line
            )
    rows = [(offset, what, f"{at[0]} to {at[-1]}", "") for (offset, what), at in seen.items()]
    moved = [s for s in steps if s.kind == "message" and str(s.detail).startswith(("G10", "G92"))]
    more = "".join(f"<p>Line {s.line}: {escape(str(s.detail))}.</p>" for s in moved)
    return table(("work offset", "for", "lines", "values at the machine, X Y Z"), rows) + more


def touches_of(steps: Sequence[Step], kinematics: Kinematics) -> str:
    """The touches that are recorded."""
    rows = []
    for step in steps:
        if step.kind == "record" and isinstance(step.detail, Recorded):
            found = step.detail
            place = [*(f"{value:z.3f}" for value in found.target), *(f"{value:z.4f}" for value in found.normal)]
            rows.append((str(found.touch), found.feature, *place, *(f"{a:g}" for a in found.angles), str(step.line)))
    if not rows:
        return "<p>None is recorded.</p>"
    head = ("touch", "feature", "x0", "y0", "z0", "i", "j", "k", *(f"{a} [degree]" for a in kinematics.letters), "line")
    note = '<p class="soft">Targets on the model and outward normals, part frame, mm.</p>'
    return note + table(head, rows, numbers={0, *range(2, len(head))}, tall=True)


def moves_told(
    steps: Sequence[Step], kinematics: Kinematics, places: str = "program coordinates [mm], centre of the ball"
) -> str:
    """The moves, one by one."""
    rows = [
        (
            str(step.line),
            _WORDS[step.kind],
            *(_place(value) for value in step.end),
            *(f"{angle:g}" for angle in step.angles_end),
            f"{step.feed:g}" if step.feed else ("rapid" if step.kind == "rapid" else ""),
            step.text.strip(),
        )
        for step in steps
        if step.kind in MOVES
    ]
    if not rows:
        return "<p>None.</p>"
    head = ("line", "move", "X", "Y", "Z", *kinematics.letters, "feed [mm/min]", "block")
    note = f'<p class="soft">Where each move ends at the latest, {places}; “?” where the program text does not say.</p>'
    return note + table(head, rows, numbers={0, *range(2, len(head) - 1)}, code=len(head) - 1, tall=True)


def _place(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else "?"
