"""A study in phases: what each is planned for, its text, and what becomes of that on the virtual machine.

The block is exact, so that a part that sits off by d has its copy of the work offset at d: closed forms.
"""

from __future__ import annotations

import dataclasses
import json
import re
from types import SimpleNamespace

import deciding
import numpy as np
import pytest
from deciding import LIMIT, SET_UP, SPREAD

import probekit as pk
from probekit.cli import main
from probekit.errors import InputError
from probekit.study.outputs import view
from probekit.study.playing import with_plays
from probekit.study.prepared import dialect_of


def made(folder, dialect="rs274_flow", *changes):
    study = pk.study.load(deciding.write(folder, dialect, *changes))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    return SimpleNamespace(study=study, planned=planned, programmed=programmed, folder=folder)


@pytest.fixture(scope="module")
def flow(tmp_path_factory):
    return made(tmp_path_factory.mktemp("flow"))


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    return made(tmp_path_factory.mktemp("parts"), "rs274")


def simulated(one, shift, **changes):
    settings = one.study.settings | {"simulate": {"home": [0.0, 0.0, 200.0], "translation": list(shift)} | changes}
    study = pk.study.load(one.study.path)
    study.settings.update(settings)
    return pk.study.simulate(study, one.planned, one.programmed)


def test_each_phase_is_planned_for_its_own_set_up_error(flow, parts):
    margin, standoff, overtravel = 1.0, 2.0, 0.5  # of [reach]
    for one, later in ((flow, LIMIT + SPREAD), (parts, 2 * LIMIT + SPREAD)):  # entered with the wrong sign: twice
        targets = one.planned.route.targets
        for phase, error in ((0, SET_UP), (1, later)):
            own = targets[targets["phase"] == phase]
            np.testing.assert_allclose(own["standoff"], standoff + error)
            np.testing.assert_allclose(own["overtravel"], overtravel + error)
            assert (own["clearance"] >= margin + error - 1e-9).all()
        assert targets["phase"].is_monotonic_increasing
        assert set(targets.loc[targets["phase"] == 1, "feature"]) == {"rest"}


def test_the_checks_find_nothing_to_stop_for(flow, parts):
    for one in (flow, parts):
        assert one.programmed.findings.of("stop") == ()
        assert one.programmed.dry_findings.of("stop") == ()
        assert all(later.findings.of("stop") == () for later in one.programmed.following)


def test_the_original_work_offset_is_read_and_never_written(flow):
    written = re.findall(r"^G10 L2 P(\d)", flow.programmed.text, re.MULTILINE)
    assert written == ["2"]
    assert "#5221=" not in flow.programmed.text


@pytest.mark.parametrize("shift", [(0.3, -0.4, 0.5), (0.0, 0.0, 0.79)])
def test_within_its_limit_the_copy_lies_where_the_part_does(flow, parts, shift):
    for one in (flow, parts):
        ran = simulated(one, shift)
        assert ran.stopped == ""
        np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), shift, atol=2e-4)
        np.testing.assert_allclose(ran.origins["G54"], (0.0, 0.0, -200.0), atol=1e-9)
        assert len(ran.table) == len(one.planned.route.targets)


@pytest.mark.parametrize("shift", [(0.0, -0.81, 0.0), (0.5, 0.5, 0.5)])
def test_beyond_its_limit_it_stops_lifted_before_the_second_phase(flow, parts, shift):
    ran = simulated(flow, shift)
    assert ran.stopped == "a safe stop of the program itself: PHASE datums: SET-UP OFF BY MORE THAN 0.8"
    assert "G55" not in ran.origins
    assert simulated(parts, shift).stopped.startswith("the person does not go on: #")
    first = (flow.planned.route.targets["phase"] == 0).sum()
    assert len(ran.table) == first


def test_what_is_recorded_is_counted_from_the_first_work_offset(flow, parts):
    """All touches of a shifted perfect part deviate by n . d, whatever they were counted from while they were made."""
    shift = np.array([0.3, -0.4, 0.5])
    for one in (flow, parts):
        table = simulated(one, shift).table
        normals = table[["i", "j", "k"]].to_numpy()
        off = table[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
        np.testing.assert_allclose((off * normals).sum(axis=1), normals @ shift, atol=2e-4)


def test_what_a_control_keeps_reads_as_what_it_recorded(flow, parts, tmp_path):
    for number, one in enumerate((flow, parts)):
        ran = simulated(one, (0.3, -0.4, 0.5))
        folder = tmp_path / str(number)
        folder.mkdir()
        pk.study.outputs.write_preparation(one.study, folder, one.planned, one.programmed, ran)
        moves = pk.touches.read_moves(folder / "moves.csv")
        kept = pk.touches.read_parameters(folder / "parameters.txt", moves, plan=folder / "plan.csv")
        read = pk.touches.from_program(kept, moves, kinematics=one.planned.kinematics, probe=one.planned.probe)
        both = read.merge(ran.table, on="touch", suffixes=("", "_ran"))
        assert len(both) == len(ran.table)
        np.testing.assert_allclose(both[["x", "y", "z"]], both[["x_ran", "y_ran", "z_ran"]], atol=1e-3)


def test_touches_that_disagree_are_made_again_once(flow):
    chip = [{"kind": "Chip", "thickness": 0.2, "first": 1, "last": 1}]
    ran = simulated(flow, (0.0, 0.0, 0.0), errors=chip)
    assert ran.stopped == ""
    first = int((flow.planned.route.targets["phase"] == 0).sum())
    always = [*chip, {"kind": "Chip", "thickness": 0.2, "first": first + 1, "last": first + 1}]
    ran = simulated(flow, (0.0, 0.0, 0.0), errors=always)
    assert ran.stopped == "a safe stop of the program itself: PHASE datums: TOUCHES DISAGREE"


def test_a_spread_just_within_and_just_beyond(flow):
    for thickness, again in ((SPREAD - 1e-3, False), (SPREAD + 1e-3, True)):
        chip = [{"kind": "Chip", "thickness": thickness, "first": 1, "last": 1}]
        ran = simulated(flow, (0.0, 0.0, 0.0), errors=chip)
        assert any(not held for _, held in ran.decisions[1:2]) == again


@pytest.mark.parametrize("name", ["shift outside, up", "stock left", "wrong H, too short", "wrong offset"])
def test_a_way_that_is_watched_stops_where_the_probe_meets_something(tried, name):
    """At 4.5 mm of stock and a standoff of 3.5 the ball meets it 1 mm before the touch begins: by geometry."""
    one = tried.table.set_index("scenario").loc[name]
    assert (one["found"], one["as_expected"]) == ("stops", True)
    if name != "wrong offset":
        assert "which is watched: the control stops" in one["said"]


@pytest.fixture(scope="module")
def tried(flow):
    return pk.study.trial(flow.study, flow.planned, flow.programmed, simulated(flow, (0.0, 0.0, 0.0)))


def test_no_scenario_of_a_watched_program_is_left_to_a_person(tried):
    assert tried.uncaught == ()


def test_the_sheet_says_whether_the_way_is_watched(flow, parts):
    for one, said in ((flow, "way to each touch is watched (G38.3)"), (parts, "way to each touch is NOT watched")):
        sheet = pk.program.release_sheet(one.programmed.text, one.programmed.findings, probe=one.planned.probe)
        assert said in sheet


def test_a_watched_move_is_not_understood_where_the_control_does_not_know_it(parts):
    text = re.sub(r"^G1 (X.* F500)", r"G38.3 \1", parts.programmed.text, count=1, flags=re.MULTILINE)
    assert text != parts.programmed.text
    assert "unknown_words" in {one.check for one in parts.planned.check(text, part=0).of("stop")}


def test_the_trial_takes_every_branch(tried):
    assert tried.untaken == ()
    table = tried.table.set_index("scenario")
    for name in ("dz", "dy", "dx"):
        for way in ("along", "against"):
            assert table.loc[f"{name} within its limit, {way}", "found"] == "completes"
            assert table.loc[f"{name} beyond its limit, {way}", "found"] == "stops"
    assert table.loc["chip, once", "found"] == "completes"
    assert table.loc["chip, always", "found"] == "stops"
    assert tried.failed == ()
    assert json.loads(tried.text)["untaken"] == []
    assert "decided" in table


def test_ways_that_no_scenario_has_gone_are_named(flow):
    from probekit.study.deciding_trial import untaken

    ran = simulated(flow, (0.0, 0.0, 0.0))
    left = untaken(flow.programmed.text, set(ran.decisions))
    assert len(left) == 3  # touches disagree, in the loop and after it, and the set-up is off
    assert all(re.fullmatch(r"line \d+ no", one) for one in left)


def test_the_command_leaves_both_programs_their_sheets_and_checks_each(parts, capsys):
    assert main(["simulate", str(parts.study.path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Then a person reads, judges and enters, and runs BLOCK-PROBE-2.nc:" in said
    assert "enter Z of G55 = Z of G54 PLUS this value, with its sign; leave G54 as it is" in said
    results = parts.folder / "results"
    for name in ("BLOCK-PROBE.nc", "BLOCK-PROBE-2.nc"):
        assert main(["check", str(parts.study.path), str(results / name)]) == 0
    sheet = (results / "release.html").read_text()
    assert "After it, before anything else runs" in sheet
    assert "PLUS this value, with its sign" in sheet
    assert "runs after" in (results / "release-2.html").read_text()
    text = (results / "BLOCK-PROBE-2.nc").read_text()
    capsys.readouterr()
    (results / "edited.nc").write_text(text.replace("0.8*0.8", "8*8"))
    assert main(["check", str(parts.study.path), str(results / "edited.nc")]) == 1
    assert "nothing stops the program where what is entered" in capsys.readouterr().out


def test_the_parameters_of_the_sheet_hold_the_values_to_enter(parts):
    """By the parameters that the sheet names, and a shift that no two axes share."""
    ran = simulated(parts, (0.21, -0.32, 0.43))
    entries = {e.into[6:7]: e.parameter for e in parts.programmed.enter if e.into}
    for letter, value in (("X", 0.21), ("Y", -0.32), ("Z", 0.43)):
        assert ran.parameters[int(entries[letter][1:])] == pytest.approx(value, abs=2e-4)


def test_a_person_who_takes_the_wrong_sign_drives_into_nothing_and_the_results_are_right(parts):
    from probekit.study.preparation import machine_of
    from probekit.study.running import ran as run_all

    arguments = machine_of(parts.study, parts.planned, parts.programmed)
    motion = np.eye(4)
    motion[:3, 3] = shift = np.array([0.4, -0.4, 0.5])
    arguments |= {"made": pk.machine.AsMade(parts.planned.part, motion=motion), "errors": ()}
    ran = run_all(parts.programmed, arguments | {"sign": -1.0})
    assert ran.stopped == ""
    np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), -shift, atol=2e-4)
    table = ran.table
    normals = table[["i", "j", "k"]].to_numpy()
    off = table[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
    np.testing.assert_allclose((off * normals).sum(axis=1), normals @ shift, atol=2e-4)


def test_the_dry_run_decides_nothing(flow):
    assert "G10" not in flow.programmed.dry
    assert re.search(r"^O\d", flow.programmed.dry, re.MULTILINE) is None
    assert "G55" not in flow.programmed.dry


def test_a_dialect_that_can_neither_is_refused_with_what_to_do_instead(tmp_path):
    (tmp_path / "plain.toml").write_text(
        'extends = "dmis"\nname = "plain"\n[omit]\nshift = "its software makes a coordinate system"\n'
    )
    with pytest.raises(InputError, match="the dialect plain cannot decide, nor be followed by a second") as refused:
        made(tmp_path, "plain.toml", ("tool = 20\n", 'work_offset = "PART"\n'))
    assert "enters no values" in refused.value.found
    assert "leave [[phase]] out, and state in [program] confirm" in refused.value.todo


WRONG = {
    "set_up = 1.5\n": ("", "largest set-up error is not stated"),
    'to = "G55"\n': ('to = "G54"\n', "another work offset for its copy; found 'G54'"),
    'to = "G55"': ('to = "G77"', "another work offset for its copy; found 'G77'"),
    "limit = 0.8\n": ("", "both the work offset that takes it and a limit"),
    "again = 1": ("again = 12", "too large; found 12"),
    '"top", "front", "left"]\nset_up': (
        '"top", "front", "bottom"]\nset_up',
        "no \\[\\[plan\\]\\] touches; found 'bottom'",
    ),
    'name = "dz", kind = "height"': (
        'name = "dz", kind = "hight"',
        "this kind of estimate is not known; found 'hight'",
    ),
    'features = "front", direction': ('features = "rest", direction', "nothing is touched for estimate 'dy'"),
    "direction = [1, 0, 0]": ("direction = [1, 0, 1]", "touches on one side|not square"),
    "spread = 0.05}": ("spreed = 0.05}", "unknown|spread"),
    'name = "rest"\n': ('name = "datums"\n', "two phases have the same name"),
    'name = "dy"': ('name = "dz"', "two estimates have the same name"),
}


@pytest.mark.parametrize("old", WRONG)
def test_a_study_that_cannot_be_meant_is_refused_with_its_key(tmp_path_factory, old):
    new, said = WRONG[old]
    folder = tmp_path_factory.mktemp("wrong")
    path = deciding.write(folder, "rs274_flow", (old, new))
    with pytest.raises(InputError, match=said):
        steps_of(path)


def steps_of(path):
    study = pk.study.load(path)
    pk.study.preparation.check_program(study)
    return pk.study.plan(study).steps


def test_the_dialect_says_that_it_is_not_of_the_report():
    dialect = pk.program.read_dialect("rs274_flow")
    assert dialect.released_by == ""
    assert "not of NISTIR 6556" in dialect.about
    assert any("CONFIRM" in line for line in dialect.caution)
    assert dialect.reckoning.flow
    assert not dialect_of(SimpleNamespace(settings={})).reckoning.flow


TABLE = (
    "[reach]\n",
    '[machine]\naxes = [{letter = "C", moves = "table", limits = [-360, 360]}]\n\n[reach]\nposes = [[90]]\n',
)


def test_a_table_that_has_turned_takes_the_shift_along(tmp_path):
    """At C90 a way along X of the part is one along minus Y or plus Y of the machine: what the kinematics says."""
    one = made(tmp_path, "rs274_flow", TABLE)
    assert one.programmed.findings.of("stop") == ()
    shift = np.array([0.3, -0.4, 0.5])
    ran = simulated(one, shift)
    assert ran.stopped == ""
    turned = one.planned.kinematics.part_motion((90.0,))[:3, :3] @ shift
    assert not np.allclose(turned, shift, atol=0.1)
    np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), turned, atol=2e-4)
    table = ran.table
    normals = table[["i", "j", "k"]].to_numpy()
    off = table[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
    np.testing.assert_allclose((off * normals).sum(axis=1), normals @ shift, atol=2e-4)
    straight = one.programmed.text.replace("G10 L2 P2 X[#5221+", "G10 L2 P2 Y[#5221+")
    assert one.planned.check(straight).of("stop")


def test_two_programs_are_refused_where_a_table_turns_the_part(tmp_path):
    with pytest.raises(InputError, match="the table turns the part, so the shift is not one work offset for all poses"):
        made(tmp_path, "rs274", TABLE)


def test_a_critical_touch_stops_where_the_plan_says_and_the_check_sees_it(tmp_path):
    critical = ('feature = "rest"\n', 'feature = "rest"\ncritical = true\n')
    one = made(tmp_path, "rs274_flow", ("tool = 20\n", "tool = 20\nstop_outside = [-0.2, 0.3]\n"), critical)
    text = one.programmed.text
    assert one.programmed.findings.of("stop") == ()
    for old, new in (
        ("LT -0.2]", "LT -0.21]"),
        ("GT 0.3]", "GT 3.]"),
        ("GT 0.3]", "LT 0.3]"),
        ("LIMITS)\nM0\n", "LIMITS)\n"),
    ):
        found = one.planned.check(text.replace(old, new, 1)).of("stop")
        assert "stops_as_planned" in {f.check for f in found}


def test_a_plan_whose_program_cannot_be_made_is_shown_without_a_player(parts):
    planned = parts.planned
    scene = view(planned)
    shown, notes = with_plays(scene, planned)
    assert shown.plays[0].name == "as planned, to its end"
    assert not notes
    targets = planned.route.targets
    first = dataclasses.replace(planned.route, targets=targets[targets["phase"] == 0])
    shown, notes = with_plays(scene, dataclasses.replace(planned, route=first))
    assert shown is scene
    (note,) = notes
    assert "no touch of phase 'rest' can be made" in note
