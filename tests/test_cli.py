"""The command line, run as a user would: in a process of its own."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import tiny

from probekit.cli import main
from probekit.demo import write_demo
from probekit.nominal.exact.kernel import kernel

REPOSITORY = Path(__file__).parent.parent


def probekit(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "probekit.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=600,
    )


@pytest.fixture
def demo_copy(tmp_path: Path) -> Path:
    folder = tmp_path / "my demo"
    done = probekit("demo", folder)
    assert done.returncode == 0, done.stderr
    return folder


def test_demo_then_inspect_does_the_whole_job(demo_copy: Path, study_name: str) -> None:
    done = probekit("inspect", demo_copy / study_name)
    assert done.returncode == 1
    assert done.stderr == ""
    assert "DOES NOT CONFORM" in done.stdout
    for needed in ("of 0.2000 mm", "Worst touches", "Alignment", "What next", "Caution", "104 skin"):
        assert needed in done.stdout
    results = demo_copy / "results"
    assert {p.name for p in results.iterdir()} == {
        *("report.html", "results.csv", "results.json", "again.csv", "inspection.sha256"),
    }
    told = json.loads((results / "results.json").read_text())
    assert told["part"] == "does not conform"


def test_a_good_part_exits_with_0(demo_copy: Path, study_name: str) -> None:
    study = demo_copy / study_name
    text = study.read_text()
    study.write_text(text.replace("width = 0.20", "width = 0.40"))
    touches = demo_copy / "touches.csv"
    lines = [line for line in touches.read_text().splitlines(keepends=True) if not line.startswith("111,")]
    touches.write_text(re.sub(r"# rows: \d+", "# rows: 119", "".join(lines)))
    done = probekit("inspect", study, "--quiet", "--to", demo_copy / "out")
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, "conforms", "")


def test_a_missed_touch_leaves_it_undecided(demo_copy: Path, study_name: str) -> None:
    study = demo_copy / study_name
    study.write_text(study.read_text().replace("width = 0.20", "width = 0.40"))
    done = probekit("inspect", study, "--quiet")
    assert (done.returncode, done.stdout.strip()) == (1, "undecided")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('model = "foil.step"', 'model = "nothing.step"', r"nothing\.step: the model cannot be read"),
        ('model = "foil.3mf"', 'model = "nothing.3mf"', r"nothing\.3mf: the model cannot be read"),
        ('model = "foil.3mf"', 'model = "foil.stl"', r"foil\.stl: the file does not state its unit.*unit = \"mm\""),
        ("[stylus]", "[stilus]", r"study\w*\.toml, key 'stilus': unknown table; expected 'stylus'"),
        ("ball_diameter", "ball_diametre", r"key 'stylus\.ball_diametre': unknown key; expected 'ball_diameter'"),
        ("width = 0.20", 'width = "wide"', r"key 'tolerance 1\.width': a value has the wrong type; found 'wide'"),
        ("width = 0.20", "width = -0.20", r"must be positive; found -0\.2"),
        ('rule = "proved"', 'rule = "hopeful"', r"unknown decision rule; found 'hopeful'; expected proved or guarded"),
        ('free = ["tx",', 'free = ["up",', r"unknown degree of freedom; found 'up'; expected one of tx"),
        ("[part]", "[part", r"not valid TOML"),
        ('features = ["skin"]', 'features = ["hull"]', r"no touch is on that feature; found 'hull'"),
    ],
)
def test_unusable_input_exits_with_2_and_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], study_name: str, old: str, new: str, message: str
) -> None:
    demo_copy = tmp_path / "demo"
    write_demo(demo_copy)
    texts = {name: (demo_copy / name).read_text() for name in (study_name, "study.toml", "study_mesh.toml")}
    study, text = next((demo_copy / name, text) for name, text in texts.items() if old in text)
    study.write_text(text.replace(old, new, 1))
    assert main(["inspect", str(study)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert re.search(message, told.err), told.err
    assert not (demo_copy / "results").exists()


def test_an_alignment_that_does_not_fix_the_part_leaves_its_tolerances_unjudged(
    demo_copy: Path, study_name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    study = demo_copy / study_name
    old, new = '"base_top", "bore", "slot"]', '"base_top"]'
    assert old in study.read_text()
    study.write_text(study.read_text().replace(old, new, 1))
    assert main(["inspect", str(study)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "UNDECIDED" in said
    assert said.count("not judged: the alignment cannot be made") >= 3
    assert "do not fix the part: it could slide in the plane normal to" in said


def test_a_broken_row_is_named_by_file_line_and_column(demo_copy: Path, study_name: str) -> None:
    touches = demo_copy / "touches.csv"
    lines = touches.read_text().splitlines(keepends=True)
    at = next(n for n, line in enumerate(lines) if line.startswith("17,"))
    cells = lines[at].split(",")
    cells[8] = "3.1x"
    lines[at] = ",".join(cells)
    touches.write_text("".join(lines))
    done = probekit("inspect", demo_copy / study_name)
    assert done.returncode == 2
    assert f"touches.csv, line {at + 1}, column 'x'" in done.stderr
    assert "3.1x" in done.stderr


def test_without_the_kernel_the_mesh_study_runs_instead_or_it_is_said_what_to_install(
    demo_copy: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "OCP"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "OCP", None)  # as Python marks a module that cannot be imported
    monkeypatch.setenv("PROBEKIT_CACHE", "off")  # a model that is kept needs no kernel
    kernel.cache_clear()
    study = demo_copy / "study.toml"
    assert main(["inspect", str(study)]) == 1
    told = capsys.readouterr()
    assert "study_mesh.toml was run in its place" in told.out
    assert "deviations are from facets" in told.out
    study.write_text(
        "".join(line for line in study.read_text().splitlines(keepends=True) if not line.startswith("without_kernel"))
    )
    assert main(["inspect", str(study)]) == 2
    told = capsys.readouterr().err
    assert 'Run in the folder of the clone of probekit: pip install ".[step]"' in told
    assert told.count("\n") == 1


def test_demo_never_overwrites(demo_copy: Path) -> None:
    done = probekit("demo", demo_copy)
    assert done.returncode == 2
    assert "already" in done.stderr


def test_help_is_worth_reading() -> None:
    whole, one = probekit("--help"), probekit("inspect", "--help")
    assert whole.returncode == one.returncode == 0
    for needed in ("inspect", "demo", "examples", "exit status", "spindle"):
        assert needed in whole.stdout
    assert "report.html" in one.stdout


def test_output_into_a_closed_pipe_is_no_traceback(demo_copy: Path, study_name: str) -> None:
    head = shutil.which("head")
    if head is None:
        pytest.skip("no head here")
    command = f'"{sys.executable}" -m probekit.cli inspect "{demo_copy / study_name}" | head -n 1'
    done = subprocess.run(command, shell=True, capture_output=True, text=True, timeout=600)
    assert "Traceback" not in done.stderr
    assert "DOES NOT CONFORM" in done.stdout


def test_readme_and_ci_run_the_same_test_command() -> None:
    readme, ci = (REPOSITORY / "README.md").read_text(), (REPOSITORY / ".ci" / "run").read_text()
    commands = [line.strip() for line in readme.splitlines() if line.startswith("    python3 -m venv")]
    assert len(commands) == 2
    assert commands[1] in ci


def test_draft_writes_what_the_model_carries_and_never_overwrites(tmp_path: Path) -> None:
    pytest.importorskip("OCP")
    model = REPOSITORY / "tests" / "nominal" / "exact" / "data" / "bracket_ap242.step"
    done = probekit("draft", model, "--to", tmp_path / "study.toml")
    assert (done.returncode, done.stderr) == (0, "")
    text = (tmp_path / "study.toml").read_text()
    assert 'name = "skin profile"' in text
    assert "# not judged" in text
    refused = probekit("inspect", tmp_path / "study.toml")
    assert refused.returncode == 2
    assert "fill in" in refused.stderr
    again = probekit("draft", model, "--to", tmp_path / "study.toml")
    assert again.returncode == 2
    assert "already" in again.stderr


def test_a_trial_that_touches_nothing_is_not_a_success(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A part 500 mm away from where the program believes it to be: all touches miss, and a script must not go on."""
    study = tiny.write(tmp_path, ("home = [0.0, 0.0, 200.0]", "translation = [0.0, 0.0, -500.0]"))
    assert main(["simulate", str(study)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "1 touches recorded, 1 of them missed" in told
    assert "STOPPED at line" in told
    assert "Now run" not in told
