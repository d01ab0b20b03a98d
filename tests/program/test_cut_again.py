"""An operation of the milling that the probing has run again: which, where, how often, and when not at all.

Milling of our own invention. What an operation relies on, and what must not be run twice, is common practice of milling
(no source); words are those of RS274/NGC (NISTIR 6556, from memory).
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import probekit as pk
from probekit.errors import InputError
from probekit.program.checking.told import told_decisions
from probekit.program.deciding.decisions import Recut
from probekit.program.merging.cutting_again import otherwise_cut
from probekit.program.reading.words import parse
from probekit.study.by_hand import told_following
from probekit.study.deciding_trial import deciding_scenarios, not_lowered, untaken
from probekit.study.preparation import check_program, machine_of
from probekit.study.running import ran as run_all

sys.path.insert(0, str(Path(__file__).parents[1]))
import deciding

LEFT, LIMIT, ALLOWED = "left at rest", 0.3, 0.03
OPERATION = """\
(FINISH FLOOR)
T2 M6
G43 H2
G55
S5000 M3
G0 X-20 Y-20
G0 Z50
M8
G1 Z25 F500
G1 X80
G0 Z200
M9
M5
"""
MILLING = f"""\
%
G21 G17 G90 G94
T1 M6
G43 H1
G55
S4000 M3
G0 X0 Y0
G0 Z50
G1 Z30 F500
G0 Z200
M5
{OPERATION}(OPERATION 2)
T3 M6
G43 H3
S6000 M3
G0 X-20 Y0
G0 Z50
G1 Z25.5 F500
G0 Z200
M5
M30
%
"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> SimpleNamespace:
    """The plan of the study, and its probing as text."""
    study = pk.study.load(deciding.in_milling(tmp_path_factory.mktemp("cut"), *deciding.CUT_AGAIN))
    plan = pk.study.plan(study)
    text = pk.program.write(plan.steps, "rs274_flow", kinematics=plan.kinematics, probe=plan.probe, away="G0 Z200")
    return SimpleNamespace(study=study, plan=plan, text=text)


@pytest.fixture(scope="module")
def whole(planned) -> SimpleNamespace:
    programmed = pk.study.program(planned.study, planned.plan)
    return SimpleNamespace(study=planned.study, plan=planned.plan, programmed=programmed)


def merged(planned, milling: str, operation="FINISH FLOOR", after="T2", occurrence=None, lift="G0 Z200"):
    recut = Recut(operation, LEFT, LIMIT, "G59", "G55", occurrence)
    places = {"after": ["start", after], "copies": ["G55", "G59"]}
    return pk.program.merge(milling, planned.text, flow=True, again=[recut], lift=lift, **places)


def copy_in(text: str) -> list[str]:
    return re.search(r"\(PROBEKIT CUT AGAIN BEGIN\)\n(.*)\(PROBEKIT CUT AGAIN END\)", text, re.DOTALL)[1].splitlines()


def test_the_operation_is_copied_whole_and_counts_from_the_lowered_copy(planned):
    found = merged(planned, MILLING)
    assert found.difference.unchanged
    own = OPERATION.replace("G55", "G59").splitlines()
    assert copy_in(found.text)[-len(own) :] == own
    assert copy_in(found.text)[0] == "G21 G17 G59"
    assert "G10 L2 P6 X#5241 Y#5242 Z[#5243-#" in found.text
    assert any("Lines 12 to 24 of the milling program, tool T2" in note for note in found.notes)


def test_after_an_operation_that_locks_the_overrides_they_work_again(planned):
    at = MILLING.index("M8\n", MILLING.index("(FINISH FLOOR)"))
    after = merged(planned, MILLING[:at] + "M49\n" + MILLING[at:]).text.partition("CUT AGAIN END)")[2]
    assert "M48" in after[: after.index("PROBEKIT BEGIN")]


HOSTILE: dict[str, tuple[str, str, str]] = {
    "a subprogram is called": (
        "G1 X80\n",
        "M98 P100\nG1 X80\n",
        "M98 P100 (there is no O100 in this file)",
    ),
    "a macro": ("G1 X80\n", "G65 P9000\n", "G65 is in force"),
    "flow control": ("G1 X80\n", "O100 if [#1 GT 0]\nG1 X80\nO100 endif\n", "flow control"),
    "its tool length is written": ("G43 H2\n", "G10 L1 P2 Z100\nG43 H2\n", "G10 other than L2"),
    "a length by value": ("G43 H2\n", "G43.1 Z100\n", "G43.1 is in force"),
    "no length at its end": ("M9\n", "G49\nM9\n", "the tool would end lower by its length"),
    "incremental throughout": ("(FINISH FLOOR)\n", "G91\n(FINISH FLOOR)\n", "from where to where it cuts"),
    "two of one name": ("(OPERATION 2)\n", f"{OPERATION}(OPERATION 2)\n", "stands 2 times"),
    "its name beside a block": ("(FINISH FLOOR)\nT2 M6\n", "T2 M6 (FINISH FLOOR)\n", "there is no operation headed by"),
    "its name only as a part": ("(FINISH FLOOR)\n", "(BEFORE FINISH FLOOR)\n", "there is no operation headed by"),
    "rotated, and back": ("G1 X80\n", "G68 X0 Y0 R10\nG1 X80\nG69\n", "G68 is in force"),
    "shifted, and back": ("G1 X80\n", "G92 X0\nG1 X80\nG92.1\n", "G92 is in force"),
    "in another work offset": ("G43 H2\nG55\n", "G43 H2\nG54\n", "moves in G54, and what is left is counted from G55"),
    "in two work offsets": ("G1 X80\n", "G1 X80\nG56\n", "moves in G56"),
    "at feed in machine coordinates": ("G1 X80\n", "G1 G53 X80\n", "in machine coordinates"),
    "with parameters": ("G1 X80\n", "G1 X#100\n", "works with parameters"),
    "not lifted at its end": ("G1 X80\nG0 Z200\n", "G1 X80\n", "the milling tool is not lifted"),
    "a heading within the cut": ("G1 X80\n", "G1 X40\n(HALF WAY)\nG1 X80\n", "the milling tool is not lifted"),
    "compensation on at its end": ("G1 X80\n", "G41 D2 G1 X80\n", "cutter compensation"),
    "it probes": ("G1 X80\n", "G38.2 Z20 F100\n", "it probes"),
    "with the tool of the probe": ("T2 M6\n", "T20 M6\n", "has the tool of the probe"),
    "a word nobody understands": ("M8\n", "M88\nM8\n", "M88 is in force"),
    "from a place not said": ("G0 X-20 Y-20\n", "", "from where to where it cuts"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_not_understood_is_never_run_again(planned, name):
    old, new, said = HOSTILE[name]
    at = MILLING.index(old, 0 if old.startswith("(") else MILLING.index("(FINISH FLOOR)"))
    milling = MILLING[:at] + new + MILLING[at + len(old) :]
    place = {"two of one name": "OPERATION 2", "with the tool of the probe": "T20"}.get(name, "T2")
    with pytest.raises(InputError, match=re.escape(said)):
        merged(planned, milling, after=place)


@pytest.mark.parametrize(
    ("operation", "said"),
    [
        ("FINISH", "there is no operation headed by the comment '(FINISH)' alone"),
        ("T9", "there is no tool change to T9"),
        ("N120", "names no operation"),
        ("start", "names no operation"),
        ("OPERATION 2", "does not end before the probing"),
    ],
)
def test_an_operation_that_is_not_there_is_refused(planned, operation, said):
    with pytest.raises(InputError, match=re.escape(said)):
        merged(planned, MILLING, operation=operation)


FINE: dict[str, tuple[str, str, list[str]]] = {
    "ends in G91": ("G0 Z200\nM9\n", "G91 G0 Z175\nM9\n", ["G91 G0 Z175", "M9", "M5"]),
    "another spelling of its offset": ("G55\nS5000", "N7 g 055. G90\nS5000", ["G59 G90", "S5000 M3"]),
    "its name in another comment": ("M8\n", "M8 (FINISH FLOOR, WET)\n", ["M8 (FINISH FLOOR, WET)"]),
    "its offset in a comment": ("M8\n", "M8 (AS G55)\n", ["M8 (AS G55)"]),
    "a tool called before": ("T2 M6\n", "M6\n", ["T2 (called before, for the next change)", "(FINISH FLOOR)", "M6"]),
}


@pytest.mark.parametrize("name", FINE)
def test_what_is_understood_keeps_its_state(planned, name):
    old, new, kept = FINE[name]
    at = MILLING.index(old, MILLING.index("(FINISH FLOOR)"))
    milling = MILLING[:at] + new + MILLING[at + len(old) :]
    milling = milling.replace("(FINISH FLOOR)\nM6", "T2\n(FINISH FLOOR)\nM6")
    found = "\n".join(copy_in(merged(planned, milling).text))
    assert "\n".join(kept) in found


def test_a_tool_that_goes_on_from_the_operation_before_comes_back_first(planned):
    """Its spindle, length and place are those that the operation before it has left."""
    milling = MILLING.replace("M5\n(FINISH FLOOR)\nT2 M6\nG43 H2\nG55\nS5000 M3\n", "(FINISH FLOOR)\n")
    lines = copy_in(merged(planned, milling, after="FINISH FLOOR").text)
    begun = [line for line in lines[: lines.index("(FINISH FLOOR)")] if not line.startswith("G9")]
    assert begun[:3] == ["T1 M6 (the milling tool comes back)", "G43 H1", "G21 G17 G59"]
    assert "S4000 M3 (the milling tool turns again)" in begun


def test_more_work_of_the_same_tool_is_told(planned):
    more = "G0 Z200\n(PASS 2)\nG0 X-20 Y10\nG1 Z25\nG1 X80\nG0 Z200\nM9\n"
    notes = merged(planned, MILLING.replace("G0 Z200\nM9\n", more)).notes
    assert any("(PASS 2). That is not cut again" in note for note in notes)


def test_steps_that_differ_are_named():
    interpreter = pk.program.reading.interpreter.Interpreter
    walk = pk.program.merging.anchors.walk
    own = walk(interpreter(), parse("T1 M6\nG43 H1\nG55\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F100\n"))
    for spoilt, said in (
        ("T1 M6\nG43 H1\nG59\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F100\n", ""),
        ("T1 M6\nG43 H1\nG55\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F100\n", "counts from G55"),
        ("T1 M6\nG43 H2\nG59\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F100\n", "length offset is 2, not 1"),
        ("T1 M6\nG43 H1\nG59\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F900\n", "another way"),
        ("T1 M6\nG43 H1\nG59\nG0 X0 Y0\nG0 Z5\nG1 Z-2 F100\n", "another way"),
        ("T1 M6\nG43 H1\nG59\nG0 X0 Y0\nG0 Z5\n", "makes 2 moves, not 3"),
        ("T1 M6\nG43 H1\nG59\nG1 X9 F9\nG0 X0 Y0\nG0 Z5\nG1 Z-1 F100\n", "a move before it begins"),
    ):
        steps = [step for one in walk(interpreter(), parse(spoilt)) for step in one.steps]
        assert said in otherwise_cut(own, steps, "G59")
        assert bool(said) == bool(otherwise_cut(own, steps, "G59"))


def test_the_checks_find_nothing_and_the_sheet_tells_it(whole):
    programmed = whole.programmed
    assert [one.what for one in programmed.findings.of("stop")] == []
    assert programmed.dry_findings.of("stop") == ()
    told = " ".join(told_decisions(programmed.moves))
    assert "The operation 'T1' of the milling program is run again, once, with its tool lower by" in told
    assert f"{LEFT}: (height - dz) [mm]." in told
    assert f"{LEFT}, at most {LIMIT} mm: it counts from G59, a copy of G55" in told
    options = {"kinematics": whole.plan.kinematics, "probe": whole.plan.probe, "flow": True}
    sheet = pk.program.release_sheet(programmed.merged, programmed.findings, decided=programmed.moves, **options)
    assert "An operation may be run again" in sheet
    assert "G59: its X, Y and Z are those of this part alone" in sheet


SLIPS = {
    "the probe's length when it comes back": (r"(?s)(CUT AGAIN END\)\n.*?)G43 H20\n", r"\1"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_of_the_hand_is_a_stop(whole, slip):
    pattern, new = SLIPS[slip]
    at = whole.programmed.text.index("PHASE 2 OF 2") - 1500
    text = whole.programmed.text[:at] + re.sub(pattern, new, whole.programmed.text[at:], count=1)
    assert text != whole.programmed.text
    assert whole.plan.check(text).of("stop")


def test_every_way_is_tried_on_the_virtual_machine(whole):
    """Left within the limit it is cut again, lower by that, once; else the program goes on, or stops for good."""
    arguments = machine_of(whole.study, whole.plan, whole.programmed)
    nominal = pk.machine.run(whole.programmed.text, **arguments)
    assert nominal.stopped == ""
    assert "G59" not in nominal.origins
    ends, taken = {}, set(nominal.decisions)
    for name, _, expected, changed in deciding_scenarios(whole.plan, by_hand=False):
        if name.startswith("rest, "):
            lowered = changed.pop("lowered", None)
            ran = pk.machine.run(whole.programmed.text, **(arguments | changed))
            ends[name], taken = ran.stopped, taken | set(ran.decisions)
            assert (expected == "stops") == bool(ran.stopped)
            assert lowered is None or not_lowered(ran, *lowered) == ""
    assert ends["rest, cut again"] == ""
    assert ends["rest, not cut off"].endswith(f"STILL OFF BY MORE THAN {ALLOWED:g}")
    assert ends["rest, too much left"].endswith(f"OFF BY MORE THAN {LIMIT:g}")
    assert ends["rest, chip"].endswith("TOUCHES DISAGREE")
    first = whole.programmed.text[: whole.programmed.text.index("PHASE 2 OF 2")].count("\n")
    assert [way for way in untaken(whole.programmed.text, taken) if int(way.split()[1]) > first] == []


def test_the_part_off_and_material_left_are_told_apart(whole):
    """The shift takes the set-up error; only the rest is cut again: by the geometry of a block."""
    motion = np.eye(4)
    motion[:3, 3] = (0.2, -0.1, 0.4)
    chip = pk.machine.Chip(0.2, 7, 8)  # six touches find the set-up
    arguments = machine_of(whole.study, whole.plan, whole.programmed)
    made = pk.machine.AsMade(whole.plan.part, motion=motion)
    ran = pk.machine.run(whole.programmed.text, **(arguments | {"made": made, "errors": [chip]}))
    assert ran.stopped == ""
    assert not_lowered(ran, "G59", "G55", 0.2, 2e-4) == ""
    assert not_lowered(ran, "G59", "G55", 0.3, 2e-4) != ""
    np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), motion[:3, 3], atol=2e-4)


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory) -> SimpleNamespace:
    """The same where nothing is decided: two programs, one that cuts again, and values to enter."""
    changes = (*deciding.CUT_AGAIN, ('dialect = "rs274_flow"', 'dialect = "rs274"'))
    study = pk.study.load(deciding.in_milling(tmp_path_factory.mktemp("by_hand"), *changes))
    plan = pk.study.plan(study)
    return SimpleNamespace(study=study, plan=plan, programmed=pk.study.program(study, plan))


def test_without_flow_a_person_reads_enters_and_runs_the_operation(by_hand):
    programmed = by_hand.programmed
    (cut,), (second,) = programmed.cuts, programmed.following
    assert not programmed.stops
    assert programmed.merged is None
    entry = second.enter[-1]
    assert entry.limit == ALLOWED
    assert "enter Z of G59 = Z of G55 MINUS this value, X and Y of G59 as those of G55" in entry.into
    assert f"{entry.parameter}=[#116-[#5243-#5223]] (left at rest)" in second.text.splitlines()
    own = deciding.MILLING[deciding.MILLING.index("T1 M6") : deciding.MILLING.index("(OPERATION 2)")]
    assert copy_in(cut.text)[-len(own.splitlines()) :] == own.replace("G55", "G59").splitlines()
    told = " ".join(told_following(programmed, by_hand.plan))
    assert "BLOCK-PROBE-2-CUT-AGAIN.nc: at most once" in told
    assert "nothing is put into milling.nc: it must stop there" in told


@pytest.mark.parametrize(
    ("entered", "runs"),
    [((0, 0, -0.2), True), ((0, 0, 0.2), False), ((0, 0, -0.31), False), ((0.01, 0, -0.2), False), ((0, -5, 0), False)],
)
def test_what_is_entered_wrongly_stops_before_the_tool_moves(by_hand, entered, runs):
    """By RS274/NGC the root of a negative number is an error (NISTIR 6556, from memory)."""
    offsets = {"G55": (100.0, 50.0, -300.0), "G59": tuple(np.add((100.0, 50.0, -300.0), entered))}
    steps = list(pk.program.run(by_hand.programmed.cuts[0].text, offsets=offsets))
    first = next(n for n, step in enumerate(steps) if step.kind == "tool")
    assert any(step.kind == "unknown" for step in steps[:first]) != runs


def test_without_flow_material_left_is_read_by_the_person(by_hand):
    arguments = machine_of(by_hand.study, by_hand.plan, by_hand.programmed)
    assert run_all(by_hand.programmed, arguments).stopped == ""
    left = run_all(by_hand.programmed, arguments | {"errors": [pk.machine.Chip(0.2, 1, 2)]})
    assert left.stopped.startswith("the person does not go on")
    entry = by_hand.programmed.following[0].enter[-1]
    motion = np.eye(4)
    motion[2, 3] = 0.4  # the set-up error is entered, and nothing is left
    made = pk.machine.AsMade(by_hand.plan.part, motion=motion)
    ran = run_all(by_hand.programmed, arguments | {"made": made})
    assert ran.stopped == ""
    assert abs(ran.parameters[int(entry.parameter[1:])]) < 1e-3


ASKED = {
    "no limit": ("limit = 0.3, to", "to", "a key is missing"),
    "a limit below what is allowed": ("limit = 0.3, to", "limit = 0.02, to", "nothing would ever be cut again"),
    "by what is not estimated": ('by = "height"', 'by = "dz"', "nothing is estimated that is called 'dz'"),
    "not along the tool": ("direction = [0, 0, 1], spread = 0.05}]\n\n", "direction = [1, 0, 0], spread = 0.05}]\n\n",
                           "needs a height along the tool"),
    "into the offset that is set up": ('to = "G59"', 'to = "G54"', "needs another work offset for its copy"),
    "into the shifted copy": ('to = "G59"', 'to = "G55"', "two phases write the same work offset"),
    "with repeats besides": ('name = "rest"\n', 'name = "rest"\nagain = 1\n', "are not repeated besides"),
    "no place of its own": ('after = "OPERATION 1"\nrecut', "recut", "needs a place of its own"),
    "no milling": ('milling = "milling.nc"\nafter = "start"\n', "", "there is no milling program"),
    "a table that turns": ("[reach]\n", '[machine]\naxes = [{letter = "C", moves = "table", limits = [-360, 360]}]\n\n'
                           "[reach]\n", "nothing is cut again on a machine with rotary axes"),
}  # fmt: skip


@pytest.mark.parametrize("name", ASKED)
def test_what_cannot_be_cut_again_is_refused_before_any_work(tmp_path, name):
    old, new, said = ASKED[name]
    path = deciding.in_milling(tmp_path, *deciding.CUT_AGAIN)
    text = path.read_text()
    assert old in text
    path.write_text(new.join(text.rsplit(old, 1)))
    with pytest.raises(InputError, match=re.escape(said)):
        check_program(pk.study.load(path))
