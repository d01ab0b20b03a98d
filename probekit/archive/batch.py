"""Many parts at once, over whatever executor there is: processes here, a cluster when they are outgrown."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import pandas as pd

from ..errors import InputError
from ..show import shown
from .jobs import Job, inspect_job, jobs_of, made_of
from .record import Record, refused_record
from .store import Archive

__all__ = ["Batch", "inspect_many"]

_IN_FLIGHT = 64  # parts given to the executor at a time, so that memory does not grow with their number


@shown
@dataclass(frozen=True, eq=False)
class Batch:
    """What became of many parts.

    Attributes
    ----------
    table : DataFrame
        One row per part, in the order given: `study, touches` (files), `key`, `word` ("refused" where it could not be
        judged), `record` (its number in the archive, 0 without one), `new` (False where it was there before), `error`.
    notes : tuple of str
    """

    table: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many parts, and their words, in one line."""
        counts = self.table["word"].value_counts()
        said = ", ".join(f"{n} {word}" for word, n in counts.items())
        before = int((~self.table["new"]).sum())
        return f"{len(self.table)} parts: {said}" + (f"; {before} were in the archive before" if before else "")


def inspect_many(
    wanted: str | Path | Iterable[str | Path],
    *,
    touches: str | Path | Iterable[str | Path] | None = None,
    executor: Executor | None = None,
    archive: Archive | str | Path | None = None,
    to: str | Path | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Batch:
    """Inspect many parts; the result is the same whatever executor does it, in whatever order.

    Parameters
    ----------
    wanted : path or iterable of paths
        A study file, several, or a folder with study files in it and below it.
    touches : path or iterable of paths, optional
        Results files of the one study, or a folder of them (``*.csv``).
    executor : Executor, optional
        Of `concurrent.futures`: processes here, or ``Client.get_executor()`` of a cluster whose machines see the same
        files under the same names. In this process, one part after the other, by default.
    archive : Archive or path, optional
        Every part is appended to it, in the order given. A part that is there already, made of the same files, is not
        inspected again: so a batch that was ended goes on where it was.
    to : path, optional
        Folder in which each part gets a folder with its page and tables.
    progress : callable, optional
        Told the part that was done, and the share of the batch done so far (0 to 1).

    Returns
    -------
    Batch

    Raises
    ------
    InputError
        If there is nothing to inspect, or the archive cannot be used. A part that cannot be judged is a row with its
        error, and a record.

    Notes
    -----
    If a worker dies (a fault in the CAD kernel can end a process), the parts that it took down are inspected again one
    at a time in a process of their own, and so are those still to come; the one that kills it again is a row.
    """
    jobs = jobs_of(wanted, touches, to)
    kept = Archive(Path(archive)) if isinstance(archive, str | Path) else archive
    rows: list[tuple[object, ...]] = []
    runner = _Runner(executor)
    waiting: deque[tuple[Job, Future[Record] | Record | None, int]] = deque()
    left = deque(jobs)
    try:
        while left or waiting:
            while left and len(waiting) < (_IN_FLIGHT if executor is not None else 1):
                job = left.popleft()
                number = 0 if kept is None else kept.made_of(_made_of(job))
                waiting.append((job, None if number else runner.submit(job), number))
            job, future, number = waiting.popleft()
            rows.append(_row(job, *_finished(job, future, number, runner, kept)))
            if progress is not None:
                progress(f"{rows[-1][2]}: {rows[-1][3]}", len(rows) / len(jobs))
    finally:
        runner.close([future for _, future, _ in waiting])
    names = ["study", "touches", "key", "word", "record", "new", "error"]
    return Batch(pd.DataFrame(rows, columns=names), tuple(runner.notes))


class _Runner:
    """Gives jobs to the executor; once that is broken, to one process of its own at a time."""

    def __init__(self, executor: Executor | None) -> None:
        self.executor = executor
        self.notes: list[str] = []
        self._own: ProcessPoolExecutor | None = None

    def submit(self, job: Job) -> Future[Record] | Record | None:
        if self.executor is None:
            return inspect_job(job)
        if self.notes:
            return None
        try:
            return self.executor.submit(inspect_job, job)
        except BrokenExecutor:
            return None

    def result(self, job: Job, future: Future[Record] | Record | None) -> Record:
        if isinstance(future, Record):
            return future
        if future is not None:
            try:
                return future.result()
            except BrokenExecutor as error:
                if not self.notes:
                    self.notes.append(f"a worker died ({error}): the rest was inspected one part at a time")
            except Exception as error:  # of the executor itself: the part's own errors are in its record
                return refused_record(job.study.name, job.touches or job.study, error)
        return self.alone(job)

    def alone(self, job: Job) -> Record:
        if self._own is None:
            self._own = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
        try:
            return self._own.submit(inspect_job, job).result()
        except BrokenExecutor:
            self._own = None
            died = InputError(
                "the process that inspected this part died",
                file=job.touches or job.study,
                todo="Inspect it by itself to see more: its model or results make a library fail.",
            )
            return refused_record(job.study.name, job.touches or job.study, died)

    def close(self, waiting: list[Future[Record] | Record | None]) -> None:
        for future in waiting:
            if future is not None and not isinstance(future, Record):
                future.cancel()
        if self._own is not None:
            self._own.shutdown()


def _finished(
    job: Job, future: Future[Record] | Record | None, number: int, runner: _Runner, kept: Archive | None
) -> tuple[dict[str, object], int, bool]:
    """Body, number in the archive, and whether it is new."""
    if number and kept is not None:
        return kept.body(number), number, False
    record = runner.result(job, future)
    if kept is None:
        return record.body, 0, True
    appended = kept.append(record)
    return record.body, appended.number, appended.new


def _row(job: Job, body: dict[str, object], number: int, new: bool) -> tuple[object, ...]:
    touches = "" if job.touches is None else str(job.touches)
    return (str(job.study), touches, body["key"], body["word"], number, new, body.get("error", ""))


def _made_of(job: Job) -> str:
    try:
        return made_of(job.loaded())
    except (InputError, OSError, ValueError):
        return ""
