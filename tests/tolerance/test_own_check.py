"""A check of one's own: the example of DEVELOPERS.md from the command line to page and tables; what is refused."""

import csv
import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import tiny
from tolerance.touched import around, table

from probekit import InputError
from probekit.cli import main
from probekit.tolerance import Evaluation, cylindricity, profile, read_tolerance, size

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
CHECK = re.search(r"```python\n(.*?)```", DEVELOPERS[DEVELOPERS.index("**a check of your own.**") :], re.S)[1]
STATED = re.search(r"```toml\n(.*?)```", DEVELOPERS[DEVELOPERS.index("**a check of your own.**") :], re.S)[1]


@pytest.fixture(autouse=True)
def no_module_stays():
    before, path = dict(sys.modules), list(sys.path)
    yield
    assert sys.path == path
    for name in set(sys.modules) - set(before):
        if name.split(".")[0] in ("checks", "ours"):
            del sys.modules[name]


def inspected(folder: Path, *changes: tuple[str, str], check: str = CHECK, stated: str = STATED) -> tuple[int, dict]:
    study = tiny.write(folder, tiny.QUALIFIED, ("[uncertainty]", f"{stated}\n[uncertainty]"), *changes, checks_py=check)
    code = main(["inspect", str(study), "--to", str(folder / "out"), "--quiet"])
    results = folder / "out" / "results.json"
    return code, json.loads(results.read_text()) if results.exists() else {}


def test_the_example_from_the_command_line_to_page_and_tables(tmp_path: Path) -> None:
    """By hand: twice the largest distance of the six deviations in the table of results from their mean."""
    code, told = inspected(tmp_path)
    with (tmp_path / "out" / "results.csv").open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        found = np.array([float(row["deviation"]) for row in rows if row["feature"] == "top"])
    assert len(found) == 6
    own = next(one for one in told["tolerances"] if one["name"] == "waviness of the top")
    assert own["actual"] == pytest.approx(2 * np.abs(found - found.mean()).max(), abs=1e-9)
    assert (own["kind"], own["width"]) == ("waviness", 0.05)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "waviness of the top" in page
    assert "the check checks:waviness, checks.py with SHA-256 " in page
    assert (code, own["word"], told["part"]) == (0, "conforms", "conforms")


def test_its_verdict_counts(tmp_path: Path) -> None:
    code, told = inspected(tmp_path, check=CHECK.replace("deviations.mean()", "deviations.mean() + 0.1"))
    own = next(one for one in told["tolerances"] if one["name"] == "waviness of the top")
    assert own["word"] == "does not conform"
    assert (code, told["part"]) == (1, "does not conform")


def test_an_edited_check_is_read_anew(tmp_path: Path) -> None:
    (tmp_path / "checks.py").write_text(CHECK)
    said = {"kind": "checks:waviness", "width": 0.02, "features": ["a"]}
    found = table(np.zeros((4, 3)), (0, 0, 1.0), deviation=np.array([0.0, 0.01, 0.0, 0.01]))
    (first,) = read_tolerance(said, file=tmp_path / "study.toml")
    (tmp_path / "checks.py").write_text(CHECK.replace("deviations.mean()", "deviations.mean() + 0.1"))
    (second,) = read_tolerance(said, file=tmp_path / "study.toml")
    assert first.evaluate(found).actual == pytest.approx(0.01)
    assert second.evaluate(found).actual == pytest.approx(0.21)
    assert first.code != second.code


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            ("checks:waviness", "checks:waving"),
            r"'tolerance 3\.kind': the module has no such function; found",
        ),
        (("checks:waviness", "check:waviness"), r"'tolerance 3\.kind': there is no such module in the folder of the"),
        (("checks:waviness", "../checks:waviness"), r"'tolerance 3\.kind': this names no check"),
        (('width = 0.05\nfeatures = ["top"]', "width = 0.05"), r"'tolerance 3': a key is missing; expected features"),
        (("width = 0.05\n", "width = 0.05\nlobes = 3\n"), r"'tolerance 3\.lobes': checks:waviness takes no such key"),
        (("width = 0.05\n", 'width = "0.05"\n'), r"'tolerance 3\.width': a value has the wrong type"),
    ],
)
def test_what_the_study_may_not_say(tmp_path: Path, capsys: pytest.CaptureFixture, change, message: str) -> None:
    assert inspected(tmp_path, change)[0] == 2
    assert re.search(message, capsys.readouterr().err)


@pytest.mark.parametrize(
    ("check", "message"),
    [
        (CHECK.replace("def ", "deff "), "the module of a check cannot be imported: SyntaxError"),
        ("import nowhere_at_all\n" + CHECK, "cannot be imported: ModuleNotFoundError: .*nowhere_at_all"),
        (CHECK.replace("deviations.mean()", "1 / 0"), "the check failed with ZeroDivisionError.*Mend the function"),
        ("def waviness(table, width, features):\n    return 0.01\n", "returns an Evaluation; found 'float'"),
        (CHECK.replace("off, width", "off * float('nan'), width"), "needs one finite deviation for each touch"),
    ],
)
def test_a_check_that_fails_is_named(tmp_path: Path, capsys: pytest.CaptureFixture, check: str, message: str) -> None:
    assert inspected(tmp_path, check=check)[0] == 2
    assert re.search(message, capsys.readouterr().err)


def test_nothing_runs_when_a_study_is_only_read(tmp_path: Path) -> None:
    from probekit.settings import read_settings

    ran = f"open({str(tmp_path / 'ran')!r}, 'w').close()\n{CHECK}"
    study = tiny.write(tmp_path, ("[uncertainty]", f"{STATED}\n[uncertainty]"), checks_py=ran)
    read_settings(study)
    assert not (tmp_path / "ran").exists()


def test_a_module_of_the_library_is_not_taken_for_a_check(tmp_path: Path) -> None:
    """A module beside the study is meant, though one of that name is loaded; that one stays."""
    (tmp_path / "json.py").write_text(CHECK)
    (one,) = read_tolerance({"kind": "json:waviness", "width": 1, "features": ["a"]}, file=tmp_path / "study.toml")
    assert one.function.__module__ == "json"
    assert sys.modules["json"] is json


def test_constructors_say_what_the_functions_of_the_room_say() -> None:
    found = around(10.0, n=8, centre=(0.01, 0.0))
    found["deviation"] = np.linspace(-0.02, 0.03, len(found))
    rows, off = np.arange(len(found)), found["deviation"].to_numpy()
    mine = Evaluation.by_touch(found, rows, off, 0.1, name="profile", kind="profile of a surface", limits=(-0.02, 0.08))
    theirs = profile(found, 0.1, outside=0.08)
    assert (mine.sentence, mine.actual, mine.ruling) == (theirs.sentence, theirs.actual, theirs.ruling)
    whole = size(found, (19.9, 20.1))
    again = Evaluation.as_whole(found, rows, whole.actual, 0.2, name="size", kind=whole.kind, lower=-0.1, upper=0.1)
    assert again.sentence == whole.sentence


def test_missed_touches_are_counted_and_the_kind_must_be_said() -> None:
    found = table(np.zeros((4, 3)), (0, 0, 1.0), deviation=np.array([0.0, 0.01, np.nan, 0.02]))
    rows = np.array([0, 1, 3])
    one = Evaluation.by_touch(found, rows, found["deviation"].to_numpy()[rows], 0.1, name="x", kind="lobes")
    assert (one.missed_rows.tolist(), one.from_nominal) == ([2], False)
    with pytest.raises(TypeError, match="kind"):
        Evaluation.by_touch(found, rows, rows * 0.0, 0.1, name="x")
    with pytest.raises(InputError, match="needs one finite deviation"):
        Evaluation.by_touch(found, rows, found["deviation"].to_numpy()[[0, 1, 2]], 0.1, name="x", kind="lobes")


def test_an_unknown_option_is_no_silence() -> None:
    with pytest.raises(TypeError, match="widht"):
        cylindricity(around(5.0), 0.1, widht=1)
