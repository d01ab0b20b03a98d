"""A study keeps to its folder, for reading and for writing, unless it permits other folders by name."""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from pathlib import Path

import pytest
import tiny

import probekit as pk
from probekit.cli import main

MODEL = 'model = "block.stl"'


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A folder with a study in ``job``, and beside it ``share`` with a copy of each of its files."""
    tiny.write(tmp_path / "job", tiny.QUALIFIED)
    tiny.write(tmp_path / "share")
    (tmp_path / "share" / "checks.py").write_text("raise SystemExit('code from outside')\n")
    return tmp_path


def changed(shop: Path, *changes: tuple[str, str], more: str = "") -> Path:
    path = tiny.write_study(shop / "job", tiny.QUALIFIED, *changes)
    path.write_text(path.read_text() + more)
    return path


@pytest.mark.parametrize(
    ("key", "changes", "more"),
    [
        ("part.model", [(MODEL, 'model = "../share/block.stl"')], ""),
        ("part.model", [(MODEL, 'model = "{shop}/share/block.stl"')], ""),
        ("part.without_kernel", [(MODEL, f'{MODEL}\nwithout_kernel = "../share/study.toml"')], ""),
        ("touches.file", [('file = "touches.csv"', 'file = "../share/touches.csv"')], ""),
        ("touches.again", [('file = "touches.csv"', 'file = "touches.csv"\nagain = "../share/touches.csv"')], ""),
        ("program.milling", [('milling = "milling.nc"', 'milling = "x/../../share/milling.nc"')], ""),
        ("program.dialect", [('milling = "milling.nc"', 'dialect = "../share/ours.toml"')], ""),
        ("reach.fixtures, 2", [("margin = 1.0", 'fixtures = ["block.stl", "../share/block.stl"]')], ""),
        ("stylus.qualification.file", [], '[stylus.qualification]\nfile = "../share/touches.csv"\ndiameter = 25.0\n'),
        ("archive.folder", [], '[archive]\nfolder = "../share"\n'),
    ],
)
def test_a_file_outside_is_refused_by_name(shop: Path, key: str, changes: list[tuple[str, str]], more: str) -> None:
    path = changed(shop, *((old, new.format(shop=shop.as_posix())) for old, new in changes), more=more)
    with pytest.raises(pk.InputError, match=rf"key '{key}': a study keeps to its folder unless it says") as told:
        pk.study.load(path)
    assert str(told.value.found).startswith(os.path.realpath(shop / "share"))
    lines = re.search(r"the lines \[study\] and (outside = \[.*?\])", str(told.value))[1]
    path.write_text(f"{path.read_text()}\n[study]\n{lines}\n")  # what the message says is what helps
    assert pk.study.load(path).settings["study"] == tomllib.loads(lines)


def test_links_are_followed(shop: Path) -> None:
    job = shop / "job"
    (job / "block.stl").unlink()
    (job / "block.stl").symlink_to(shop / "share" / "block.stl")
    with pytest.raises(pk.InputError, match=r"key 'part\.model': a study keeps to its folder") as told:
        pk.study.load(job / "study.toml")
    assert f'outside = ["{Path(os.path.realpath(shop / "share")).as_posix()}"]' in str(told.value)
    (shop / "door").symlink_to(job)  # a way into the folder that is a link is a way into the folder
    path = changed(shop, (MODEL, 'model = "../door/other.stl"'))
    shutil.copy(shop / "share" / "block.stl", job / "other.stl")
    assert pk.study.load(shop / "door" / "study.toml").file("x") == shop / "door" / "x"
    assert pk.study.load(path)


def test_code_from_outside_is_not_run(shop: Path) -> None:
    (shop / "job" / "checks.py").symlink_to(shop / "share" / "checks.py")
    path = changed(shop, more='[[tolerance]]\nkind = "checks:waviness"\nwidth = 0.1\n')
    with pytest.raises(pk.InputError, match=r"key 'tolerance 3\.kind': a study keeps to its folder"):
        pk.study.load(path)


def test_a_folder_that_is_permitted_is_read_and_no_other(shop: Path) -> None:
    changes = [(MODEL, 'model = "../share/block.stl"'), ('file = "touches.csv"', 'file = "../share/touches.csv"')]
    path = changed(shop, *changes, more='[study]\noutside = ["../share"]\n')
    assert pk.study.run(pk.study.load(path)).verdict.part
    path = changed(shop, changes[0], more='[study]\noutside = ["../other", "share"]\n')
    with pytest.raises(pk.InputError, match=r'outside = \["\.\./other", "share", "\.\./share"\]'):
        pk.study.load(path)


def test_a_file_named_on_the_command_line_may_lie_anywhere(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    touches = shop / "share" / "touches.csv"
    command = ["inspect", str(changed(shop)), "--touches", str(touches), "--to", str(shop / "out"), "--quiet"]
    assert main(command) == 0, capsys.readouterr().err


def test_the_list_is_a_list_of_names(shop: Path) -> None:
    for line, said in (("outside = true", "wrong type"), ('outside = [""]', "non-empty"), ("outside = []", "empty")):
        with pytest.raises(pk.InputError, match=rf"key 'study\.outside': .*{said}"):
            pk.study.load(changed(shop, more=f"[study]\n{line}\n"))
