"""Models read in a process of their own: the same as read here; crashes, and limits of time and memory, are said."""

from __future__ import annotations

import hashlib
import os
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import probekit as pk
from probekit.nominal import apart, crashed
from probekit.nominal.exact import step, stored

DEMO = Path(__file__).parents[2] / "data" / "foil" / "foil.step"
FOUND = Path(__file__).parents[1] / "fuzz" / "found"


@pytest.fixture(autouse=True)
def _as_users_have_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other tests read hundreds of models, and in their own process."""
    monkeypatch.delenv(apart.SWITCH, raising=False)


@pytest.fixture
def box(tmp_path: Path) -> Path:
    """A box, with blanks and umlauts on the way to it, and beside it a module that must not be imported."""
    path = tmp_path / "Flügel ä" / "a box.obj"
    path.parent.mkdir()
    path.write_text(trimesh.creation.box((10.0, 20.0, 30.0)).export(file_type="obj"))
    (path.parent / "numpy.py").write_text("raise SystemExit('imported from the folder of the user')")
    return path


def test_a_mesh_is_the_same_as_read_here(box: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(box.parent)
    beyond = pk.nominal.load(box.name, unit="mm")
    monkeypatch.setenv(apart.SWITCH, "off")
    here = pk.nominal.load(box.name, unit="mm")
    for name in ("vertices", "facets", "facet_face"):
        np.testing.assert_array_equal(getattr(beyond, name), getattr(here, name))
    assert (beyond.sha256, beyond.source, beyond.notes) == (here.sha256, here.source, here.notes)


def test_a_step_file_is_read_there_once_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("OCP")
    monkeypatch.setattr(step, "read_step", lambda *_, **__: pytest.fail("read in this process"))
    told: list[tuple[str, float]] = []
    part = pk.nominal.load(DEMO, cache=tmp_path, progress=lambda step, done: told.append((step, done)))
    assert part.exact
    assert ("the CAD kernel makes the shapes", 0.12) in told
    assert [done for _, done in told] == sorted(done for _, done in told)
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a process for what is kept"))
    again = pk.nominal.load(DEMO, cache=tmp_path)
    np.testing.assert_array_equal(again.vertices, part.vertices)
    monkeypatch.undo()
    monkeypatch.setenv(apart.SWITCH, "off")
    assert stored.name_of(part.sha256, deflection=None, body=None) is not None
    np.testing.assert_array_equal(pk.nominal.load(DEMO).vertices, part.vertices)


def test_what_the_reader_says_arrives_whole(box: Path) -> None:
    box.write_text("v 1 2\nf 1 2 3\n")
    with pytest.raises(pk.InputError, match=r"a box\.obj: the (OBJ file cannot be parsed|model has no facets)") as told:
        pk.nominal.load(box, unit="mm")
    assert told.value.file == str(box)
    assert told.value.todo or told.value.expected


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_crash_names_file_end_and_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A point in space with two coordinates, found by fuzzing: the CAD kernel ends by a segmentation fault."""
    pytest.importorskip("OCP")
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "kept"))
    text, count = re.subn(r"(#296=CARTESIAN_POINT\('',\()15\.,32\.,", r"\g<1>12.,", DEMO.read_text())
    assert count == 1
    path = tmp_path / "damaged.step"
    path.write_text(text)
    message = r"damaged\.step: what reads the model crashed.*ended by SIGSEGV \(it reached for memory.*export it again"
    with pytest.raises(pk.InputError, match=message) as told:
        pk.nominal.load(path, cache=True)
    (log,) = (tmp_path / "kept" / "crashes").iterdir()
    assert f"The log of the crash: {log}." in str(told.value)
    kept = log.read_text()
    assert f"file: {path}\n" in kept
    assert hashlib.sha256(path.read_bytes()).hexdigest() in kept
    assert "Segmentation fault" in kept
    assert "apart_jobs.py" in kept  # the stack of its calls


def test_a_crash_is_told_though_no_log_can_be_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "in the way").write_text("")
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "in the way"))
    for status, said in (
        (-9, r"SIGKILL .*Run the command again\.$"),
        (3, r"status 3'.*export it again, or in another"),
    ):
        assert re.search(said, str(crashed.crash_of(tmp_path / "none.step", status, "", "step")))
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "kept"))
    for number in range(25):
        (tmp_path / "model").write_text(str(number))
        crashed.crash_of(tmp_path / "model", -11, "", "step")
    assert len(list(crashed.logs().iterdir())) == 20


def test_time_counts_as_far_as_a_process_gets_it() -> None:
    """On a busy machine a sound model is not refused for what others take; one that waits for ever is."""
    code = "import time; t = time.process_time()\nwhile time.process_time() - t < 0.3: pass\nprint(); input()"
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        child.stdout.readline()
        took = apart._taken(child.pid, 2.0)
        assert took == 2.0 if not Path("/proc/self/stat").exists() else 0.5 <= took < 1.0
        assert apart._taken(child.pid, 0.1) == 0.1, "several threads are no reason to stop sooner"
        assert apart._taken(child.pid, 400.0) == pytest.approx(100.0 if took < 2.0 else 400.0)
        child.communicate(b"\n")
    assert apart._taken(child.pid, 7.0) == 7.0


@pytest.mark.parametrize(
    ("variable", "value", "message"),
    [
        (apart.SECONDS, "0.1", r"a box\.obj: .*not read to its end in the time.*expected 0\.1 s at most.*SECONDS"),
        (apart.MEGABYTES, "0.001", r"a box\.obj: .*more memory than it may.*0\.001 MB at most.*PROBEKIT_READ_MB"),
        (apart.SECONDS, "soon", r"PROBEKIT_READ_SECONDS is not usable; found 'soon'; expected a positive number"),
    ],
)
def test_limits_are_told_with_what_to_do(
    box: Path, monkeypatch: pytest.MonkeyPatch, variable: str, value: str, message: str
) -> None:
    monkeypatch.setenv(variable, value)
    with pytest.raises(pk.InputError, match=message):
        pk.nominal.load(box, unit="mm")


def test_an_interrupt_ends_the_process_and_leaves_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("OCP")
    started: list[subprocess.Popen[bytes]] = []
    before = subprocess.Popen

    def noted(*given: Any, **more: Any) -> subprocess.Popen[bytes]:
        started.append(before(*given, **more))
        return started[-1]

    def stop(_step: str, _done: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(subprocess, "Popen", noted)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(KeyboardInterrupt):
        pk.nominal.load(DEMO, progress=stop)
    assert len(started) == 1
    assert started[0].returncode is not None
    assert list(tmp_path.iterdir()) == []


def test_a_3mf_that_says_it_holds_gigabytes_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("3D/3dmodel.model", "<model/>")
    data = bytearray(path.read_bytes())
    at = data.index(b"PK\x01\x02") + 24  # the unpacked size in the central directory (APPNOTE of ZIP, 4.3.12)
    data[at : at + 4] = struct.pack("<I", 3_000_000_000)
    path.write_bytes(data)
    with pytest.raises(
        pk.InputError, match=r"bomb\.3mf: what is packed in the 3MF file is too large; found '3000000000"
    ):
        pk.nominal.load(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes of POSIX")
@pytest.mark.parametrize("name", ["part.stl", "part.glb", "part.step"])
def test_a_pipe_that_nobody_writes_into_does_not_hang(tmp_path: Path, name: str) -> None:
    os.mkfifo(tmp_path / name)
    with pytest.raises(pk.InputError, match=r"this is not a file, but a folder, a pipe or a device"):
        pk.nominal.load(tmp_path / name, unit=None if name.endswith("step") else "mm")


def test_memory_of_a_process_can_be_told() -> None:
    own = apart._resident(os.getpid())
    assert own == 0.0 or 2e7 < own < 1e11
