"""Batches: the same results however they are run, errors as rows, nothing done twice; and the command line."""

from __future__ import annotations

import shutil
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pandas as pd
import pytest
import tiny

import probekit as pk
from probekit import cli
from probekit.archive.jobs import Job, inspect_job, jobs_of
from probekit.archive.record import record_of
from probekit.errors import InputError

pytest.importorskip("pyarrow")


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A study and four results files; the third is cut short."""
    folder = tmp_path_factory.mktemp("shop")
    tiny.write(folder, tiny.QUALIFIED)
    (folder / "runs").mkdir()
    for k in range(1, 5):
        text = tiny.touches(seed=k).replace("# part: block 1", f"# part: block 1\n# serial: {k}")
        (folder / "runs" / f"part_{k}.csv").write_text(text if k != 3 else text[: len(text) // 2])
    return folder


@pytest.fixture(scope="module")
def alone(shop, tmp_path_factory) -> tuple[pk.archive.batch.Batch, pk.archive.Archive]:
    archive = pk.archive.Archive(tmp_path_factory.mktemp("alone") / "archive")
    seen: list[float] = []
    found = pk.archive.inspect_many(
        shop / "study.toml", touches=shop / "runs", archive=archive, progress=lambda _text, done: seen.append(done)
    )
    assert seen == [0.25, 0.5, 0.75, 1.0]
    return found, archive


def bodies(archive: pk.archive.Archive) -> list[dict]:
    found = [archive.body(n) for n in range(1, len(archive) + 1)]
    return [{key: value for key, value in one.items() if key not in ("at", "replaces")} for one in found]


def test_one_bad_part_is_a_row_and_stops_nothing(alone):
    found, archive = alone
    assert found.table["word"].tolist() == ["conforms", "conforms", "refused", "conforms"]
    assert found.table["key"].tolist() == ["1", "2", "3", "4"]  # the serial stands in the head of the one cut short
    assert "part_3.csv" in found.table["error"].iloc[2]
    assert found.table["record"].tolist() == [1, 2, 3, 4]
    assert pk.archive.verify(archive).whole
    assert found.sentence == "4 parts: 3 conforms, 1 refused"


def test_a_batch_gives_what_a_single_run_gives(alone, shop):
    """The model is loaded once for all of them, and yet nothing differs."""
    _, archive = alone
    study = pk.study.load(shop / "study.toml").with_touches(shop / "runs" / "part_4.csv")
    one = record_of(study, pk.study.run(study))
    body = {key: value for key, value in archive.body(4).items() if key not in ("at", "replaces", "inputs")}
    assert {key: value for key, value in one.body.items() if key != "at"} == body
    pd.testing.assert_frame_equal(archive.touches(4), one.touches)


def test_processes_give_the_same_and_a_worker_that_dies_takes_nothing_with_it(alone, shop, tmp_path):
    """Two processes, and among the studies one whose own check ends the process it runs in."""
    found, before = alone
    deadly = tmp_path / "deadly"
    check = '[[tolerance]]\nkind = "checks:die"\nname = "deadly"\nwidth = 1.0\n\n[uncertainty]'
    code = "import os\n\n\ndef die(table, width):\n    os._exit(7)\n"
    tiny.write(deadly, tiny.QUALIFIED, ("[uncertainty]", check), checks_py=code)
    archive = pk.archive.Archive(tmp_path / "archive")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as executor:
        got = pk.archive.inspect_many(shop / "study.toml", touches=shop / "runs", executor=executor, archive=archive)
        pd.testing.assert_frame_equal(got.table, found.table)
        assert bodies(archive) == bodies(before)
        studies = [deadly / "study.toml", shop / "study.toml"]
        worse = pk.archive.inspect_many(studies, executor=executor)
    assert worse.table["word"].tolist() == ["refused", "conforms"]
    assert "process that inspected this part died" in worse.table["error"].iloc[0]
    assert "a worker died" in worse.notes[0]


def test_threads_do_not_mix_what_was_noticed(alone, shop, tmp_path):
    archive = pk.archive.Archive(tmp_path / "archive")
    with ThreadPoolExecutor(2) as executor:
        pk.archive.inspect_many(shop / "study.toml", touches=shop / "runs", executor=executor, archive=archive)
    assert bodies(archive) == bodies(alone[1])


def test_a_batch_that_was_ended_goes_on_where_it_was(alone, shop, tmp_path, monkeypatch):
    archive = pk.archive.Archive(shutil.copytree(alone[1].folder, tmp_path / "archive"))
    more = tmp_path / "runs"
    shutil.copytree(shop / "runs", more)
    (more / "part_5.csv").write_text(tiny.touches(seed=5))
    done = []
    original = inspect_job
    monkeypatch.setattr(pk.archive.batch, "inspect_job", lambda job: done.append(job.touches.name) or original(job))
    got = pk.archive.inspect_many(shop / "study.toml", touches=more, archive=archive)
    assert done == ["part_5.csv"]  # the same content under another path is the same part
    assert got.table["new"].tolist() == [False] * 4 + [True]
    assert got.table["record"].tolist() == [1, 2, 3, 4, 5]
    assert len(archive) == 5


def test_what_is_meant_by_a_folder(tmp_path, demo_study):
    found = jobs_of(demo_study.parent)
    assert [job.study.name for job in found] == ["study.toml"]  # not the one that stands in for it
    tiny.write(tmp_path / "a")
    tiny.write(tmp_path / "b")
    two = jobs_of(tmp_path, to=tmp_path / "pages")
    assert [job.to.name for job in two] == ["a_study", "b_study"]
    (tmp_path / "runs" / "x").mkdir(parents=True)
    with pytest.raises(InputError, match="nothing to inspect"):
        jobs_of(tmp_path / "a" / "study.toml", tmp_path / "runs")
    with pytest.raises(InputError, match="need one study; found '2 studies'"):
        jobs_of(tmp_path, tmp_path / "runs")


def test_a_part_of_a_study_that_cannot_be_read_is_a_row(tmp_path):
    (tmp_path / "study.toml").write_text("[part")
    record = inspect_job(Job(tmp_path / "study.toml"))
    assert record.body["word"] == "refused"
    assert "not valid TOML" in record.body["error"]


def test_inspect_archives_and_history_tells(shop, tmp_path, capsys):
    study, kept = shop / "study.toml", tmp_path / "kept"
    command = ["inspect", str(study), "--touches", str(shop / "runs" / "part_1.csv"), "--to", str(tmp_path / "out")]
    assert cli.main([*command, "--archive", str(kept)]) == 0
    assert f"archived in {kept}: record 1" in capsys.readouterr().out
    assert cli.main([*command, "--archive", str(kept)]) == 0
    assert "is in the archive already, as record 1" in capsys.readouterr().out
    assert cli.main(["history", str(kept), "--to", str(tmp_path / "history.html")]) == 0
    said = capsys.readouterr().out
    assert "block (invented): 1 conform. 1 part of one revision" in said
    assert "Caution: A history says what has been" in said
    assert "<h1>block (invented): many parts</h1>" in (tmp_path / "history.html").read_text(encoding="utf-8")
    assert cli.main(["history", str(kept), "--verify"]) == 0
    head = capsys.readouterr().out.split("Keep this elsewhere: ")[1].strip()
    assert head == f"1:{pk.archive.Archive(kept).hash_of(1)}"
    assert cli.main(["history", str(kept), "--verify", "--head", head]) == 0
    assert cli.main(["history", str(kept), "--verify", "--head", head[:-2] + "zz"]) == 1
    assert cli.main(["history", str(kept), "--export", "csv", "--to", str(tmp_path / "csv")]) == 0
    assert cli.main(["history", str(kept), "--migrate", str(tmp_path / "new")]) == 0
    assert cli.main(["history", str(tmp_path / "new"), "--verify"]) == 0
    assert cli.main(["history", str(tmp_path / "nowhere")]) == 2


def test_a_study_can_name_its_archive(tmp_path):
    path = tiny.write(tmp_path, tiny.QUALIFIED, ("[uncertainty]", '[archive]\nfolder = "kept"\n\n[uncertainty]'))
    assert cli.main(["inspect", str(path), "--quiet"]) == 0
    assert len(pk.archive.Archive(tmp_path / "kept")) == 1


def test_what_is_asked_decides_the_revision_not_how_it_was_touched(tmp_path):
    """A comment, the serial, a qualified stylus: the same revision. A width, a datum: another."""

    def hashes(*changes: tuple[str, str]) -> dict[str, str]:
        study = pk.study.load(tiny.write(tmp_path, tiny.QUALIFIED, *changes))
        return record_of(study, pk.study.run(study)).body["hashes"]

    plain = hashes()
    same = hashes(
        ("[uncertainty]", '# a comment\n[about]\nserial = "7"\n\n[uncertainty]'),
        ("stem_diameter = 4.0", "stem_diameter = 5.0"),
    )
    assert plain["study"] != same["study"]
    assert {k: v for k, v in plain.items() if k != "study"} == {k: v for k, v in same.items() if k != "study"}
    assert hashes(("width = 0.1", "width = 0.12"))["settings"] != plain["settings"]
    lines = tiny.touches().splitlines()
    number, feature, x0, *rest = lines[-1].split(",")
    (tmp_path / "touches.csv").write_text(
        "\n".join([*lines[:-1], ",".join([number, feature, x0, f"{float(rest[0]) + 0.2:.4f}", *rest[1:]])]) + "\n"
    )
    study = pk.study.load(tmp_path / "study.toml")
    moved = record_of(study, pk.study.run(study)).body["hashes"]
    assert moved["plan"] != plain["plan"]
    assert moved["measured"] == plain["measured"]
