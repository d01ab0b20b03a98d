"""Folders, and files written so that a reader never sees half of one; sets of files are in `probekit.published`."""

from __future__ import annotations

import os
import re
import secrets
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from .errors import InputError

__all__ = ["alone", "file_name", "make_folder", "refuse_overwriting", "store"]

_LONGEST = 120  # characters of a name; file systems take 255 bytes, and a person reads fewer
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)  # never files on Windows


def make_folder(path: str | Path) -> Path:
    """The folder, made with those above it if need be.

    Raises
    ------
    InputError
        If it cannot be made.
    """
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise InputError(
            f"the folder cannot be made ({getattr(error, 'strerror', None) or error})", file=path
        ) from None
    return Path(path)


def store(path: str | Path, data: bytes | Iterable[bytes | memoryview]) -> None:
    """Write `data`, in one or in parts, to `path`: a temporary file beside it, then one rename, so never half a file.

    Raises
    ------
    InputError
        If the folder does not exist or cannot be written to; what stood at `path` is then still there.
    """
    path = Path(path)
    temporary = path.with_name(f".{secrets.token_hex(6)}.part")
    try:
        try:
            with temporary.open("xb") as stream:
                stream.writelines([data] if isinstance(data, bytes) else data)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, path)
        except BaseException:
            _discard(temporary)
            raise
    except (OSError, ValueError) as error:
        raise InputError(
            f"the file cannot be written ({getattr(error, 'strerror', None) or error})", file=path
        ) from None


@contextmanager
def alone(path: Path, what: str, *, wait: float = 0.0) -> Iterator[None]:
    """Hold a lock while something is done that no other process may do at the same time.

    The lock is one of SQLite on an empty file: every system has it, and it goes with the process that holds it, however
    that ends, so that none is ever left over. Where a file cannot be locked, as on some drives of a network, or cannot
    be made, nothing is held.

    Parameters
    ----------
    path : Path
        The file, in a folder that exists; it is taken away at the end.
    what : str
        What the other process does, for the message.
    wait : float
        How long to wait for it [s].

    Raises
    ------
    InputError
        If another process holds it for longer.
    """
    import sqlite3

    base, until = None, time.monotonic() + wait
    while base is None:
        base = sqlite3.connect(path, timeout=0.0, isolation_level=None)
        try:
            base.execute("PRAGMA journal_mode = MEMORY")  # no second file beside it
            base.execute("BEGIN EXCLUSIVE")
            if path.exists():
                break
        except sqlite3.Error as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                break  # it cannot be locked here
            if time.monotonic() > until:
                base.close()
                raise InputError(
                    f"another process {what} here at this moment",
                    file=path.parent,
                    todo="Wait until it has ended, or choose another folder with --to.",
                ) from None
            time.sleep(0.05)
        base.close()  # held by another, or taken away by whoever held it before
        base = None
    try:
        yield
    finally:
        gone = _discard(path)
        base.close()
        if not gone:  # on Windows what is open cannot be taken away
            _discard(path)


def file_name(name: str, suffix: str = "") -> str:
    """`name` and `suffix` as the name of one file in a folder, on every system.

    Parameters
    ----------
    name : str
        Letters, digits, dot, hyphen and underscore stay; each run of others becomes one underscore.
    suffix : str
        Such as ".nc"; letters, digits, hyphen and underscore after one dot, or nothing.

    Raises
    ------
    InputError
        If the name is empty, begins or ends with a dot, is too long or that of a device of Windows, or the suffix is
        not of that form.
    """
    if suffix and not re.fullmatch(r"\.[\w-]{1,16}", suffix):
        raise InputError(
            "the suffix of a file is not usable",
            column="suffix",
            found=suffix,
            expected='a dot and letters, like ".nc"',
        )
    safe = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", name))
    whole = safe + suffix
    expected = ""
    if not re.search(r"\w", safe.replace("_", "")):
        expected = "at least one letter or digit"
    elif safe.startswith(".") or whole.endswith("."):
        expected = "no dot at its beginning or end"
    elif len(whole) > _LONGEST or len(whole.encode()) > 255:
        expected = f"at most {_LONGEST} characters"
    elif _DEVICES.fullmatch(whole):
        expected = "a name that is not a device name on Windows"
    if expected:
        raise InputError("this cannot be a file name", column="name", found=name, expected=expected)
    return whole


def refuse_overwriting(outputs: Iterable[Path], inputs: Mapping[str, Path]) -> None:
    """Raise if a file that is to be written is one that is read, or another that is to be written.

    Links are followed; names that differ in letter case or in the spelling of accents alone count as one, as some file
    systems have it.

    Parameters
    ----------
    outputs : iterable of Path
        Files to be written, whether they exist or not.
    inputs : mapping of str to Path
        What names the input -> its file.

    Raises
    ------
    InputError
    """
    read = {_place(path): (what, path) for what, path in inputs.items()}
    written: dict[str, Path] = {}
    for path in outputs:
        place = _place(path)
        what = read.get(place) or next((one for one in read.values() if _same(path, one[1])), None)
        if what is not None:
            raise InputError(
                f"this file is to be written, but it is also read ({what[0]}), and would be lost",
                file=path,
                todo="Choose another folder with --to, or another name in the study; nothing was written.",
            )
        if place in written:
            raise InputError(
                "two files of this run would have the same name",
                file=path,
                found=written[place].name,
                todo="Choose another name or suffix in [program]; nothing was written.",
            )
        written[place] = path


def _place(path: Path) -> str:
    return unicodedata.normalize("NFC", os.path.realpath(path)).casefold()


def _same(one: Path, other: Path) -> bool:
    """Whether two paths lead to one file that exists, by whatever link."""
    try:
        return os.path.samefile(one, other)
    except (OSError, ValueError):
        return False


def _discard(path: Path) -> bool:
    """Take a temporary file away; that this cannot be done must not hide why it was to be taken away."""
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return False
    return True
