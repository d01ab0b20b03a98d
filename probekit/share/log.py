"""The log of a shared folder: one SQLite file, entries only ever added, each hashed with the one before."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ..chain import linked
from ..errors import InputError, ProbekitError
from ..show import shown

__all__ = ["LOG_NAME", "BusyError", "Entry", "Log", "TamperedError", "now", "verify"]

LOG_NAME = "answers.sqlite"

_WAIT = 2.0  # seconds for another program that writes; then the one who asks is told to come again

_TABLE = """
CREATE TABLE IF NOT EXISTS log (n INTEGER PRIMARY KEY, text TEXT NOT NULL, hash TEXT NOT NULL);
CREATE TRIGGER IF NOT EXISTS no_update BEFORE UPDATE ON log BEGIN SELECT raise(ABORT, 'append only'); END;
CREATE TRIGGER IF NOT EXISTS no_delete BEFORE DELETE ON log BEGIN SELECT raise(ABORT, 'append only'); END;
CREATE TRIGGER IF NOT EXISTS in_order BEFORE INSERT ON log
    WHEN new.n != (SELECT coalesce(max(n), 0) + 1 FROM log) BEGIN SELECT raise(ABORT, 'append only'); END;
"""


class BusyError(ProbekitError, RuntimeError):
    """Another program holds the log: nothing was written."""


class TamperedError(ProbekitError, RuntimeError):
    """The log is not what it was: an entry was changed, taken away or put between."""


@shown
@dataclass(frozen=True)
class Entry:
    """One entry of the log.

    Attributes
    ----------
    number : int
        From 1 on.
    kind : str
        "link", "revoked" or "answer".
    at : str
        When it was written, in UTC, by the clock of the machine that serves.
    body : mapping
        What it says.
    hash : str
        Of this entry and, through the one before, of all before it.
    """

    number: int
    kind: str
    at: str
    body: Mapping[str, Any]
    hash: str

    @property
    def sentence(self) -> str:
        """Number, kind, time."""
        return f"entry {self.number}: {self.kind}, {self.at}, {self.hash[:8]}"


def now() -> str:
    """The time as the log writes it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Log:
    """The log, open for adding; used by one thread at a time.

    Parameters
    ----------
    path : str or Path
        The file; made if need be.
    heard : callable, optional
        Told each entry once, in order: those that are there, those added, those that another program added.

    Raises
    ------
    InputError
        If the file cannot be opened or is no log.
    BusyError
        If another program holds it for two seconds.
    TamperedError
        If an entry does not follow from the one before.
    """

    def __init__(self, path: str | Path, heard: Callable[[Entry], None] = lambda _: None) -> None:
        self.path, self._heard = Path(path), heard
        self.number, self.hash = 0, ""
        try:
            self._base = sqlite3.connect(self.path, timeout=_WAIT, isolation_level=None, check_same_thread=False)
            self._base.execute("PRAGMA synchronous = FULL")
            self._base.executescript(_TABLE)
        except sqlite3.Error as error:
            raise _told(error, path) from None
        self.refresh()

    def append(self, kind: str, body: Mapping[str, Any]) -> Entry:
        """Add an entry; it is on the disk once this returns.

        Parameters
        ----------
        kind : str
            What it is.
        body : mapping
            Plain data.
        """
        text = json.dumps({"kind": kind, "at": now(), **body}, sort_keys=True, separators=(",", ":"))
        try:
            self._base.execute("BEGIN IMMEDIATE")
            try:
                self._follow()
                number, hash_ = self.number + 1, linked(self.number + 1, self.hash, text)
                self._base.execute("INSERT INTO log VALUES (?, ?, ?)", (number, text, hash_))
                self._base.execute("COMMIT")
            except BaseException:
                self._base.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise _told(error, self.path) from None
        return self._take(number, text, hash_)

    def refresh(self) -> None:
        """Hear what another program added, and find whether what was heard is still there."""
        try:
            self._base.execute("BEGIN")
            try:
                self._follow()
            finally:
                self._base.execute("COMMIT")
        except sqlite3.Error as error:
            raise _told(error, self.path) from None

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def _follow(self) -> None:
        rows = self._base.execute("SELECT n, text, hash FROM log WHERE n >= ? ORDER BY n", (self.number,)).fetchall()
        if self.number:
            if not rows or rows[0][0] != self.number or rows[0][2] != self.hash:
                raise TamperedError(f"{self.path}: entry {self.number} is not what it was, or is gone")
            rows = rows[1:]
        for number, text, hash_ in rows:
            if number != self.number + 1 or hash_ != _hash(number, self.hash, text):
                raise TamperedError(f"{self.path}: entry {number} does not follow from entry {self.number}")
            self._take(number, text, hash_)

    def _take(self, number: int, text: str, hash_: str) -> Entry:
        try:
            body = json.loads(text)
            entry = Entry(number, body.pop("kind"), body.pop("at"), body, hash_)
        except (ValueError, KeyError, AttributeError, RecursionError):
            raise TamperedError(f"{self.path}: entry {number} says nothing that can be read") from None
        self.number, self.hash = number, hash_
        self._heard(entry)
        return entry


def verify(path: str | Path, receipts: Mapping[int, str] | None = None) -> Entry | None:
    """Check the whole log, and that it holds what was once acknowledged.

    Parameters
    ----------
    path : str or Path
        The log.
    receipts : mapping of int to str, optional
        Number of an entry -> the first characters of its hash, as whoever answered was shown them. Only they tell that
        entries were taken away at the end, or that the whole log was written anew.

    Returns
    -------
    Entry or None
        The last one.

    Raises
    ------
    TamperedError
        If an entry was changed, taken away or put between, or a receipt does not fit.
    InputError
        If there is no such log.
    """
    if not Path(path).is_file():
        raise InputError("there is no log", file=path)
    entries: dict[int, Entry] = {}
    last: list[Entry] = []

    def heard(entry: Entry) -> None:
        last[:] = [entry]
        if receipts and entry.number in receipts:
            entries[entry.number] = entry

    Log(path, heard).close()
    for number, start in (receipts or {}).items():
        if len(start) < 8 or number not in entries or not entries[number].hash.startswith(start):
            raise TamperedError(f"{path}: entry {number} is not the one that was acknowledged as {start}")
    return last[0] if last else None


def _hash(number: int, previous: str, text: str) -> str:
    return linked(number, previous, text) if text.isascii() else "no hash: the log is ASCII"


def _told(error: sqlite3.Error, path: str | Path) -> ProbekitError:
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return BusyError(f"{path}: another program holds the log; nothing was written")
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_CONSTRAINT")):
        return TamperedError(f"{path}: this is no log, or it is damaged ({error})")
    return InputError(f"the log cannot be used ({error})", file=path)
