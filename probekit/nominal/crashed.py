"""What is kept and said of a process that crashed while it read a model."""

from __future__ import annotations

import hashlib
import platform
import signal
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from .. import cache
from ..errors import InputError
from ..files import make_folder, store

__all__ = ["crash_of", "logs"]

_MOST = 20  # logs that are kept
_LONGEST = 20_000  # characters of what the process printed

#: What a signal says, in words (POSIX.1-2017, signal.h).
_WORDS = {
    "SIGSEGV": "it reached for memory that is not its own",
    "SIGBUS": "it reached for memory that is not there",
    "SIGABRT": "it gave up by itself",
    "SIGFPE": "it divided by zero",
    "SIGILL": "its code is not of this processor",
    "SIGKILL": "somebody, or a system short of memory, ended it",
    "SIGTERM": "somebody ended it",
    "SIGXCPU": "it took more time of the processor than it may",
}
_FROM_OUTSIDE = ("SIGKILL", "SIGTERM", "SIGINT", "SIGHUP", "SIGXCPU")


def logs() -> Path:
    """The folder of the logs: in that of the cache, or with the temporary files where nothing is cached."""
    return (cache.folder() or Path(tempfile.gettempdir()) / "probekit") / "crashes"


def crash_of(path: Path, status: int, printed: str, job: str) -> InputError:
    """The error of a process that ended without an answer; a log of it is kept.

    Parameters
    ----------
    path : Path
        The model.
    status : int
        As `subprocess` gives it: negative for a signal.
    printed : str
        What the process printed on standard error, the stack of its calls with it.
    job : str
        What it was to do.
    """
    name = _name(status)
    how = f"ended by {name} ({_WORDS[name]})" if name in _WORDS else f"ended with {name}"
    kept = _keep(path, how, printed, job)
    outside = name in _FROM_OUTSIDE
    todo = "Run the command again" if outside else "The file is probably damaged: export it again, or in another format"
    log = "" if kept is None else f" The log of the crash: {kept}."
    keeping = "" if outside or kept is None else " If that crashes, too, keep both for whoever mends it."
    return InputError(
        "what reads the model crashed on this file",
        file=path,
        found=how,
        expected="a whole model",
        todo=f"{todo}.{log}{keeping}",
    )


def _name(status: int) -> str:
    """The signal, or the status as the system counts it."""
    if status < 0:
        with suppress(ValueError):
            return signal.Signals(-status).name
    return f"status 0x{status:X}" if status >= 0xC0000000 else f"status {status}"  # the first: a fault of Windows


def _keep(path: Path, how: str, printed: str, job: str) -> Path | None:
    """Write the log; None if that cannot be, which must not hide the crash."""
    from .. import __version__

    try:
        checksum = hashlib.sha256(path.read_bytes()).hexdigest()
        size = path.stat().st_size
    except OSError:
        checksum, size = "unknown", 0
    lines = [
        f"time: {time.strftime('%Y-%m-%d %H:%M:%S')}",
        f"file: {path.absolute()}",
        f"size: {size} bytes",
        f"sha256: {checksum}",
        f"job: {job}",
        f"end: {how}",
        f"probekit {__version__}, Python {platform.python_version()}, {platform.platform()}",
        "",
        printed[-_LONGEST:] or "The process printed nothing.",
    ]
    try:
        place = make_folder(logs())
        for old in sorted(place.glob("crash_*.txt"), key=lambda one: one.stat().st_mtime)[: 1 - _MOST]:
            old.unlink()
        log = place / f"crash_{checksum[:12]}.txt"
        store(log, "\n".join(lines).encode("utf-8", "replace"))
    except (InputError, OSError):
        return None
    return log
