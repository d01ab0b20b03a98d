"""How a command ends: terminals that cannot show a name, output that goes nowhere, signals, faults of our own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from probekit import cli, console

NAME = "Fl\N{LATIN SMALL LETTER U WITH DIAERESIS}gel \N{GREEK SMALL LETTER DELTA}"


def shell(command: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """A command line after `probekit`, in a shell, so that it can say where the output goes."""
    line = f'"{sys.executable}" -m probekit.cli {command}'
    return subprocess.run(
        line, shell=True, capture_output=True, timeout=60, env={**os.environ, **environment}, executable="/bin/sh"
    )


posix = pytest.mark.skipif(os.name != "posix", reason="redirections of a POSIX shell")


@posix
@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONIOENCODING": "cp1252"},
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    ],
)
def test_a_terminal_that_cannot_show_a_name_gets_it_spelled_out(tmp_path: Path, environment: dict[str, str]) -> None:
    done = shell(f'demo "{tmp_path / NAME}"', **environment)
    assert (done.returncode, done.stderr) == (0, b"")
    spelled = (rb"Fl\xfcgel \u03b4", rb"Fl\udcc3\udcbcgel", b"Fl\xfcgel \\u03b4")  # the last as code page 1252 has it
    assert any(one in done.stdout for one in spelled)
    assert (tmp_path / NAME / "study.toml").is_file()


@posix
def test_a_closed_output_is_no_fault(tmp_path: Path) -> None:
    done = shell(f'demo "{tmp_path / "demo"}" >&-')
    assert (done.returncode, done.stderr) == (0, b"")


@posix
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_output_has_a_status_of_its_own_and_one_line(tmp_path: Path) -> None:
    done = shell(f'demo "{tmp_path / "demo"}" > /dev/full')
    assert done.returncode == console.CRASHED
    assert done.stderr.count(b"\n") == 1
    assert b"the output could not be printed (No space left on device)" in done.stderr
    assert shell(f'demo "{tmp_path / "other"}" 2> /dev/full').returncode == 0


@posix
def test_a_reader_that_goes_away_ends_it_quietly() -> None:
    done = shell("--help | true")
    assert done.stderr == b""


def ended(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: Callable[[], int]) -> int:
    monkeypatch.setattr(cli, "_demo", lambda _options: command())
    return cli.main(["demo", str(tmp_path / "a b")])


def raising(error: BaseException) -> Callable[[], int]:
    def command() -> int:
        raise error

    return command


@pytest.mark.parametrize("error", [ZeroDivisionError("float\ndivision"), MemoryError(), RecursionError("deep")])
def test_a_fault_of_our_own_is_no_verdict(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str], error: Exception
) -> None:
    """Status 1 would say that the part does not conform; the last line says what to send."""
    assert ended(monkeypatch, tmp_path, raising(error)) == console.CRASHED == 3
    told = capsys.readouterr().err.splitlines()
    assert any(line.startswith("Traceback") for line in told)
    assert told[-1].startswith("probekit: a fault of probekit, not a verdict on the part (")
    for needed in (type(error).__name__, "Please send", cli.__version__, f"command: probekit demo '{tmp_path}/a b'"):
        assert needed in told[-1]


def test_an_interrupt_and_a_request_to_end_have_a_word(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = signal.getsignal(signal.SIGTERM)
    assert ended(monkeypatch, tmp_path, raising(KeyboardInterrupt())) == 130
    assert capsys.readouterr().err == "probekit: interrupted; no file was left incomplete\n"

    def ask() -> int:
        signal.raise_signal(signal.SIGTERM)
        return 0

    assert ended(monkeypatch, tmp_path, ask) == 143
    assert capsys.readouterr().err == "probekit: terminated; no file was left incomplete\n"
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_terminal_shows_seconds_while_nothing_else_can_run():
    """The CAD kernel holds the interpreter; so does arithmetic with large numbers."""
    import pty

    script = (
        "import time\n"
        "from probekit.console import Progress\n"
        "size, took = 200_000, 0.0\n"
        "while took < 2.2:\n"
        "    size, start = 2 * size, time.monotonic()\n"
        "    with Progress() as progress:\n"
        "        progress('reading', 0.25)\n"
        "        (1 << size) // 3 % 7 * (3 ** (size // 64))\n"
        "    took = time.monotonic() - start\n"
    )
    shown, terminal = pty.openpty()
    run = subprocess.Popen([sys.executable, "-c", script], stderr=terminal, cwd=Path(__file__).parents[1])
    os.close(terminal)
    text = b""
    while True:
        try:
            got = os.read(shown, 4096)
        except OSError:  # nobody writes any more
            break
        if not got:
            break
        text += got
    assert run.wait() == 0
    assert b"[======                  ] reading" in text
    assert b"reading, 1 s" in text
    assert b"reading, 2 s" in text
    assert text.endswith(b"\r\033[K")
