"""Sets of files: whole or not at all, whenever a run is killed; never an old page beside a run that was refused."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
import tiny
from thorough import count

from probekit.cli import main
from probekit.errors import InputError
from probekit.files import alone, file_name, make_folder, refuse_overwriting, store
from probekit.published import ResultSet

posix = pytest.mark.skipif(os.name != "posix", reason="signals, limits and users as POSIX has them")

NAMES = ("report.html", "results.csv", "results.json")


def child(code: str, *arguments: str | Path, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout,
    )


def publish(folder: Path, word: str, **more: str) -> ResultSet:
    found = ResultSet(folder, "inspection", "report.html", NAMES)
    with found.running("the run"), found.publishing() as there:
        for name in (*NAMES, *more):
            store(there / name, f"{word} {name}".encode())
    return found


# --- one set ----------------------------------------------------------------------------------------------------------


def test_a_set_is_listed_with_its_checksums_and_the_one_before_is_kept(tmp_path: Path) -> None:
    found = publish(tmp_path / "out", "first")
    assert found.check() == tuple(sorted(NAMES))
    assert {path.name for path in found.folder.iterdir()} == {*NAMES, "inspection.sha256"}
    publish(tmp_path / "out", "second")
    assert found.check() == tuple(sorted(NAMES))
    assert (found.folder / "report.html").read_text() == "second report.html"
    assert (found.old / "results.csv").read_text() == "first results.csv"
    if os.name == "posix":  # the list is that of a tool which everyone has
        subprocess.run(["sha256sum", "-c", "inspection.sha256"], cwd=found.folder, check=True, capture_output=True)


def test_a_set_that_was_mixed_is_found_out(tmp_path: Path) -> None:
    found = publish(tmp_path, "first")
    publish(tmp_path, "second")
    store(tmp_path / "results.csv", (found.old / "results.csv").read_bytes())
    with pytest.raises(InputError, match=r"results\.csv: this file is not from the same run as the others"):
        found.check()
    (tmp_path / "results.csv").unlink()
    with pytest.raises(InputError, match=r"results\.csv.*found 'no file'"):
        found.check()


def test_a_file_that_only_the_last_run_had_goes_with_its_set(tmp_path: Path) -> None:
    """A program of another name from the run before must not lie beside the new plan."""
    found = publish(tmp_path, "first", **{"OLD-NAME.nc": ""})
    publish(tmp_path, "second")
    assert not (tmp_path / "OLD-NAME.nc").exists()
    assert (found.old / "OLD-NAME.nc").is_file()


KILLED_AT_EVERY_STEP = """
import json, os, signal, sys
from pathlib import Path
from probekit.files import store
from probekit.published import ResultSet

NAMES = ("report.html", "results.csv", "results.json")
EVENTS = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.listdir", "os.scandir", "shutil.rmtree")
base = Path(sys.argv[1])

def publish(folder, word):
    found = ResultSet(folder, "inspection", "report.html", NAMES)
    with found.running("the run"), found.publishing() as there:
        for name in NAMES:
            store(there / name, (word + " " + name).encode())
    return found

def killed(folder, step):
    '''Run in a process of its own that is killed before its step-th call into the file system; whether it was.'''
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1] == signal.SIGKILL
    left = [step]
    def hook(event, _arguments):
        if event in EVENTS:
            left[0] -= 1
            if left[0] < 0:
                os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(hook)
    publish(folder, "new")
    os._exit(0)

rows, step, going = [], 0, True
while going:
    folder = base / str(step)
    publish(folder, "old")
    going = killed(folder, step)
    found = ResultSet(folder, "inspection", "report.html", NAMES)
    try:
        whole = bool(found.check())
    except ValueError:
        whole = False
    words = {n: (folder / n).read_text().split()[0] for n in NAMES if (folder / n).exists()}
    again = publish(folder, "next")
    rows.append([whole, words, bool(again.check())])
    step += 1
print(json.dumps(rows))
"""


@posix
def test_a_kill_at_any_step_leaves_one_set_whole_or_none(tmp_path: Path) -> None:
    """Killed before each call into the file system in turn (some 70): never a mixture, never a page without its set."""
    done = child(KILLED_AT_EVERY_STEP, tmp_path)
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)
    assert len(rows) > 30
    for whole, words, again in rows:
        data = {words.get(name) for name in ("results.csv", "results.json")} - {None}
        assert len(data) <= 1, words  # tables of two runs never stand side by side
        page = words.get("report.html")
        assert page in (None, "old", "new", "<!doctype"), words  # "<!doctype": it says that there are no results
        assert whole == (page in ("old", "new")), words
        assert not whole or data == {page}, words
        assert again  # and the next run is not disturbed
    kinds = [words.get("report.html") for _, words, _ in rows]
    assert kinds[0] == "old"
    assert kinds[-1] == "new"
    assert "<!doctype" in kinds


@posix
def test_a_full_disk_leaves_no_half_set(tmp_path: Path) -> None:
    found = publish(tmp_path, "old")
    done = child(
        """
        import resource, sys
        from pathlib import Path
        from probekit.files import store
        from probekit.published import ResultSet
        resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
        found = ResultSet(Path(sys.argv[1]), "inspection", "report.html", ("report.html", "results.csv"))
        with found.running("the run"), found.publishing() as there:
            store(there / "results.csv", b"new")
            store(there / "report.html", b"new" * 5000)
        """,
        tmp_path,
    )
    assert f"{tmp_path / 'report.html'}: the file cannot be written (File too large)" in done.stderr
    assert "no results" in (tmp_path / "report.html").read_text()
    assert "File too large" in (tmp_path / "report.html").read_text()
    assert not (tmp_path / "results.csv").exists()
    assert (found.old / "report.html").read_text() == "old report.html"
    assert not list(tmp_path.glob(".*"))


@posix
def test_a_read_only_folder_is_told_before_the_run(tmp_path: Path) -> None:
    publish(tmp_path / "out", "old")
    code = """
        import os, sys
        from pathlib import Path
        from probekit.errors import InputError
        from probekit.files import store
        from probekit.published import ResultSet
        os.chdir(sys.argv[1])
        if os.getuid() == 0:
            os.setuid(65534)
        for folder in ("out", "new"):
            try:
                with ResultSet(Path(folder), "inspection", "report.html", ("results.csv",)).running("the run"):
                    print("it ran")
            except InputError as error:
                print(error)
        try:
            store("out/report.html", b"x")
        except InputError as error:
            print(error)
        """
    for path in (tmp_path, tmp_path / "out"):
        path.chmod(0o555)
    try:
        done = child(code, tmp_path)
    finally:
        for path in (tmp_path, tmp_path / "out"):
            path.chmod(0o755)
    lines = done.stdout.splitlines()
    assert len(lines) == 3, done
    assert lines[0].startswith("out: the folder for the results cannot be written to; found 'out is read-only'")
    assert lines[1].startswith("new: the folder for the results cannot be written to")
    assert lines[2] == "out/report.html: the file cannot be written (Permission denied)"
    assert (tmp_path / "out" / "report.html").read_text() == "old report.html"


def test_what_cannot_be_moved_away_stops_the_run_and_all_stays_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows, where a file that a viewer holds open cannot be moved."""
    found = publish(tmp_path, "old")
    replace = os.replace

    def held(source: Path, target: Path) -> None:
        if Path(source).name == "results.csv":
            raise PermissionError(13, "The process cannot access the file")
        replace(source, target)

    monkeypatch.setattr(os, "replace", held)
    with pytest.raises(InputError, match=r"results\.csv: .*cannot be moved away .*Close the program that holds it"):
        publish(tmp_path, "new")
    monkeypatch.undo()
    assert found.check()
    assert (tmp_path / "report.html").read_text() == "old report.html"


def test_two_runs_at_once_do_not_meet_in_one_folder(tmp_path: Path) -> None:
    """The second is refused and changes nothing; a run that was killed leaves no lock."""
    code = """
        import sys, time
        from pathlib import Path
        from probekit.published import ResultSet
        with ResultSet(Path(sys.argv[1]), "inspection", "report.html", ("results.csv",)).running("the run"):
            print("begun", flush=True)
            time.sleep(60)
        """
    publish(tmp_path, "old")
    command = [sys.executable, "-c", textwrap.dedent(code), str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "begun\n"
        before = sorted((path.name, path.read_bytes()) for path in tmp_path.glob("[!.]*") if path.is_file())
        with pytest.raises(InputError, match=r"another process makes results here at this moment.*Wait until it has"):
            publish(tmp_path, "new")
        assert before == sorted((path.name, path.read_bytes()) for path in tmp_path.glob("[!.]*") if path.is_file())
        other.kill()
    found = publish(tmp_path, "next")
    assert found.check()
    assert (tmp_path / "report.html").read_text() == "next report.html"
    assert not list(tmp_path.glob(".*"))


def test_two_first_runs_publish_one_after_the_other(tmp_path: Path) -> None:
    found = ResultSet(tmp_path / "out", "inspection", "report.html", NAMES)
    with found.running("one"), found.running("other"):
        pass
    with alone(tmp_path / ".lock", "tries"):
        begun = time.monotonic()
        with (
            pytest.raises(InputError, match="another process tries here"),
            alone(tmp_path / ".lock", "tries", wait=0.2),
        ):
            pytest.fail("held twice")
        assert 0.2 <= time.monotonic() - begun < 20.0
    assert not list(tmp_path.glob(".*"))


# --- in the whole job -------------------------------------------------------------------------------------------------


def test_a_refused_run_leaves_no_page_of_the_run_before(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study, results = tiny.write(tmp_path, tiny.QUALIFIED), tmp_path / "results"
    assert main(["inspect", str(study)]) == 0
    assert "conforms" in (results / "report.html").read_text().lower()
    good = (tmp_path / "touches.csv").read_text()
    (tmp_path / "touches.csv").write_text(good.replace("3,top", "2,top"))
    assert main(["inspect", str(study)]) == 2
    page = (results / "report.html").read_text()
    assert "No results" in page
    assert "an id occurs twice" in page
    assert "old/inspection" in page
    assert sorted(path.name for path in results.iterdir()) == ["old", "report.html"]
    assert main(["inspect", str(study)]) == 2  # once more: what is kept is the last that came to its end
    assert "conforms" in (results / "old" / "inspection" / "report.html").read_text().lower()
    study.write_text("[part")
    assert main(["inspect", str(study)]) == 2  # a study that cannot even be read
    assert "not valid TOML" in (results / "report.html").read_text()
    tiny.write(tmp_path, tiny.QUALIFIED)
    assert main(["inspect", str(study)]) == 0
    assert ResultSet(results, "inspection", "report.html").check()
    study.write_text("[part")
    assert main(["inspect", str(study)]) == 2
    assert sorted(path.name for path in results.iterdir()) == ["old", "report.html"]
    capsys.readouterr()
    assert main(["inspect", str(tmp_path / "stduy.toml")]) == 2  # a slip in the name is no run of this study
    assert (results / "old" / "inspection" / "results.csv").is_file()


def test_a_plan_is_never_beside_the_program_of_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study, results = tiny.write(tmp_path), tmp_path / "results"
    assert main(["simulate", str(study)]) == 0
    plan = ResultSet(results, "preparation", "plan.html")
    assert {"plan.csv", "plan.html", "BLOCK-PROBE.nc", "release.html", "simulated.csv"} <= set(plan.check())
    study.write_text(study.read_text().replace("spacing = 20.0", "spacing = 15.0"))
    assert main(["plan", str(study)]) == 0
    assert plan.check() == ("plan.csv", "plan.html", "plan.json")
    assert not (results / "BLOCK-PROBE.nc").exists()
    assert (results / "old" / "preparation" / "BLOCK-PROBE.nc").is_file()
    assert capsys.readouterr().err == ""


@posix
@pytest.mark.slow
def test_kills_of_the_command_itself(tmp_path: Path) -> None:
    """`probekit inspect` killed at some moments after it began to write."""
    study, results = tiny.write(tmp_path, tiny.QUALIFIED), tmp_path / "results"
    command = [sys.executable, "-m", "probekit.cli", "inspect", str(study), "--quiet"]
    subprocess.run(command, check=True, capture_output=True)
    killed = 0
    for step in range(0, 12, count(3, 1)):
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while running.poll() is None and not list(results.glob(".inspection.*.part")):
            time.sleep(0.0005)
        time.sleep(0.003 * step)
        running.send_signal(signal.SIGKILL)
        killed += running.wait() == -signal.SIGKILL
        seen = {path.name for path in results.glob("[!.]*") if path.is_file()}
        assert seen <= {*NAMES, "inspection.sha256"}
        page = results / "report.html"
        if page.exists() and "No results" not in page.read_text():
            assert set(ResultSet(results, "inspection", "report.html").check()) == set(NAMES)
        else:
            with pytest.raises(InputError):
                ResultSet(results, "inspection", "report.html").check()
    assert killed


# --- nothing is written over an input ---------------------------------------------------------------------------------


NAME, MERGED = 'name = "BLOCK-PROBE"', 'milling = "milling.nc"\nafter = "OPERATION 1"'


@pytest.mark.parametrize(
    ("command", "changes", "message"),
    [
        ("program", [(NAME, 'name = "milling"')], r"milling\.nc: .*also read \(program\.milling\)"),
        ("simulate", [(NAME, 'name = "milling"')], r"milling\.nc: .*also read"),
        (
            "program",
            [(NAME, 'name = "Milling"\nwork_offset = "G54"')],
            r"Milling\.nc: .*also read \(program\.milling\)",
        ),
        (
            "program",
            [(NAME, 'name = "plan"\nsuffix = ".csv"'), (MERGED, "")],
            r"plan\.csv: two files of this run would have the same name",
        ),
        (
            "program",
            [(NAME, 'name = "moves"\nsuffix = ".CSV"'), (MERGED, "")],
            r"moves\.CSV: two files of this run would have the same name",
        ),
        ("inspect", [('"touches.csv"', '"results.csv"')], r"results\.csv: .*also read \(touches\.file\)"),
        ("plan", [('model = "block.stl"', 'model = "plan.csv"')], r"plan\.csv: .*also read \(part\.model\)"),
        (
            "plan",
            [("margin = 1.0", 'margin = 1.0\nfixtures = ["block.stl", "sub/../plan.html"]')],
            r"plan\.html: .*also read \(reach\.fixtures, 2\)",
        ),
        ("simulate", [("seed = 1\n", 'seed = 1\nmodel = "simulated.csv"\n')], r"also read \(simulate\.model\)"),
        ("program", [('lift = "G0 Z200"', 'dialect = "release.html"')], r"also read \(program\.dialect\)"),
        (
            "inspect",
            [("length = 50.0", 'length = 50.0\nqualification = {file = "results.json", diameter = 25.0}')],
            r"also read \(stylus\.qualification\.file\)",
        ),
        ("program", [(NAME, 'name = ""')], r"'program\.name': .*cannot be a file name; found ''"),
        ("program", [(NAME, 'name = "..."')], r"'program\.name'"),
        ("program", [(NAME, 'name = ".hidden"')], r"'program\.name'.*no dot at its beginning"),
        ("program", [(NAME, 'name = "NUL"')], r"'program\.name'.*device name on Windows"),
        ("program", [(NAME, f'name = "{"A" * 300}"')], r"'program\.name'.*at most 120 characters"),
        (
            "program",
            [(MERGED, 'suffix = "/../../../x.nc"')],
            r"'program\.suffix': .*not usable; found '/\.\./\.\./\.\./x\.nc'",
        ),
        ("program", [(MERGED, 'suffix = "."')], r"'program\.suffix'"),
    ],
)  # fmt: skip
def test_no_output_is_an_input_or_another_output(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    command: str,
    changes: list[tuple[str, str]],
    message: str,
) -> None:
    """`--to .`: the folder of the study itself. Refused before any work, and every file is as it was."""
    study = tiny.write(tmp_path, *changes)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert main([command, str(study), "--to", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert re.search(message, told.err), told.err
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_link_to_an_input_is_that_input(tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text("touches")
    (tmp_path / "hard.csv").hardlink_to(tmp_path / "run.csv")
    (tmp_path / "soft").symlink_to(tmp_path)
    for output in ("hard.csv", "soft/run.csv", f"soft/../{tmp_path.name}/run.csv", "RUN.CSV"):
        with pytest.raises(InputError, match="to be written, but it is also read"):
            refuse_overwriting([tmp_path / output], {"touches.file": tmp_path / "run.csv"})
    refuse_overwriting([tmp_path / "other.csv"], {"touches.file": tmp_path / "run.csv"})


def test_archive_and_key_are_inputs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The page of a history does not replace the archive that it is of, nor a signed answer the key."""
    for name in ("shop/records.sqlite", "shop/touches/1.parquet", "answer.json", "answer_signed.json"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"kept")
    shop, answer, key = tmp_path / "shop", tmp_path / "answer.json", tmp_path / "answer_signed.json"
    commands = [["history", str(shop), "--to", str(shop / name)] for name in ("RECORDS.sqlite", "touches/1.parquet")]
    for command in [*commands, ["sign", str(answer), "--key", str(key)]]:
        assert main(command) == 2
        assert "to be written, but it is also read" in capsys.readouterr().err
    assert {path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == {b"kept"}


def test_touches_given_on_the_command_line_are_an_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = tiny.write(tmp_path)
    (tmp_path / "results").mkdir()
    given = tmp_path / "results" / "results.csv"
    given.write_text(tiny.touches())
    assert main(["inspect", str(study), "--touches", str(given)]) == 2
    assert "also read (--touches)" in capsys.readouterr().err
    assert given.read_text() == tiny.touches()


@pytest.mark.parametrize(
    ("name", "suffix", "expected"),
    [
        ("Q7-PROBE-1", ".nc", "Q7-PROBE-1.nc"),
        ("O1234", "", "O1234"),
        ("../../etc/x", ".nc", None),
        ("a/b\\c:d", ".H", "a_b_c_d.H"),
        ("part 7 (left)", ".mpf", "part_7_left_.mpf"),
        ("com1", ".nc", None),
        ("aux.probe", "", None),
        ("communal", ".nc", "communal.nc"),
        ("x", ".n c", None),
        ("x", "nc", None),
        ("x.", "", None),
        ("   ", ".nc", None),
    ],
)
def test_names_of_files(name: str, suffix: str, expected: str | None) -> None:
    if expected is None:
        with pytest.raises(InputError, match=r"cannot be a file name|suffix of a file is not usable"):
            file_name(name, suffix)
    else:
        assert file_name(name, suffix) == expected


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"file.sub: the folder cannot be made"):
        make_folder(tmp_path / "file" / "sub")
    with pytest.raises(InputError, match="cannot be made"):
        make_folder(f"{tmp_path}/a\0b")
