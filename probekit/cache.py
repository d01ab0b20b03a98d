"""Files that spare work done before: in the user's cache folder, named by what they were made of, with a checksum.

A file is a line that names the format, a line of JSON that says what it is for, the content, and the SHA-256 of all
that. Nothing in it is executed. Whatever is not as it was written is treated as not there, and so is a folder that
cannot be read; a file can be deleted at any time.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import time
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from .errors import InputError
from .files import make_folder, store

__all__ = ["MOST", "Kept", "clear", "contents", "fetch", "folder", "keep", "name_of", "source_of"]

#: Bytes in the folder beyond which the files that were not used for longest are deleted.
MOST = 1_000_000_000

_MARK = b"probekit cache 1\n"
_SUFFIX = ".kept"
_OURS = re.compile(r"[0-9a-f]{64}\.kept")
_HALF = re.compile(r"\.[0-9a-f]{12}\.part")  # of a writer at work, or of one that was ended
_ABANDONED = 3600.0  # age of such a file [s]
_CHECK = hashlib.sha256().digest_size
_ALIGNED = 64  # the content begins at a multiple of this


@dataclass(frozen=True)
class Kept:
    """A file of the folder: path, size [bytes], time of last use [s], what it is for (empty if that is unreadable)."""

    path: Path
    size: int
    used: float
    label: str


def folder() -> Path | None:
    """The folder of the user's cache, or the one that the environment variable PROBEKIT_CACHE names.

    None if that is "off" or empty, so that nothing is kept, and for a user without a home.
    """
    named = os.environ.get("PROBEKIT_CACHE")
    if named is None:
        import platformdirs

        named = platformdirs.user_cache_dir("probekit", appauthor=False)
    place = os.path.expanduser(named.strip())
    return None if place in ("", "off") or place.startswith("~") else Path(place)


def name_of(*made_of: object) -> str:
    """The name of a file: the SHA-256 of the `repr` of what its content was made of."""
    return hashlib.sha256(repr(made_of).encode("utf-8", "surrogatepass")).hexdigest()


@lru_cache
def source_of(*places: Path) -> str:
    """SHA-256 of the modules at some places, as far as their source is there: it changes before the version does.

    Parameters
    ----------
    *places : Path
        Modules, and rooms with all that is below them.
    """
    found = hashlib.sha256()
    for place in places:
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            if path.is_file():
                found.update(path.relative_to(place.parent).as_posix().encode() + b"\n" + path.read_bytes())
    return found.hexdigest()


def fetch(name: str, place: Path) -> memoryview | None:
    """The content that was kept under a name; None if there is none, or not as it was written."""
    path = place / (name + _SUFFIX)
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > MOST:
            return None
        data = path.read_bytes()
    except (OSError, ValueError):
        return None
    whole = memoryview(data)
    begins = _begin(data)
    if not begins or len(data) < begins + _CHECK or hashlib.sha256(whole[:-_CHECK]).digest() != data[-_CHECK:]:
        return None
    try:
        os.utime(path)  # used now: `keep` deletes what was not used for longest
    except OSError:
        pass  # the folder may be somebody else's, to be read only
    return whole[begins:-_CHECK]


def keep(name: str, label: str, parts: Iterable[bytes | memoryview], place: Path) -> str:
    """Write content, in parts, under a name; nothing is ever seen half written, whoever else writes.

    Returns
    -------
    str
        Empty, or why it could not be written. That is no error: the work has to be done again.
    """
    head = _MARK + json.dumps({"for": label[:200]}).encode()
    parts = [head + b" " * (-(len(head) + 1) % _ALIGNED) + b"\n", *parts]
    if sum(len(part) for part in parts) > MOST - _CHECK:
        return "it is too large"
    check = hashlib.sha256()
    for part in parts:
        check.update(part)
    try:
        make_folder(place)
        store(place / (name + _SUFFIX), [*parts, check.digest()])
    except InputError as error:
        return str(error)
    _make_room(place)
    return ""


def contents(place: Path) -> list[Kept]:
    """What is in the folder, the last used first; whatever else lies there is not ours."""
    found = []
    for path, about in _files(place, _OURS):
        try:
            with path.open("rb") as stream:
                start = stream.read(4096)
            label = json.loads(start[len(_MARK) : _begin(start)])["for"] if _begin(start) else ""
        except (OSError, ValueError, LookupError, TypeError, RecursionError):
            label = ""
        found.append(Kept(path, about.st_size, about.st_mtime, str(label)))
    return sorted(found, key=lambda one: (-one.used, one.path))


def clear(place: Path) -> int:
    """Delete what is in the folder, but nothing that is not ours; returns how many files could be deleted."""
    halves = [path for path, _ in _files(place, _HALF)]
    kept = [path for path, _ in _files(place, _OURS)]
    for path in halves:
        _delete(path)
    return sum(_delete(path) for path in kept)


def _begin(data: bytes) -> int:
    """Where the content of a file begins; 0 if this is not one of ours."""
    if not data.startswith(_MARK):
        return 0
    return data.find(b"\n", len(_MARK), 4096) + 1


def _files(place: Path, pattern: re.Pattern[str]) -> list[tuple[Path, os.stat_result]]:
    """Regular files of the folder whose names match, with what the system says of them."""
    found = []
    try:
        names = [name for name in os.listdir(place) if pattern.fullmatch(name)]
    except (OSError, ValueError):
        return []
    for name in names:
        try:
            about = (place / name).lstat()
        except OSError:
            continue  # another process has deleted it
        if stat.S_ISREG(about.st_mode):
            found.append((place / name, about))
    return found


def _make_room(place: Path) -> None:
    """Delete what was not used for longest, down to `MOST`, and what writers that were ended have left."""
    for path, about in _files(place, _HALF):
        if time.time() - about.st_mtime > _ABANDONED:
            _delete(path)
    kept = sorted(_files(place, _OURS), key=lambda pair: pair[1].st_mtime)
    total = sum(about.st_size for _, about in kept)
    for path, about in kept[:-1]:
        if total > MOST:
            total -= about.st_size * _delete(path)


def _delete(path: Path) -> bool:
    try:
        path.unlink()
    except OSError:  # open elsewhere on Windows, or gone already
        return False
    return True
