"""A first, fast touch and the touch itself; a confirmation; places to start again: in text, checks and machine.

What stops is checked by hand-made changes of the text; where contacts lie by closed forms: a block whose top is off.
"""

from __future__ import annotations

import itertools
import re
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tiny
from rs274_grammar import motions_of
from thorough import some

import probekit as pk
from probekit.machine.errors import Latency
from probekit.program.moves import BackOff, Confirm, FirstTouch, Restart, Touch

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_before_the_cut import few_of

BACK, FIRST, SLOW, LIMIT = 1.0, 400.0, 100.0, 0.2
TWICE = ("tool = 20\n", f"tool = 20\nfirst_feed = {FIRST}\nback = {BACK}\nconfirm = {LIMIT}\n")

Done = tuple[pk.study.preparation.Plan, pk.study.preparation.Program]


@pytest.fixture(scope="module")
def twice(tmp_path_factory) -> Done:
    study = pk.study.load(tiny.write(Path(tmp_path_factory.mktemp("twice")), TWICE))
    planned = pk.study.plan(study)
    return planned, pk.study.program(study, planned)


@pytest.fixture(scope="module")
def posed(tmp_path_factory, study_name: str) -> Done:
    """Few touches of the demo, in several poses of a head and a table."""
    study = pk.study.load(few_of(tmp_path_factory.mktemp("posed") / "demo", study_name, TWICE))
    planned = pk.study.plan(study)
    return planned, pk.study.program(study, planned)


def stops(planned: pk.study.preparation.Plan, text: str) -> dict[str, str]:
    return {one.check: one.what for one in planned.check(text).of("stop")}


@pytest.mark.parametrize("which", ["twice", "posed"])
def test_the_program_has_nothing_to_stop_for(which: str, request) -> None:
    planned, programmed = request.getfixturevalue(which)
    assert programmed.findings.of("stop") == ()
    assert programmed.dry_findings.of("stop") == ()
    kinds = [type(move) for move in programmed.moves]
    assert kinds.count(FirstTouch) == kinds.count(BackOff) == kinds.count(Touch) == len(planned.route.targets)
    assert kinds.count(Confirm) == 1


def test_the_ball_backs_off_along_the_normal_in_every_pose(posed) -> None:
    """Read by an independent grammar: G91 moves add up to the way back, turned by the kinematics."""
    planned, programmed = posed
    letters = planned.kinematics.letters
    backs = re.findall(r"^G91 G1 X(\S+) Y(\S+) Z(\S+) F", programmed.probing, re.MULTILINE)
    assert len(backs) == len(planned.route.targets)
    angles = [m[2] for m in motions_of(programmed.probing, letters) if m[0] == 38.2][::2]
    rows = planned.route.targets.to_dict("records")
    for by, pose, row in zip(backs, angles, rows, strict=True):
        normal = np.array([row[name] for name in "ijk"])
        turned = np.subtract(
            planned.kinematics.to_program(normal, pose), planned.kinematics.to_program(np.zeros(3), pose)
        )
        assert np.array(by, dtype=float) == pytest.approx(BACK * turned, abs=2e-4)


@pytest.mark.parametrize("off", [-0.4, -0.1, 0.0, 0.15, 0.9])
def test_the_slow_touch_starts_off_the_surface_wherever_that_is(twice, off: float) -> None:
    """Latency tells the feed of the touch that is recorded: the slow one. The first would be off four times that."""
    planned, programmed = twice
    part = pk.machine.AsMade(planned.part, offset=off)
    text = re.sub(r"^#101=\[SQRT.*\n", "", programmed.text, flags=re.MULTILINE)
    ran = pk.machine.run(
        text, part, probe=planned.probe, kinematics=planned.kinematics, home=(0, 0, 200), errors=[Latency(0.006)]
    )
    assert ran.stopped == ""
    assert len(ran.table) == len(planned.route.targets)
    assert ran.table["z"].to_numpy() == pytest.approx(20.0 + 3.0 + off - SLOW / 60.0 * 0.006, abs=1e-4)
    assert not any("not recorded" in words for words in ran.findings)


@pytest.mark.parametrize(("off", "passes"), [(0.0, True), (0.19, True), (-0.19, True), (0.22, False), (-0.22, False)])
def test_a_confirmation_stops_the_machine_outside_its_limit(twice, off: float, passes: bool) -> None:
    planned, programmed = twice
    part = pk.machine.AsMade(planned.part, offset=off)
    ran = pk.machine.run(programmed.text, part, probe=planned.probe, kinematics=planned.kinematics, home=(0, 0, 200))
    assert (ran.stopped == "") == passes, ran.stopped
    if not passes:
        assert "SQRT" in ran.stopped
        assert len(ran.table) == 1  # the touch that is not confirmed


def test_a_missing_stylus_or_a_flat_battery_ends_at_the_first_touch(twice) -> None:
    planned, programmed = twice
    nothing = pk.machine.AsMade(planned.part, offset=-3.0)
    ran = pk.machine.run(programmed.text, nothing, probe=planned.probe, kinematics=planned.kinematics, home=(0, 0, 200))
    assert "no trigger" in ran.stopped


CHANGES: dict[str, tuple[Callable[[str], str], str]] = {
    "the first touch gone": (lambda t: re.sub(r"G38\.2 (.*) F400\.\n", "", t, count=1), "touches_as_planned"),
    "a first touch too fast": (lambda t: t.replace("F400.", "F4000.", 1), "touch_feed"),
    "a first touch otherwise": (lambda t: t.replace("F400.", "F350.", 1), "touches_as_planned"),
    "a first touch elsewhere": (
        lambda t: re.sub(r"G38\.2 X30\. Y30\. Z22\.5 F400\.", "G38.2 X30. Y30. Z22.4 F400.", t),
        "touches_as_planned",
    ),
    "G90 after the way back gone": (lambda t: re.sub(r"(G91 G1.*\n)G90\n", r"\1", t, count=1), "touches_as_planned"),
    "G91 gone": (lambda t: t.replace("G91 G1", "G1", 1), "collision"),
    "back by less": (lambda t: t.replace("Z1. F2000.", "Z0.4 F2000.", 1), "touches_as_planned"),
    "back by more": (lambda t: t.replace("Z1. F2000.", "Z10. F2000.", 1), "touches_as_planned"),
    "into the part": (lambda t: t.replace("Z1. F2000.", "Z-1. F2000.", 1), "touches_as_planned"),
    "the slow touch gone": (lambda t: re.sub(r"G38\.2 (.*) F100\.\n", "", t, count=1), "touches_as_planned"),
    "the way back gone": (lambda t: re.sub(r"G91 G1.*\nG90\n", "", t, count=1), "touches_as_planned"),
    "the confirmation gone": (lambda t: re.sub(r"\(PROBEKIT CONFIRM.*\n#100.*\n#101.*\n", "", t), "confirmed"),
    "its limit widened in words": (lambda t: t.replace("WITHIN 0.2)", "WITHIN 2.0)"), "confirmed"),
    "its limit widened": (lambda t: t.replace("SQRT[0.2-", "SQRT[2.0-"), "confirmed"),
    "its guard gone": (lambda t: re.sub(r"#101=\[SQRT.*\n", "", t), "confirmed"),
    "it compares what is zero": (lambda t: re.sub(r"(#1003-\[23\.\]\]\*\[)1\.", r"\g<1>0.", t), "confirms_as_planned"),
    "it compares another value": (lambda t: t.replace("ABS[#100]]", "ABS[#100]/9]"), "confirms_as_planned"),
    "it compares with another place": (lambda t: t.replace("#1003-[23.]", "#1003-[22.]"), "unknown_words"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_slip_is_a_stop(twice, change: str) -> None:
    planned, programmed = twice
    made, rule = CHANGES[change]
    text = made(programmed.text)
    assert text != programmed.text
    assert rule in stops(planned, text), stops(planned, text)


def restart_of(text: str, number: int) -> str:
    return re.search(rf"^\(PROBEKIT RESTART {number} .*\n(?:(?!G0 Z).*\n)*", text, re.MULTILINE)[0]


def test_each_further_pose_can_be_started_from_its_own_block(posed) -> None:
    """The text from there on, put behind a head that leaves other modes, gives the same touches."""
    planned, programmed = posed
    numbers = [move.number for move in programmed.moves if isinstance(move, Restart)]
    assert len(numbers) == int(planned.route.indexed.sum()) - 1 > 0
    whole = list(pk.program.run(programmed.text, kinematics=planned.kinematics))
    strange = "G20 G91 G18 G64 G55\nT20 M6\nG43 H3\n"
    for number in numbers:
        assert programmed.text.count(f"N{number} ") == 1
        again = strange + programmed.text[programmed.text.index(f"(PROBEKIT RESTART {number} ") :]
        steps = list(pk.program.run(again, kinematics=planned.kinematics))
        touches = [
            (s.start, s.end, s.angles_end, s.state.offset, s.state.length_offset) for s in steps if s.kind == "probe"
        ]
        expected = [
            (s.start, s.end, s.angles_end, s.state.offset, s.state.length_offset) for s in whole if s.kind == "probe"
        ]
        assert touches
        assert touches == expected[-len(touches) :]
        ways = [re.match(r"G0 ([A-Z])", line) for line in again[len(strange) :].splitlines()]
        assert [way[1] for way in ways if way][:4] == ["Z", "A", "X", "Z"]  # up, turn, across, down


@pytest.mark.parametrize(
    ("pattern", "new", "words"),
    some(
        [
            (r"G54\n(G43)", r"\1", "offset"),
            (r"G43 H20\n", "", "length"),
            (r"G61\n", "", "path"),
            (r"G21 G90", "G90", "units"),
            (r"G21 G90", "G21", "distance"),
            (r"G94 G17", "G94", "plane"),
            (r"\Z", "G0 X0 Y0\n", "go up"),
        ]
    ),
)
def test_a_place_to_start_again_that_leaves_something_out_is_a_stop(posed, pattern: str, new: str, words: str) -> None:
    planned, programmed = posed
    number = next(move.number for move in programmed.moves if isinstance(move, Restart))
    old = restart_of(programmed.text, number)
    changed = re.sub(pattern, new, old, count=1)
    assert changed != old
    found = stops(planned, programmed.text.replace(old, changed))
    assert words in found.get("restarts", ""), found


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("first_feed = 90\n", "the feed of the first touch does not lie between"),
        ("first_feed = 5000\n", "the feed of the first touch does not lie between"),
        ("first_feed = 400\nback = 0.3\n", "would not back off clear"),
        ("first_feed = 400\nback = 2.5\n", "would not back off clear"),
        ("near_feed = 50\n", "feed near the part"),
        ('dialect = "dmis"\nfirst_feed = 400\n', "cannot spell what is asked for"),
        ('dialect = "ours.toml"\nconfirm = 0.2\n', "cannot spell what is asked for"),
    ],
)
def test_what_cannot_be_meant_or_spelled_is_refused(tmp_path: Path, keys: str, words: str) -> None:
    text = ("tool = 20\n", f"tool = 20\n{keys}")
    alone = [('milling = "milling.nc"\n', ""), ('after = "OPERATION 1"\n', "")]
    study = tiny.write(tmp_path, text, *alone)
    (tmp_path / "ours.toml").write_text(pk.program.example_dialect().replace("<FILL IN>", "G901"))
    study = pk.study.load(study)
    planned = pk.study.plan(study)
    with pytest.raises(pk.InputError, match=words):
        pk.study.program(study, planned)


def test_the_last_part_of_an_approach_is_slow(tmp_path_factory, study_name: str) -> None:
    """Of each way to a standoff at most 5 mm at 300 mm/min, on the same line as before."""
    keys = ("tool = 20\n", "tool = 20\nnear_feed = 300\nnear = 1.5\n")
    study = pk.study.load(few_of(tmp_path_factory.mktemp("near") / "demo", study_name, keys))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert programmed.findings.of("stop") == ()
    steps = [
        s for s in pk.program.run(programmed.probing, kinematics=planned.kinematics) if s.kind in ("feed", "probe")
    ]
    before = [steps[k - 1] for k, step in enumerate(steps) if step.kind == "probe"]
    lengths = [np.linalg.norm(np.subtract(step.end, step.start)) for step in before]
    assert [step.feed for step in before] == [300.0] * len(before)
    assert np.nanmax(lengths) <= 1.5 + 1e-3


@pytest.mark.parametrize(
    ("keys", "feed"), some([("", 500.0), ("first_feed = 800\n", 800.0), ("near_feed = 2000\n", 2000.0)])
)
def test_where_nothing_watches_the_way_it_ends_slowly_by_itself(tmp_path: Path, keys: str, feed: float) -> None:
    alone = [('milling = "milling.nc"\n', ""), ('after = "OPERATION 1"\n', "")]
    study = pk.study.load(tiny.write(tmp_path, ("tool = 20\n", f"tool = 20\n{keys}"), *alone))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert programmed.findings.of("stop") == ()
    moves = [s for s in pk.program.run(programmed.text) if s.kind in ("feed", "probe") and s.state.distance == "G90"]
    near = {b.feed for b, s in itertools.pairwise(moves) if s.kind == "probe" and b.kind == "feed"}
    assert near == {feed}


def test_where_the_way_is_watched_it_is_as_fast_as_planned(tmp_path: Path) -> None:
    alone = [('milling = "milling.nc"\n', ""), ('after = "OPERATION 1"\n', "")]
    study = pk.study.load(tiny.write(tmp_path, ("tool = 20\n", 'tool = 20\ndialect = "rs274_flow"\n'), *alone))
    planned = pk.study.plan(study)
    assert planned.touching.near_feed is None
    programmed = pk.study.program(study, planned)
    assert programmed.findings.of("stop") == ()
    slip = re.sub(r"G38\.3 ", "G1 ", programmed.text, count=1)
    assert slip != programmed.text
    assert "watched_alike" in stops(planned, slip)


def test_a_program_in_a_dialect_of_ones_own_is_checked_and_tried(tmp_path: Path) -> None:
    """An invented control with a probing word of its own: all is read as if it were the word that it stands for."""
    keys = ("tool = 20\n", 'tool = 20\ndialect = "ours.toml"\nfirst_feed = 400\n')
    file = tiny.write(tmp_path, keys)
    (tmp_path / "ours.toml").write_text(pk.program.example_dialect().replace("<FILL IN>", "G901"))
    study = pk.study.load(file)
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert "G901 X" in programmed.text
    assert programmed.findings.of("stop") == ()
    assert programmed.dry_findings.of("stop") == ()
    assert "touches_as_planned" in stops(planned, programmed.text.replace("G901 X30. ", "G901 X30.5 ", 1))
    ran = pk.study.simulate(study, planned, programmed)
    assert ran.stopped == ""
    assert len(ran.table) == len(planned.route.targets)
    assert ran.table["z"].to_numpy() == pytest.approx(23.0, abs=0.005)


def test_the_sheet_tells_where_it_stops_and_where_it_starts_again(posed) -> None:
    planned, programmed = posed
    sheet = pk.program.release_sheet(
        programmed.merged, programmed.findings, kinematics=planned.kinematics, probe=planned.probe
    )
    numbers = [move.number for move in programmed.moves if isinstance(move, Restart)]
    lines = programmed.text.splitlines()
    for number in numbers:
        line = next(k for k, text in enumerate(lines, 1) if text.startswith(f"N{number} "))
        assert f'<td>N{number}</td><td class="n">{line}</td>' in sheet
    first = next(move for move in programmed.moves if isinstance(move, Confirm))
    assert f"touch {first.touch} must deviate by no more than {LIMIT} mm" in sheet
    assert "A first, fast touch at 400 mm/min" in sheet
    assert "Touches are made at 100 mm/min" in sheet


def test_a_line_end_that_merging_has_to_add_is_told() -> None:
    milling = "G21 G90\n(FINISH)\nT1 M6\nG43 H1\nS900 M3\nG0 X0 Y0 Z50\nG1 Z-1 F300\nG0 Z50\nM5"
    probing = "(PROBEKIT BEGIN)\nT9 M6\nG43 H9\nG0 Z60\n(PROBEKIT END)\n"
    told = "no end of line: one was added"
    assert any(told in note for note in pk.program.merge(milling, probing, after="end").notes)
    assert not any(told in note for note in pk.program.merge(milling + "\n", probing, after="end").notes)
