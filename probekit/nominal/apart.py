"""Model files read in a process of their own, within limits of time and memory.

On a damaged file a CAD kernel or a parser can crash, never end, or take all memory there is: in a process of its own
that is one clear error. The process (`probekit.nominal.apart_jobs`) is told its job by name in a file of a temporary
folder, and leaves raw arrays and JSON there; nothing is unpickled. On Linux its address space is limited; on every
system its time is, and its memory is looked at a few times a second, so that elsewhere a file may take more than the
limit for a moment. On Windows and macOS that has not been tried.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError, ProbekitError
from .crashed import crash_of
from .exact.kernel import MissingKernelError, Progress

__all__ = ["Limits", "apart", "limits", "read_apart"]

SECONDS, MEGABYTES, SWITCH = "PROBEKIT_READ_SECONDS", "PROBEKIT_READ_MB", "PROBEKIT_READ_APART"

#: Words by which libraries say that there is no memory left.
NO_MEMORY = ("bad_alloc", "bad allocation", "annot allocate memory", "allocation failed", "failed to map segment")

_LOOK = 0.2  # how often time and memory are looked at [s]
_ROOT = Path(__file__).parents[2]  # what has to be on the path for `probekit` to be found


@dataclass(frozen=True)
class Limits:
    """What reading one model may take: time [s], see `_taken`, and memory beyond that of the libraries [MB]."""

    seconds: float = 300.0
    megabytes: float = 4000.0


def limits() -> Limits:
    """The limits, from the environment variables PROBEKIT_READ_SECONDS and PROBEKIT_READ_MB where they are set.

    Raises
    ------
    InputError
        If one of them is no positive number.
    """
    given = Limits()
    return Limits(_positive(SECONDS, given.seconds), _positive(MEGABYTES, given.megabytes))


def apart() -> bool:
    """Whether models are read in a process of their own.

    Not if the environment variable PROBEKIT_READ_APART is "off", nor where no Python can be started: in a program that
    embeds it, or was frozen.
    """
    return (
        os.environ.get(SWITCH, "").strip().lower() != "off"
        and bool(sys.executable)
        and not getattr(sys, "frozen", False)
    )


@contextmanager
def read_apart(job: str, path: Path, progress: Progress | None = None, **given: Any) -> Iterator[tuple[Path, Any]]:
    """Do one job in a process of its own.

    Parameters
    ----------
    job : str
        Name of a job of `probekit.nominal.apart_jobs`.
    path : Path
        The model file.
    progress : callable, optional
        Told what the process tells.
    **given
        What else the job is told, as JSON has it; or, under the name "beforehand", a function that is called with the
        folder first and leaves files there.

    Yields
    ------
    (Path, dict)
        The folder with the arrays that the job left, and what it says of them.

    Raises
    ------
    InputError
        What the job raised; or that it crashed, with the place of its log, or was stopped at a limit.
    """
    allowed = limits()
    prepare: Callable[[Path], object] = given.pop("beforehand", lambda _folder: None)
    with tempfile.TemporaryDirectory(prefix="probekit-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        prepare(folder)
        asked = {"job": job, "path": str(path), "megabytes": allowed.megabytes, "seconds": allowed.seconds, **given}
        (folder / "job.json").write_text(json.dumps(asked), encoding="utf-8")
        status = _run(folder, path, allowed, progress)
        try:
            told = json.loads((folder / "told.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            printed = (folder / "errors.txt").read_text(encoding="utf-8", errors="replace")
            if any(word in printed for word in NO_MEMORY):
                raise _too_much(path, allowed) from None
            raise crash_of(path, status, printed, job) from None
        if "error" in told:
            raise _error(told["error"], path, allowed)
        yield folder, told


def _run(folder: Path, path: Path, allowed: Limits, progress: Progress | None) -> int:
    """Start the process and wait for its end, which comes at a limit at the latest."""
    # -P: a module that lies beside the user's files is not imported. One thread of linear algebra, and two arenas of
    # memory, so that what is reserved and never used does not count.
    tame = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    before = os.environ.get("PYTHONPATH")
    environment = os.environ | tame | {"PYTHONPATH": os.pathsep.join([str(_ROOT), *([before] if before else [])])}
    with (folder / "errors.txt").open("wb") as errors:
        child = subprocess.Popen(
            [sys.executable, "-P", "-m", "probekit.nominal.apart_jobs", str(folder)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            env=environment,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        try:
            return _watch(child, path, allowed, progress or (lambda _step, _done: None))
        finally:
            if child.poll() is None:
                child.kill()
            child.wait()


def _watch(child: subprocess.Popen[bytes], path: Path, allowed: Limits, tell: Progress) -> int:
    lines: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def listen() -> None:
        with child.stdout as stream:  # type: ignore[union-attr]
            for line in stream:
                lines.put(line)
        lines.put(b"")

    threading.Thread(target=listen, daemon=True).start()
    begun, looked = time.monotonic(), 0.0
    while True:
        with suppress(queue.Empty):
            line = lines.get(timeout=_LOOK)
            if not line:
                return child.wait(timeout=max(1.0, allowed.seconds))
            with suppress(ValueError, TypeError):
                step, done = json.loads(line)
                tell(str(step), float(done))
        now = time.monotonic()
        if _taken(child.pid, now - begun) > allowed.seconds:
            raise _too_long(path, allowed)
        if now - looked > _LOOK:
            looked = now
            if _resident(child.pid) > allowed.megabytes * 1e6:
                raise _too_much(path, allowed)


def _taken(pid: int, passed: float) -> float:
    """Time that a process has taken [s], of the time passed since its start [s].

    Where other work keeps the processors busy it gets but a part of it: then its own processor time counts, where the
    system tells it, and a quarter of the time passed at least.
    """
    try:
        # user and system time are fields 14 and 15 (proc(5)); the second, in brackets, may hold blanks
        fields = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()
        own = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError, AttributeError):
        return passed
    return min(passed, max(own, passed / 4.0))


def _resident(pid: int) -> float:
    """Memory that a process holds [bytes]; 0 where it cannot be told."""
    try:
        if sys.platform == "win32":
            return _resident_on_windows(pid)
        statm = Path(f"/proc/{pid}/statm")
        if statm.exists():
            return int(statm.read_bytes().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        done = subprocess.run(["ps", "-o", "rss=", "-p", str(pid)], capture_output=True, timeout=5, check=False)
        return 1024.0 * int(done.stdout)
    except (OSError, ValueError, IndexError, AttributeError, subprocess.SubprocessError):
        return 0.0


def _resident_on_windows(pid: int) -> float:
    """From the documented call GetProcessMemoryInfo; not tried on Windows."""
    import ctypes

    class Counters(ctypes.Structure):
        _fields_ = [("size", ctypes.c_uint32), ("faults", ctypes.c_uint32)] + [
            (f"bytes_{n}", ctypes.c_size_t) for n in range(8)
        ]

    library: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined]
    library.OpenProcess.restype = ctypes.c_void_p
    handle = library.OpenProcess(0x1000, False, pid)  # PROCESS_QUERY_LIMITED_INFORMATION
    if not handle:
        return 0.0
    try:
        counters = Counters(size=ctypes.sizeof(Counters))
        known = library.K32GetProcessMemoryInfo(ctypes.c_void_p(handle), ctypes.byref(counters), counters.size)
        return float(counters.bytes_1) if known else 0.0  # the second: the working set now
    finally:
        library.CloseHandle(ctypes.c_void_p(handle))


def _positive(name: str, default: float) -> float:
    text = os.environ.get(name, "").strip()
    if not text:
        return default
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number < 1e9:
        raise InputError(f"the environment variable {name} is not usable", found=text, expected="a positive number")
    return number


def _error(told: Any, path: Path, allowed: Limits) -> ProbekitError:
    """The error that the job ended with."""
    kind = told.pop("kind")
    if kind == "memory":
        return _too_much(path, allowed)
    if kind == "MissingKernelError":
        return MissingKernelError(told["what"])
    return InputError(told.pop("what"), **told)


def _too_long(path: Path, allowed: Limits) -> InputError:
    return InputError(
        "the model was not read to its end in the time that it may take",
        file=path,
        expected=f"{allowed.seconds:g} s at most",
        todo=f"Check its unit, and export it again; if it is large and sound, set {SECONDS} to more seconds.",
    )


def _too_much(path: Path, allowed: Limits) -> InputError:
    return InputError(
        "reading the model needs more memory than it may take",
        file=path,
        expected=f"{allowed.megabytes:g} MB at most",
        todo="Check its unit (metres for millimetres?), and export it again; if it is large and sound, set "
        f"{MEGABYTES} to more megabytes.",
    )
