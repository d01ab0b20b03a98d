"""What is kept between runs: only what is as it was written is used, and nothing else is deleted."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from probekit import cache
from probekit.cli import main

NAME, OTHER = cache.name_of("one"), cache.name_of("other")


def path_of(name: str, place: Path) -> Path:
    return place / f"{name}.kept"


def content(name: str, place: Path) -> bytes | None:
    found = cache.fetch(name, place)
    return None if found is None else bytes(found)


def test_what_was_kept_is_found(tmp_path: Path) -> None:
    place = tmp_path / "new" / "folder"
    assert cache.keep(NAME, "part.step", [b"ab", memoryview(b"cd")], place) == ""
    assert content(NAME, place) == b"abcd"
    assert content(OTHER, place) is None
    assert [(one.label, one.size) for one in cache.contents(place)] == [
        ("part.step", path_of(NAME, place).stat().st_size)
    ]


def test_a_name_is_the_checksum_of_all_that_it_was_made_of() -> None:
    assert NAME == hashlib.sha256(b"('one',)").hexdigest()
    assert len({cache.name_of(*of) for of in (("a",), ("a", None), ("a", 1), ("a", 1.0), ("a", "1"), ("\udc80",))}) == 6


def test_a_flipped_bit_or_a_cut_is_never_used(tmp_path: Path) -> None:
    cache.keep(NAME, "part.step", [bytes(range(256))], tmp_path)
    path, whole = path_of(NAME, tmp_path), path_of(NAME, tmp_path).read_bytes()
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
        assert content(NAME, tmp_path) is None
        path.write_bytes(whole[:at])
        assert content(NAME, tmp_path) is None
    path.write_bytes(whole + b" ")
    assert content(NAME, tmp_path) is None
    path.write_bytes(whole)
    assert content(NAME, tmp_path) == bytes(range(256))


def test_another_version_of_the_format_is_not_read(tmp_path: Path) -> None:
    cache.keep(NAME, "part.step", [b"abcd"], tmp_path)
    path = path_of(NAME, tmp_path)
    later = path.read_bytes()[:-32].replace(b"probekit cache 1", b"probekit cache 2")
    path.write_bytes(later + hashlib.sha256(later).digest())
    assert content(NAME, tmp_path) is None
    assert [one.label for one in cache.contents(tmp_path)] == [""]


def test_a_label_is_shown_whatever_it_holds(tmp_path: Path) -> None:
    cache.keep(NAME, "a\nb\x1b" + "\u20ac" * 5000, [b"abcd"], tmp_path)
    assert content(NAME, tmp_path) == b"abcd"
    ((label, at),) = [(one.label, one.path) for one in cache.contents(tmp_path)]
    assert label.startswith("a\nb\x1b\u20ac")
    assert len(label) == 200
    assert at == path_of(NAME, tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes among files")
def test_what_is_no_file_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(path_of(NAME, tmp_path))  # to open it would wait for ever
    path_of(OTHER, tmp_path).mkdir()
    assert content(NAME, tmp_path) is None
    assert content(OTHER, tmp_path) is None
    assert cache.contents(tmp_path) == []
    assert cache.clear(tmp_path) == 0


def test_a_folder_that_cannot_be_made_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    for place in (tmp_path / "file", tmp_path / "file" / "below", Path("nul\0byte")):
        assert "cannot be" in cache.keep(NAME, "part.step", [b"abcd"], place)
        assert content(NAME, place) is None
        assert cache.contents(place) == []
        assert cache.clear(place) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are those of POSIX")
def test_a_full_disk_leaves_what_was_there(tmp_path: Path) -> None:
    """The largest size of a file stands in for the space that is left: the system refuses to write on."""
    code = """if True:
        import resource, sys
        from pathlib import Path
        from probekit import cache
        name, place = cache.name_of("one"), Path(sys.argv[1])
        assert cache.keep(cache.name_of("other"), "small", [b"abcd"], place) == ""
        resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
        print(cache.keep(name, "large", [bytes(10_000)], place))
    """
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True)
    assert "the file cannot be written" in done.stdout
    assert content(NAME, tmp_path) is None
    assert [path.name for path in tmp_path.iterdir()] == [f"{OTHER}.kept"]


def test_what_was_not_used_for_longest_makes_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "MOST", 3500)
    names = [cache.name_of(k) for k in range(4)]
    for age, name in zip((50, 40, 30), names, strict=False):
        cache.keep(name, "", [bytes(1000)], tmp_path)
        os.utime(path_of(name, tmp_path), (time.time() - age,) * 2)
    assert content(names[0], tmp_path) is not None  # used now
    cache.keep(names[3], "", [bytes(1000)], tmp_path)
    assert {path.stem for path in tmp_path.iterdir()} == {names[0], names[2], names[3]}
    assert "too large" in cache.keep(NAME, "", [bytes(3500)], tmp_path)
    assert {path.stem for path in tmp_path.iterdir()} == {names[0], names[2], names[3]}


def test_what_an_ended_writer_left_is_taken_away_but_not_from_one_at_work(tmp_path: Path) -> None:
    old, new = (tmp_path / f".{letter * 12}.part" for letter in "ab")
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 7200,) * 2)
    cache.keep(NAME, "", [b"abcd"], tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {new.name, f"{NAME}.kept"}


def test_clearing_deletes_only_what_is_ours(tmp_path: Path) -> None:
    place, elsewhere = tmp_path / "cache", tmp_path / "elsewhere"
    cache.keep(NAME, "part.step", [b"abcd"], place)
    elsewhere.write_text("theirs")
    (place / "notes.kept").write_text("theirs")
    (place / f".{'a' * 12}.part").write_bytes(b"half")
    path_of(OTHER, place).symlink_to(elsewhere)
    assert cache.clear(place) == 1
    assert {path.name for path in place.iterdir()} == {"notes.kept", f"{OTHER}.kept"}
    assert elsewhere.read_text() == "theirs"


def test_a_folder_behind_a_link_serves(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real", target_is_directory=True)
    assert cache.keep(NAME, "part.step", [b"abcd"], tmp_path / "link") == ""
    assert content(NAME, tmp_path / "real") == b"abcd"
    assert cache.clear(tmp_path / "link") == 1
    assert (tmp_path / "link").is_symlink()


def test_the_environment_names_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for off in ("", " ", "off"):
        monkeypatch.setenv("PROBEKIT_CACHE", off)
        assert cache.folder() is None
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path))
    assert cache.folder() == tmp_path
    monkeypatch.setenv("PROBEKIT_CACHE", "~no_such_user/cache")
    assert cache.folder() is None


@pytest.mark.skipif(sys.platform != "linux", reason="of Linux only")
def test_without_it_the_folder_is_the_users(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """XDG Base Directory Specification: $XDG_CACHE_HOME, else $HOME/.cache (from memory)."""
    monkeypatch.delenv("PROBEKIT_CACHE")
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    assert cache.folder() == tmp_path / ".cache" / "probekit"
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert cache.folder() == tmp_path / "xdg" / "probekit"


def test_the_tests_do_not_fill_the_cache_of_whoever_runs_them() -> None:
    assert Path(os.environ["PROBEKIT_CACHE"]).name.startswith("probekit-cache-")


def test_the_command_shows_and_clears(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "cache"))
    assert main(["cache"]) == 0
    assert "0 files, 0.0 MB of at most 1000.0 MB" in capsys.readouterr().out
    cache.keep(NAME, "part\x1b[2J.step", [bytes(2_000_000)], tmp_path / "cache")
    assert main(["cache"]) == 0
    shown = capsys.readouterr().out
    assert f"{tmp_path / 'cache'}: 1 file, 2.0 MB" in shown
    assert NAME[:12] in shown
    assert "part?[2J.step" in shown
    assert main(["cache", "--clear"]) == 0
    assert "1 file, 2.0 MB; deleted" in capsys.readouterr().out
    assert list((tmp_path / "cache").iterdir()) == []
    monkeypatch.setenv("PROBEKIT_CACHE", "off")
    assert main(["cache", "--clear"]) == 0
    assert "Nothing is kept" in capsys.readouterr().out
