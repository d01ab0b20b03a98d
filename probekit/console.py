"""What a command prints and how it ends: its output never fails on an encoding, and each way to end has a status."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Self, TextIO

from . import __version__
from .errors import ProbekitError, in_full

__all__ = ["CRASHED", "INTERRUPTED", "TERMINATED", "UNUSABLE", "Progress", "ending", "say", "tell"]

UNUSABLE, CRASHED, INTERRUPTED, PIPE_CLOSED, TERMINATED = 2, 3, 130, 141, 143  # from 128 on as shells number signals

_TIDY = "no file was left incomplete"


def ending(command: Callable[[], int], words: str) -> int:
    """Run a command and return the exit status, however it ends.

    Parameters
    ----------
    command : callable
        Returns the status.
    words : str
        The command line, to be sent along if it fails unexpectedly.

    Returns
    -------
    int
        That of the command; `UNUSABLE` for input that cannot be used; `CRASHED` for a fault of probekit itself, or
        output that could not be written; otherwise 128 and the number of the signal that ended it.
    """
    _settle_streams()
    try:
        with _terminable():
            try:
                return command()
            finally:
                _flush()
    except ProbekitError as error:
        tell(f"probekit: {in_full(error)}")
        return UNUSABLE
    except _OutputError as error:
        _abandon(sys.stdout)
        if error.broken_pipe:  # the reader of our output went away, as `| head` does
            return PIPE_CLOSED
        tell(f"probekit: the output could not be printed ({error}); {_TIDY}")
        return CRASHED
    except KeyboardInterrupt:
        tell(f"probekit: interrupted; {_TIDY}")
        return INTERRUPTED
    except _TerminatedError:
        tell(f"probekit: terminated; {_TIDY}")
        return TERMINATED
    except Exception as error:
        tell(traceback.format_exc())
        what = " ".join(f"{type(error).__name__}: {error}".split())
        tell(
            f"probekit: a fault of probekit, not a verdict on the part ({what[:200]}). Please send the lines above, "
            f"the study and its files, and this: probekit {__version__}, Python {platform.python_version()}, "
            f"{platform.platform()}, command: {words}"
        )
        return CRASHED


def say(text: str) -> None:
    """Print on standard output."""
    try:
        sys.stdout.write(text + "\n")
    except OSError as error:
        raise _OutputError(error) from None


def tell(text: str) -> None:
    """Print on standard error; if that is not possible there is nobody to tell."""
    with suppress(OSError, ValueError):
        sys.stderr.write(text + "\n")
        sys.stderr.flush()


class Progress:
    """One line on standard error that is written over; silent when that is not a terminal.

    To be used in a `with` statement, which takes the line away. A process of its own writes it, and each second adds
    how long the step has taken: the CAD kernel lets nothing else run in ours, for up to a minute.
    """

    def __init__(self) -> None:
        self._writer: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            command = [sys.executable, "-I", "-S", "-c", _WRITER]
            with suppress(OSError):
                self._writer = subprocess.Popen(command, stdin=subprocess.PIPE, text=True, encoding="utf-8")
        return self

    def __call__(self, step: str, done: float) -> None:
        """Show the step and the part of the job done so far (0 to 1)."""
        if self._writer is not None and self._writer.stdin is not None:
            filled = round(24 * done)
            with suppress(OSError):
                self._writer.stdin.write(f"[{'=' * filled}{' ' * (24 - filled)}] {step}\n")
                self._writer.stdin.flush()

    def __exit__(self, *_: object) -> None:
        if self._writer is not None and self._writer.stdin is not None:
            with suppress(OSError):
                self._writer.stdin.close()
            self._writer.wait()


#: Writes the last line that it was given, and each second how long ago that was; clears it when nothing more can come.
_WRITER = """
import os, signal, sys, threading, time
signal.signal(signal.SIGINT, signal.SIG_IGN)
state, new = ["", 0.0], threading.Event()
def read():
    for line in sys.stdin.buffer:
        state[:] = [line.decode().rstrip(), time.monotonic()]
        new.set()
    state[0] = None
    new.set()
threading.Thread(target=read, daemon=True).start()
while True:
    new.wait(1.0 if state[0] else None)
    new.clear()
    line, since = state
    if line is None:
        os.write(2, b"\\r\\033[K")
        break
    passed = int(time.monotonic() - since)
    os.write(2, ("\\r\\033[K" + line + (f", {passed} s" if passed else "")).encode("utf-8"))
"""


class _OutputError(Exception):
    """Standard output cannot be written to."""

    def __init__(self, error: OSError) -> None:
        super().__init__(error.strerror or str(error))
        self.broken_pipe = isinstance(error, BrokenPipeError)


class _TerminatedError(BaseException):
    """The process was asked to end."""


def _settle_streams() -> None:
    """Let what a terminal cannot show be spelled out; a stream that was closed takes everything and shows nothing."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _flush() -> None:
    try:
        sys.stdout.flush()
    except OSError as error:
        raise _OutputError(error) from None


def _abandon(stream: TextIO) -> None:
    """Send what is still to come into nothing, so that Python does not fail on it when it ends."""
    with suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)


@contextmanager
def _terminable() -> Iterator[None]:
    """Let a request to end (SIGTERM) end the work as an interrupt from the keyboard does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise _TerminatedError

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before if before is not None else signal.SIG_DFL)
