"""A watched folder: each file once, when it is whole, whatever happens to it in the meantime."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

import probekit as pk
from probekit import cli
from probekit.archive import watching
from probekit.errors import InputError

pytest.importorskip("pyarrow")


class Clock:
    """A clock that goes on by the time slept, and does something at each sleep."""

    def __init__(self, *steps: Callable[[], object]) -> None:
        self.now, self.steps = 0.0, list(steps)

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        if not self.steps:
            raise KeyboardInterrupt
        self.steps.pop(0)()


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    tiny.write(tmp_path / "job", tiny.QUALIFIED)
    (tmp_path / "in").mkdir()
    return tmp_path


def seen(shop: Path, *steps: Callable[[], object], **options: object) -> list[tuple[str, str]]:
    clock = Clock(*steps, *[lambda: None] * 4)
    given = {"settle": 2.0, "every": 1.0, "patience": 5.0, "sleep": clock.sleep, "clock": clock} | options
    found = []
    try:
        for one in pk.archive.watch(shop / "in", shop / "job" / "study.toml", archive=shop / "kept", **given):
            found.append((one.file.name, one.word))
    except KeyboardInterrupt:
        return found
    raise AssertionError("a folder is watched until it is interrupted")


def text(serial: int) -> str:
    return tiny.touches(seed=serial).replace("# part: block 1", f"# part: block 1\n# serial: {serial}")


def test_a_file_that_grows_is_waited_for_and_its_page_written(shop):
    whole = text(1)
    path = shop / "in" / "a b ü.csv"
    path.write_text(whole[:300])
    steps = [lambda k=k: path.write_text(whole[: 300 + k]) for k in (1, 2, 3)] + [lambda: path.write_text(whole)]
    assert seen(shop, *steps, to=shop / "pages") == [("a b ü.csv", "conforms")]
    assert (shop / "pages" / "a_b_ü" / "report.html").is_file()
    assert "1 part of one revision" in (shop / "pages" / "history.html").read_text(encoding="utf-8")
    archive = pk.archive.Archive(shop / "kept")
    assert len(archive) == 1
    assert pk.archive.verify(archive).whole


def test_a_file_that_stays_cut_short_is_refused_in_the_end_and_judged_once_it_is_whole(shop):
    path, whole = shop / "in" / "a.csv", text(1)
    path.write_text(whole[: len(whole) // 2])
    nothing = [lambda: None] * 6
    assert seen(shop, *nothing, lambda: path.write_text(whole)) == [("a.csv", "refused"), ("a.csv", "conforms")]
    found = pk.archive.history(pk.archive.Archive(shop / "kept"))
    assert found.chosen.parts["key"].tolist() == ["1"]


def test_the_same_content_is_inspected_once_whatever_its_name(shop):
    first, other = shop / "in" / "a.csv", shop / "in" / "b.csv"
    first.write_text(text(1))
    steps = [lambda: None] * 3 + [lambda: shutil.copy(first, other)] + [lambda: None] * 3
    assert seen(shop, *steps, lambda: first.rename(shop / "in" / "c.csv")) == [
        ("a.csv", "conforms"),
        ("b.csv", "again"),
        ("c.csv", "again"),
    ]
    assert len(pk.archive.Archive(shop / "kept")) == 1
    assert seen(shop, lambda: None) == [("b.csv", "again"), ("c.csv", "again")]  # started anew


def test_a_locked_file_is_waited_for_and_told(shop, monkeypatch):
    path = shop / "in" / "a.csv"
    path.write_text(text(1))
    held = [True]
    read = Path.read_bytes

    def locked(self: Path) -> bytes:
        if held[0] and self == path:
            raise PermissionError(13, "The process cannot access the file")
        return read(self)

    monkeypatch.setattr(Path, "read_bytes", locked)
    steps = [lambda: None] * 6 + [lambda: held.clear() or held.append(False)]
    assert seen(shop, *steps) == [("a.csv", "waiting"), ("a.csv", "conforms")]


def test_a_file_that_vanishes_and_temporary_ones_are_passed_over(shop):
    path = shop / "in" / "a.csv"
    path.write_text(text(1))
    for name in (".hidden.csv", "b.csv.part", "c.csv~", "note.txt"):
        (shop / "in" / name).write_text(text(2))
    (shop / "in" / "folder.csv").mkdir()
    assert seen(shop, path.unlink, pattern="*") == [("note.txt", "conforms")]


def test_two_parts_at_once_and_a_wrong_study(shop, capsys):
    for k in (1, 2):
        (shop / "in" / f"{k}.csv").write_text(text(k))
    command = ["watch", str(shop / "in"), "--study", str(shop / "job" / "study.toml"), "--archive", str(shop / "kept")]
    assert cli.main([*command, "--once", "--settle", "0", "--every", "0.01"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "1.csv: conforms; part 1, record 1",
        "2.csv: conforms; part 2, record 2",
    ]
    with pytest.raises(InputError, match="not there"):
        next(watching.watch(shop / "nowhere", shop / "job" / "study.toml", archive=shop / "kept"))
