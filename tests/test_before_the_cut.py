"""Plan, program and simulate on a study: files, exit status, messages; the text is that of the plan, and nothing else.

The study is the demo's, with few targets. The program is read back by an independent grammar (tree-sitter-gcode).
"""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tiny
from rs274_grammar import motions_of, words_of

import probekit as pk
from probekit.cli import main
from probekit.demo import write_demo
from probekit.nominal.exact.kernel import kernel

FEW = """\
[[plan]]
how = "plane"
face = "base_top"
spacing = 60.0

[[plan]]
how = "pick"
feature = "slot"
points = [[20, 22, -6], [40, 22, -14], [40, 32, -6], [20, 32, -14]]

[[plan]]
how = "section"
point = [0, 0, 60]
normal = [0, 0, 1]
faces = "skin"
spacing = 50.0
feature = "skin"
critical = true

[[plan]]
how = "pick"
feature = "base_top"
points = [[-62, 0, 0], [0, -35, 0], [-20, 35, 0]]

[reach]
poses = [[0, 0], [75, 90], [75, -90]]
margin = 0.3
standoff = 2.0
overtravel = 0.5
clamps = [{kind = "box", name = "clamp left", low = [-90, -12, -20], high = [-58, 12, 12]}]

"""
RADIUS, STANDOFF, OVERTRAVEL = 2.991, 2.0, 0.5  # as in the study
ROUNDED = 1e-4  # of a position in the program's text: four decimals in each of three axes, and angles [mm]
MERGED = ("(PROBEKIT MERGED PART BEGIN)", "(PROBEKIT MERGED PART END)")
WRITTEN = (
    *("plan.csv", "plan.json", "J61-PROBE-1.nc", "J61-PROBE-1-DRY.nc", "moves.csv", "changes.txt", "release.html"),
    *("trial.json", "parameters.txt", "log.csv", "simulated.csv"),
)


def few_of(folder: Path, name: str, *changes: tuple[str, str]) -> Path:
    """The demo in a folder, its study cut down to a few targets and changed."""
    if not folder.exists():
        write_demo(folder)
    text = (folder / name).read_text()
    text = text[: text.index("[[plan]]")] + FEW + text[text.index("[pace]") :]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / name).write_text(text)
    return folder / name


@dataclass(frozen=True)
class Done:
    study: Path
    status: int
    said: str
    complained: str

    @property
    def results(self) -> Path:
        return self.study.parent / "results"

    @property
    def text(self) -> str:
        return (self.results / "J61-PROBE-1.nc").read_text()

    @property
    def probing(self) -> str:
        """The part of the program that probes."""
        begin, end = (self.text.index(f"(PROBEKIT {word} J61-PROBE-1)") for word in ("BEGIN", "END"))
        return self.text[begin:end]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory, study_name: str) -> Done:
    """`probekit simulate`, in a process of its own."""
    study = few_of(tmp_path_factory.mktemp("before") / "the cut", study_name)
    command = [sys.executable, "-m", "probekit.cli", "simulate", str(study)]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=600)
    return Done(study, ran.returncode, ran.stdout, ran.stderr)


@pytest.fixture(scope="module")
def planned(done: Done) -> pk.study.preparation.Plan:
    return pk.study.plan(pk.study.load(done.study))


@pytest.fixture(scope="module")
def programmed(done: Done, planned: pk.study.preparation.Plan) -> pk.study.preparation.Program:
    return pk.study.program(pk.study.load(done.study), planned)


# --- files and words ------------------------------------------------------------------------------------------------


def test_simulate_writes_all_files_and_says_what_it_did(done: Done) -> None:
    assert (done.status, done.complained) == (0, "")
    assert {path.name for path in done.results.iterdir()} >= set(WRITTEN)
    for name in WRITTEN:
        assert str(done.results / name) in done.said
    for words in (
        "10 of 10 targets can be touched",
        "1 within 2.991 mm of 'clamp left'",
        "after the operation 'OPERATION 4: FINISH THE SKIN'. All 915 lines of the milling program are present",
        "The checks found no blocking problem",
        "Caution: a spindle moves. Someone qualified for the machine",
        "a model, not a measurement): 10 touches recorded, 0 of them missed",
        f"Now run: probekit inspect {done.study} --touches {done.results / 'simulated.csv'}",
    ):
        assert words in " ".join(done.said.split()), words
    sheet = (done.results / "release.html").read_text()
    assert "J61-PROBE-1" in sheet
    assert "qualified" in sheet


def test_inspect_takes_what_simulate_wrote(done: Done, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Base and slot alone leave the part free along the slot; the rest of the set-up error is found."""
    study = done.study.parent / "inspect.toml"
    text = done.study.read_text()
    head, rest = text[: text.index("[[tolerance]]")], text[text.index("[uncertainty]") :]
    head = head.replace('free = ["tx", ', "free = [").replace('["base_top", "bore", "slot"]', '["base_top", "slot"]')
    study.write_text(head + '[[tolerance]]\nname = "skin"\nfeatures = ["skin"]\nwidth = 0.4\n\n' + rest)
    command = ["inspect", str(study), "--to", str(tmp_path / "out")]
    assert main([*command, "--touches", str(done.results / "simulated.csv")]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Foil J61 (invented): CONFORMS" in told
    shift = re.search(r"ty (\S+) mm \(u (\S+)\), tz (\S+) mm \(u (\S+)\)", told)
    ty, u_ty, tz, u_tz = map(float, shift.groups())
    assert ty == pytest.approx(0.120, abs=3 * u_ty)  # [simulate] sets the part up -0.120 and +0.060 off
    assert tz == pytest.approx(-0.060, abs=3 * u_tz)
    assert max(u_ty, u_tz) < 0.02  # few touches: Student's factor
    assert (tmp_path / "out" / "report.html").exists()
    table = pd.read_csv(tmp_path / "out" / "results.csv", comment="#")
    assert len(table) == 10
    for name in ("parameters.txt", "log.csv"):  # what the control itself could give, and nothing else
        assert main([*command, "--touches", str(done.results / name)]) == 0
        assert "Foil J61 (invented): CONFORMS" in capsys.readouterr().out
        again = pd.read_csv(tmp_path / "out" / "results.csv", comment="#")
        assert again["touch"].tolist() == table["touch"].tolist()
        assert np.abs(again["deviation"] - table["deviation"]).max() < ROUNDED
    assert len(pk.touches.read(tmp_path / "out" / "results.csv")) == 10
    assert (pk.touches.read(done.results / "plan.csv")["reason"] == "not touched yet").all()


@pytest.mark.parametrize(("command", "count"), [("plan", 2), ("program", 7)])
def test_each_step_writes_its_own_files_only(done: Done, tmp_path: Path, command: str, count: int) -> None:
    assert main([command, str(done.study), "--to", str(tmp_path / "out")]) == 0
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert [name for name in WRITTEN if name in written] == list(WRITTEN[:count])


@pytest.mark.long
def test_same_seed_same_bytes_another_seed_other_touches(
    done: Done, planned: pk.study.preparation.Plan, tmp_path: Path
) -> None:
    assert main(["simulate", str(done.study), "--to", str(tmp_path / "again")]) == 0
    for name in WRITTEN:
        assert (tmp_path / "again" / name).read_bytes() == (done.results / name).read_bytes(), name
    other = done.study.with_name("seed.toml")
    other.write_text(done.study.read_text().replace("seed = 7", "seed = 8"))
    study = pk.study.load(other)
    programmed = pk.study.program(study, planned)
    assert programmed.merged.data == (done.results / "J61-PROBE-1.nc").read_bytes()
    pk.study.simulate(study, planned, programmed).write(tmp_path / "other.csv")
    same, touched = (pk.touches.read(path) for path in (done.results / "simulated.csv", tmp_path / "other.csv"))
    assert same["touch"].tolist() == touched["touch"].tolist()
    assert (same[["x", "y", "z"]] != touched[["x", "y", "z"]]).any(axis=1).all()


# --- the program is the plan ----------------------------------------------------------------------------------------


def test_positions_of_the_program_are_those_of_the_plan(done: Done, planned: pk.study.preparation.Plan) -> None:
    """Each G38.2 runs from standoff to overtravel along its target's normal, and goes back, as plan.csv has it."""
    kinematics, length = planned.kinematics, planned.probe.tool_length
    motions = motions_of(done.probing, kinematics.letters)
    at = [k for k, (mode, *_) in enumerate(motions) if mode == 38.2]
    table = pd.read_csv(done.results / "plan.csv", comment="#")
    touched = table[table["reachable"]]
    assert len(at) == len(touched) == 10
    for k, row in zip(at, touched.to_dict("records"), strict=True):
        target, normal = (np.array([row[c] for c in names]) for names in (("x0", "y0", "z0"), "ijk"))
        for (_, place, angles, _), beyond in zip(
            motions[k - 1 : k + 2], (RADIUS + STANDOFF, RADIUS - OVERTRAVEL, RADIUS + STANDOFF), strict=True
        ):
            ball = kinematics.to_part(place, angles, length=length)
            np.testing.assert_allclose(ball, target + beyond * normal, atol=ROUNDED)
        np.testing.assert_allclose(kinematics.tool_axis(motions[k][2]), [row["ti"], row["tj"], row["tk"]], atol=1e-5)


def test_every_move_of_the_table_stands_in_the_text(done: Done, planned: pk.study.preparation.Plan) -> None:
    moves = pd.read_csv(done.results / "moves.csv", comment="#")
    places = moves[moves["move"].isin(["Link", "Approach", "Touch", "Retract"])]
    motions = motions_of(done.probing, planned.kinematics.letters)
    spoken = [m for m in motions if np.isfinite([*m[1], *m[2]]).all()]
    balls = np.array([planned.kinematics.to_part(m[1], m[2], length=planned.probe.tool_length) for m in spoken])
    for x, y, z in places[["x", "y", "z"]].to_numpy():
        assert np.linalg.norm(balls - [x, y, z], axis=1).min() < 2 * ROUNDED


def test_no_milling_block_is_changed(done: Done) -> None:
    merged = (done.results / "J61-PROBE-1.nc").read_bytes().splitlines(keepends=True)
    first, last = (merged.index(word.encode() + b"\n") for word in MERGED)
    milling = (done.study.parent / "milling.nc").read_bytes()
    assert b"".join(merged[:first] + merged[last + 1 :]) == milling
    assert f"All {len(milling.splitlines())} lines of the milling" in (done.results / "changes.txt").read_text()
    inserted = [line for line in (done.results / "changes.txt").read_text().splitlines() if line.startswith("+")]
    assert len(inserted) == last + 1 - first


def test_the_spindle_stands_while_the_probe_is_in(done: Done) -> None:
    flat = [word for line in words_of(done.probing) if not isinstance(line, str) for word in line]
    assert flat.index(("M", 5.0)) < flat.index(("T", 20.0)) < flat.index(("G", 38.2))
    assert not {("M", 3.0), ("M", 4.0), ("M", 8.0), ("M", 7.0)} & set(flat)


def test_each_target_is_in_the_program_or_left_out_with_a_reason(
    done: Done, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Straight down only, at most 30 degrees off the normal: no wall can be touched; exit status 1."""
    study = done.study.with_name("straight_down.toml")
    text = done.study.read_text().replace("[[0, 0], [75, 90], [75, -90]]", "[[0, 0]]\nmax_angle = 30.0")
    study.write_text(text)
    assert main(["program", str(study), "--to", str(tmp_path / "out")]) == 1
    told = capsys.readouterr().out
    table = pd.read_csv(tmp_path / "out" / "plan.csv", keep_default_na=False, comment="#").set_index("touch")
    text = (tmp_path / "out" / "J61-PROBE-1.nc").read_text()
    recorded = [int(number) for number in re.findall(r"\(PROBEKIT RECORD (\d+) ", text)]
    left = table.index[table["reason"] != ""]
    assert sorted([*recorded, *left]) == sorted(table.index)
    assert not set(recorded) & set(left)
    assert set(table.loc[recorded, "feature"]) == {"base_top"}
    assert set(table.loc[left, "feature"]) == {"slot", "skin"}
    assert len(left) > 4
    listed = told[told.index("Left out") :]
    for touch in left:
        assert re.search(rf"^ +{touch} (slot|skin) +\S", listed, re.MULTILINE), touch


# --- the kernel is missing ------------------------------------------------------------------------------------------


def test_without_the_kernel_the_mesh_study_is_planned_instead(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "OCP"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "OCP", None)  # as Python marks a module that cannot be imported
    kernel.cache_clear()
    few_of(tmp_path / "demo", "study_mesh.toml")
    study = few_of(tmp_path / "demo", "study.toml")
    assert main(["simulate", str(study)]) == 0
    told = capsys.readouterr().out
    assert "study_mesh.toml was run in its place" in " ".join(told.split())
    assert "10 touches recorded" in told
    assert {path.name for path in (tmp_path / "demo" / "results").iterdir()} >= set(WRITTEN)


# --- what it may not say --------------------------------------------------------------------------------------------

PLANS = FEW[: FEW.index("[reach]")]
AFTER = 'after = "OPERATION 4: FINISH THE SKIN"\n'
PLACES = r"line 6: \(OPERATION 1: FACE THE BASE\); .*blocks N20 to N9130"


@pytest.mark.parametrize(
    ("command", "old", "new", "message"),
    [
        ("plan", PLANS, "", r"study_mesh\.toml: the study plans no touches\. Add \[\[plan\]\] tables"),
        (
            "plan",
            'how = "plane"',
            'how = "plain"',
            r"'plan 1': the table does not say .*found 'plain'; expected pick, .*plane",
        ),
        (
            "plan",
            'how = "plane"\n',
            "",
            r"key 'plan 1': the table does not say how the targets are made; expected pick",
        ),
        ("plan", "spacing = 60.0", "spacin = 60.0", r"key 'plan 1\.spacin': plane has no .*expected 'spacing'"),
        ("plan", 'face = "base_top"\n', "", r"key 'plan 1': a key is missing; expected face"),
        ("plan", 'face = "base_top"', 'face = "base"', r"no face with that name; found 'base'; expected one of skin"),
        (
            "plan",
            "spacing = 60.0",
            'spacing = "wide"',
            r"key 'plan 1\.spacing': this must be a number; found 'wide'",
        ),
        (
            "plan",
            'point = [0, 0, 60]\nnormal = [0, 0, 1]\nfaces = "skin"\nspacing',
            'point = [0, 0, 600]\nnormal = [0, 0, 1]\nfaces = "skin"\nspacing',
            r"key 'plan 3': the plane misses the faces",
        ),
        ("plan", 'kind = "box"', 'kind = "cube"', r"'reach\.clamps': unknown kind; .*expected box, cylinder, ball"),
        ("plan", "margin = 0.3", "margn = 0.3", r"key 'reach\.margn': unknown key; expected 'margin'"),
        (
            "plan",
            "[75, 90]",
            "[75]",
            r"a pose does not match the rotary axes of this machine; .*expected 2 finite angles \(A C\)",
        ),
        ("plan", 'letter = "A"', 'leter = "A"', r"key 'machine\.axes\.leter': unknown key; expected 'letter'"),
        (
            "plan",
            "stem_diameter = 4.0\n",
            "",
            r"key 'stylus\.stem_diameter': to plan touches, the stylus must be described; expected stem_diameter",
        ),
        (
            "program",
            "tool = 20\n",
            "",
            r"key 'program\.tool': the tool number of the probe is not stated; expected a tool number",
        ),
        ("simulate", '"Repeatability"', '"Noise"', r"'simulate\.errors': unknown kind; .*expected Scale, Squareness"),
    ],
)
def test_wrong_input_exits_with_2_and_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, old: str, new: str, message: str
) -> None:
    study = few_of(tmp_path / "demo", "study_mesh.toml", (old, new))
    assert main([command, str(study)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert re.search(message, told.err), told.err
    assert not (tmp_path / "demo" / "results").exists()


@pytest.mark.parametrize(
    ("command", "old", "new", "message"),
    [
        ("program", '"rs274"', '"rs275"', r"rs275: the dialect cannot be read.*or one of dmis, rs274"),
        ("program", AFTER, "", r"key 'program\.after': the place of the probing"),
        ("program", "OPERATION 4", "OPERATION 9", r"no comment 'OPERATION 9: FINISH THE SKIN' .*" + PLACES),
        ("program", "OPERATION 4: FINISH THE SKIN", "OPERATION", r"stands 5 times .*State which one with occurrence=1"),
        ("program", '"milling.nc"', '"mill.nc"', r"mill\.nc: the program cannot be read"),
        ("program", '"G54"', '"G77"', r"the dialect has no such work offset; found 'G77'; expected G54, G55"),
        ("simulate", "sigma", "sigm", r"'simulate\.errors, Repeatability\.sigm': unknown key; expected 'sigma'"),
        ("simulate", "sigma = 0.002", "sigma = -1.0", r"Repeatability\.sigma': .*found -1\.0; expected zero or more"),
        (
            "program",
            "tool = 20",
            "tool = 20\nstop_outside = [0.1]",
            r"program\.stop_outside': .*two numbers; found",
        ),
        ("simulate", "[0.180, -0.120, 0.060]", "[0.180]", r"'simulate\.translation': this needs three numbers; found"),
        (
            "simulate",
            "[0.030, -0.020, 0.080]",
            '["x", 0, 0]',
            r"'simulate\.rotation': this needs three numbers: this must be a number",
        ),
        (
            "simulate",
            "seed = 7",
            "seed = 7\nhome = [0, 0]",
            r"simulate\.home': this needs three numbers",
        ),
        ("simulate", "{skin = 0.030}", "{skn = 0.030}", r"key 'simulate': .*no face with that name; found 'skn'"),
        ("simulate", "seed = 7", 'model = "other.stl"', r"other\.stl: the model cannot be read"),
        ("simulate", "radius = 9.0", "radis = 9.0", r"'simulate\.hills\.radis': unknown key; expected 'radius'"),
    ],
)
def test_what_program_and_simulate_may_not_be_told(
    done: Done,
    planned: pk.study.preparation.Plan,
    programmed: pk.study.preparation.Program,
    tmp_path: Path,
    command: str,
    old: str,
    new: str,
    message: str,
) -> None:
    text = done.study.read_text()
    assert old in text
    (tmp_path / "study.toml").write_text(text.replace(old, new, 1))
    (tmp_path / "milling.nc").write_bytes((done.study.parent / "milling.nc").read_bytes())
    go = partial(pk.study.simulate, programmed=programmed) if command == "simulate" else pk.study.program
    with pytest.raises(pk.InputError, match=message):
        go(pk.study.load(tmp_path / "study.toml"), planned)


def test_a_plan_checks_a_text_with_all_that_it_and_its_study_know(tmp_path):
    """The checks of `study.program` again, from the plan alone; a changed text is found."""
    study = pk.study.load(tiny.write(tmp_path))
    planned = pk.study.plan(study)
    written = pk.study.program(study, planned)
    assert planned.check(written.text) == written.findings
    assert not planned.check(written.text).of("stop")
    stops = planned.check(written.text.replace("F100.", "F1000."))
    assert {finding.check for finding in stops.of("stop")} == {"touch_feed", "touches_as_planned"}


def test_clamps_that_the_study_forgot_stop_the_trial(
    done: Done, planned: pk.study.preparation.Plan, programmed: pk.study.preparation.Program
) -> None:
    """The same program among a clamp of the trial's own that stands over a target: the run ends there."""
    forgotten = 'clamps = [{kind = "box", name = "forgotten", low = [-5, -40, 0], high = [5, -30, 20]}]\n'
    text = done.study.read_text().replace("[simulate]  #", f"[simulate]\n{forgotten}#", 1)
    assert forgotten in text
    path = done.study.with_name("forgotten.toml")
    path.write_text(text)
    good = pk.study.simulate(pk.study.load(done.study), planned, programmed)
    ran = pk.study.simulate(pk.study.load(path), planned, programmed)
    assert good.stopped == ""
    assert "against part and 1 fixture" in good.sentence
    assert "the fixture 'forgotten'" in ran.stopped
