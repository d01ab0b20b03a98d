"""A folder that is watched: results files that arrive are inspected, archived, and their pages written.

Nothing of the file system but names, sizes, times and contents is used, so it works on network drives and on Windows.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import InputError
from ..files import file_name, make_folder
from ..show import shown
from .jobs import Job, inspect_job, made_of
from .showing import history_page
from .store import Archive
from .telling import history

__all__ = ["Arrival", "watch"]

_UNFINISHED = (".part", ".tmp", ".temp", ".crdownload", ".filepart", "~")


@shown
@dataclass(frozen=True)
class Arrival:
    """What became of a file.

    Attributes
    ----------
    file : Path
    word : str
        That of its part; "refused", "again" (its content was inspected before), or "waiting" (it cannot be read yet).
    said : str
        More of it, in one line.
    record : int
        Number in the archive; 0 without one.
    """

    file: Path
    word: str
    said: str
    record: int = 0

    @property
    def sentence(self) -> str:
        """File, word and what is said, in one line."""
        return f"{self.file.name}: {self.word}" + (f"; {self.said}" if self.said else "")


@dataclass
class _Waiting:
    """A file that is not settled: size and time of change, since when, and what was tried."""

    mark: tuple[int, int]
    since: float
    tried: bool = False
    told: bool = False


def watch(
    folder: str | Path,
    study: str | Path,
    *,
    archive: Archive | str | Path,
    to: str | Path | None = None,
    pattern: str = "*.csv",
    every: float = 2.0,
    settle: float = 4.0,
    patience: float = 120.0,
    once: bool = False,
    sleep: Callable[[float], object] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[Arrival]:
    """Inspect the results files of a folder as they arrive; goes on until it is interrupted.

    Many parameters: how long a file takes to be written differs between machines and networks; the clock is for tests.

    Parameters
    ----------
    folder : path
        Where results files arrive.
    study : path
        The study that judges them.
    archive : Archive or path
        Every part is appended to it; what is there already is not inspected again, so it can be ended at any time.
    to : path, optional
        Folder in which each part gets a folder with its page and tables, and ``history.html`` that of all parts.
    pattern : str
        Names of results files; hidden and temporary ones are passed over.
    every : float
        Seconds between two looks.
    settle : float
        Seconds for which a file must not have changed before it is read.
    patience : float
        Seconds after which a file that is cut short, or held open by another program, is told.
    once : bool
        End when everything that is there has been done.
    sleep, clock : callable
        Of the module `time`.

    Yields
    ------
    Arrival

    Raises
    ------
    InputError
        If the folder is not there, or the archive cannot be used.
    """
    place, kept = Path(folder), Archive(Path(archive)) if isinstance(archive, str | Path) else archive
    if not place.is_dir():
        raise InputError("the folder to watch is not there", file=place)
    waiting: dict[str, _Waiting] = {}
    done: dict[str, tuple[int, int]] = {}
    seen: dict[str, str] = {}
    while True:
        new = False
        for path in _settled(place, pattern, waiting, done, settle, clock):
            state = waiting[path.name]
            late = clock() - state.since >= patience
            if state.tried and not late:
                continue
            arrival = _judged(path, Path(study), kept, to, seen, late)
            if arrival is None:
                state.tried = True
                continue
            if arrival.word == "waiting":
                if not state.told and late:
                    state.told = True
                    yield arrival
                continue
            done[path.name] = waiting.pop(path.name).mark
            new = new or arrival.word != "again"
            yield arrival
        if new and to is not None:
            yield from _told(kept, Path(to))
        if once and not waiting:
            return
        sleep(every)


def _settled(
    place: Path,
    pattern: str,
    waiting: dict[str, _Waiting],
    done: dict[str, tuple[int, int]],
    settle: float,
    clock: Callable[[], float],
) -> Iterator[Path]:
    """Files that have not changed for long enough, in the order of their names."""
    there = set()
    for path in sorted(place.glob(pattern)):
        name = path.name
        if name.startswith(".") or name.lower().endswith(_UNFINISHED):
            continue
        try:
            about = path.stat()
            if not path.is_file():
                continue
        except OSError:
            continue  # renamed or deleted while we looked
        there.add(name)
        mark = (about.st_size, about.st_mtime_ns)
        if done.get(name) == mark:
            continue
        if name not in waiting or waiting[name].mark != mark:
            waiting[name] = _Waiting(mark, clock())
        if clock() - waiting[name].since >= settle:
            yield path
    for name in set(waiting) - there:
        del waiting[name]


def _judged(
    path: Path, study: Path, kept: Archive, to: str | Path | None, seen: dict[str, str], late: bool
) -> Arrival | None:
    """What became of a settled file; None if it may not be whole yet."""
    try:
        checksum = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        return Arrival(
            path, "waiting", f"it cannot be read ({error.strerror or error}): is it open in another program?"
        )
    if checksum in seen and seen[checksum] != path.name:
        return Arrival(path, "again", f"the same content as {seen[checksum]}")
    job = Job(study, path, None if to is None else Path(to) / _folder(path))
    try:
        number = kept.made_of(made_of(job.loaded()))
    except InputError:
        number = 0  # the study cannot be used: the record says so
    if number:
        seen[checksum] = path.name
        return Arrival(path, "again", f"inspected before, record {number}: {kept.body(number)['word']}", number)
    record = inspect_job(job)
    word, refusal = str(record.body["word"]), str(record.body.get("error", ""))
    if refusal and not late:
        return None
    seen[checksum] = path.name
    appended = kept.append(record)
    said = refusal or f"part {record.body['key']}, {appended.sentence}"
    return Arrival(path, word, said, appended.number)


def _folder(path: Path) -> str:
    try:
        return file_name(path.stem)
    except InputError:
        return hashlib.sha256(path.name.encode()).hexdigest()[:12]


def _told(kept: Archive, to: Path) -> Iterator[Arrival]:
    page = make_folder(to) / "history.html"
    try:
        history_page(history(kept), page)
    except InputError as error:
        yield Arrival(page, "refused", str(error))
