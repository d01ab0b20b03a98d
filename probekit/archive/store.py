"""The store: a folder with one SQLite file of records, a list of what was written, and touches packed as Parquet.

An append is one transaction, so a kill at any moment leaves the record whole or not there. Each record is hashed with
the hash of the one before. Touches lie in the transaction too, and are moved into Parquet files by the thousand parts.
Columns of SQLite beside the body are an index for queries: they can be made anew from the bodies.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from ..chain import linked
from ..errors import InputError
from ..files import make_folder, store
from ..show import shown
from . import bulk, ledger
from .indexing import INDEXED, INDEXES, TABLES, enter
from .record import Record, answer_record, text_of

__all__ = ["PACKED", "TABLE_NAMES", "Appended", "Archive", "connected", "linked", "same_of"]

#: Of the layout of the store; `PRAGMA user_version`.
LAYOUT = 2

#: Parts after which touches are packed.
PACKED = 1000

#: Tables beside the records.
TABLE_NAMES = ("touches", *INDEXED)

_WAIT = 120.0  # seconds for another writer
_SAME_BUT = ("at", "replaces")  # what may differ between two records of one inspection


@shown
@dataclass(frozen=True)
class Appended:
    """What became of a record that was given to an archive.

    Attributes
    ----------
    number : int
        Its place, from 1 on.
    hash : str
    new : bool
        False if the same inspection was there already: nothing was appended.
    replaces : int or None
        Number of the earlier record of the same part in the same revision, which stays and is shown.
    """

    number: int
    hash: str
    new: bool = True
    replaces: int | None = None

    @property
    def sentence(self) -> str:
        """Number and what it means, in one line."""
        if not self.new:
            return f"this inspection is in the archive already, as record {self.number}"
        before = "" if self.replaces is None else f"; it supersedes record {self.replaces} of the same part"
        return f"record {self.number}{before}"


@shown
@dataclass(frozen=True)
class Archive:
    """An archive of inspected parts in a folder, which is made when the first is appended.

    Attributes
    ----------
    folder : Path
    """

    folder: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "folder", Path(self.folder))

    @property
    def file(self) -> Path:
        """The SQLite file."""
        return self.folder / "records.sqlite"

    @property
    def list(self) -> Path:
        """The list of what was written."""
        return self.folder / "written.txt"

    @property
    def packs(self) -> Path:
        """Folder of the Parquet files."""
        return self.folder / "touches"

    @property
    def sentence(self) -> str:
        """How many records, in one line."""
        return f"{len(self)} records in {self.folder}" if self.file.is_file() else f"no archive in {self.folder} yet"

    def __len__(self) -> int:
        if not self.file.is_file():
            return 0
        with connected(self, layout=None) as base:
            made = base.execute("SELECT count(*) FROM sqlite_master WHERE name = 'record'").fetchone()[0]
            return int(base.execute("SELECT count(*) FROM record").fetchone()[0]) if made else 0

    def append(self, record: Record) -> Appended:
        """Append a record; it is there, whole and for good, once this returns.

        Parameters
        ----------
        record : Record
            Of `probekit.archive.record.record_of`.

        Returns
        -------
        Appended

        Raises
        ------
        InputError
            If the folder cannot be written to, the disk is full, another program holds the archive for two minutes, or
            the archive is of another layout.
        """
        make_folder(self.folder)
        data = bulk.bytes_of(record.touches) if len(record.touches) else None
        same = same_of(record.body)
        with connected(self, write=True) as base:
            twin = base.execute("SELECT n, hash FROM part WHERE same = ?", (same,)).fetchone()
            if twin is not None:
                return Appended(twin[0], twin[1], new=False)
            number, previous = _last(base)
            number += 1
            replaces = _earlier(base, record.body)
            body = record.body | {"replaces": None if replaces is None else replaces[1]}
            text = text_of(body)
            checksum = linked(number, previous, text)
            values = (number, checksum, previous, zlib.compress(text.encode("ascii"), 6))
            base.execute("INSERT INTO record VALUES (?, ?, ?, ?)", values)
            base.execute("INSERT INTO touches VALUES (?, ?, NULL)", (number, data))
            enter(base, number, checksum, same, body)
            ledger.note(self.list, number, checksum, str(body["key"]))
        with connected(self, write=True):
            ledger.note(self.list, number, checksum)
        if number % PACKED == 0:
            self.pack()
        return Appended(number, checksum, replaces=None if replaces is None else replaces[0])

    def answer(self, number: int, text: str, *, by: str, at: str = "") -> Appended:
        """Append what a person decided on a record; the record itself stays as it is.

        Parameters
        ----------
        number : int
            Of the record.
        text, by : str
            What was decided, and who decided it; neither may be empty.
        at : str
            When (ISO 8601, UTC); now by default.

        Raises
        ------
        InputError
            If there is no such record, or text or name are empty.
        """
        if not text.strip() or not by.strip():
            raise InputError("an answer needs a text and the name of who gives it", found=f"{text!r} by {by!r}")
        return self.append(answer_record(self.hash_of(number), self.body(number)["key"], text, by=by, at=at))

    def body(self, number: int) -> dict[str, Any]:
        """The body of a record.

        Raises
        ------
        InputError
            If there is no such record, or it cannot be read.
        """
        with connected(self) as base:
            row = base.execute("SELECT body FROM record WHERE n = ?", (number,)).fetchone()
        if row is None:
            raise InputError("the archive has no such record", file=self.file, found=number)
        try:
            return dict(json.loads(zlib.decompress(row[0])))
        except (zlib.error, ValueError):
            raise InputError(
                "the record cannot be read", file=self.file, found=number, todo="Run: probekit history FOLDER --verify"
            ) from None

    def made_of(self, inputs: str) -> int:
        """Number of the record that was made of these files (`jobs.made_of`); 0 if there is none."""
        if not inputs or not len(self):
            return 0
        with connected(self) as base:
            row = base.execute("SELECT n FROM part WHERE inputs = ? ORDER BY n DESC", (inputs,)).fetchone()
        return 0 if row is None else int(row[0])

    def hash_of(self, number: int) -> str:
        """The hash of a record; of the last one, that of everything up to it: keep it elsewhere, signed.

        Raises
        ------
        InputError
            If there is no such record.
        """
        with connected(self) as base:
            row = base.execute("SELECT hash FROM record WHERE n = ?", (number,)).fetchone()
        if row is None:
            raise InputError("the archive has no such record", file=self.file, found=number)
        return str(row[0])

    def touches(self, number: int) -> pd.DataFrame:
        """The judged touches of a record, as they were archived (`bulk.tidied`).

        Raises
        ------
        InputError
            If they are not there, or cannot be read.
        """
        said = self.body(number).get("touches", {"rows": 0, "columns": {}})
        found = next(iter(self.touches_of([number], list(said["columns"]))), None)
        if found is not None:
            return found[1][list(said["columns"])]
        if said["rows"]:
            raise InputError(f"the touches of record {number} are not there", file=self.file)
        return pd.DataFrame()

    def touches_of(
        self, numbers: Sequence[int], columns: Sequence[str] | None = None
    ) -> Iterator[tuple[int, pd.DataFrame]]:
        """Number and touches of each of several records that has any, in their order.

        Parameters
        ----------
        numbers : sequence of int
        columns : sequence of str, optional
            Those that are needed; a table that lacks one of them comes without it.

        Raises
        ------
        InputError
            If they cannot be read.
        """
        wanted = sorted({int(one) for one in numbers})
        if not wanted:
            return
        with connected(self) as base:
            query = "SELECT n, data, pack FROM touches WHERE n BETWEEN ? AND ? ORDER BY n"
            those = set(wanted)
            rows = [row for row in base.execute(query, (wanted[0], wanted[-1])) if row[0] in those]
        packed: tuple[str, dict[int, pd.DataFrame]] = ("", {})
        for number, data, pack in rows:
            try:
                if data is not None:
                    table = bulk.from_bytes(data)
                elif pack is not None:
                    if packed[0] != pack:
                        whole = bulk.from_pack(str(self.packs / pack), columns)
                        packed = pack, {int(n): t for n, t in whole.groupby("record", sort=False)}
                    table = packed[1][number].drop(columns="record").reset_index(drop=True)
                else:
                    continue
            except (OSError, ValueError, KeyError) as error:
                raise InputError(
                    f"the touches of record {number} cannot be read ({error})",
                    file=self.file if pack is None else self.packs / pack,
                    todo="Run: probekit history FOLDER --verify",
                ) from None
            yield number, table if columns is None else table[[name for name in columns if name in table]]

    def pack(self) -> int:
        """Move the touches that are still in the SQLite file into Parquet; returns how many parts were moved.

        The files are written first and whole, then the records name them, in one transaction.
        """
        with connected(self, write=True) as base:
            query = "SELECT n FROM touches WHERE data IS NOT NULL ORDER BY n LIMIT ?"
            numbers = [row[0] for row in base.execute(query, (PACKED,))]
            groups: list[dict[int, pd.DataFrame]] = []
            for number in numbers:
                data = base.execute("SELECT data FROM touches WHERE n = ?", (number,)).fetchone()[0]
                table = bulk.from_bytes(data)
                if not groups or bulk.kinds_of(next(iter(groups[-1].values()))) != bulk.kinds_of(table):
                    groups.append({})
                groups[-1][number] = table
            for group in groups:
                first, last = min(group), max(group)
                name = f"touches-{first:09d}-{last:09d}.parquet"
                make_folder(self.packs)
                store(self.packs / name, bulk.pack_of(group))
                moved = [(name, number) for number in group]
                base.executemany("UPDATE touches SET data = NULL, pack = ? WHERE n = ?", moved)
        return len(numbers)


def same_of(body: Mapping[str, Any]) -> str:
    """Digest of a body that tells whether an inspection is there already: without the time, and what it supersedes."""
    text = text_of({key: value for key, value in body.items() if key not in _SAME_BUT})
    return hashlib.sha256(text.encode("ascii")).hexdigest()


@contextmanager
def connected(archive: Archive, *, write: bool = False, layout: int | None = LAYOUT) -> Iterator[sqlite3.Connection]:
    """A connection to the store, closed at the end; to write, within one transaction that no other writer interrupts.

    Raises
    ------
    InputError
        If it cannot be used.
    """
    if not write and not archive.file.is_file():
        raise InputError("there is no archive", file=archive.folder, todo="Name the folder of --archive.")
    try:
        with closing(sqlite3.connect(archive.file, timeout=_WAIT, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = FULL")
            if write:
                base.execute("BEGIN IMMEDIATE")
            _check_layout(archive, base, write, layout)
            yield base
            if write:
                base.execute("COMMIT")
    except sqlite3.Error as error:
        locked = isinstance(error, sqlite3.OperationalError) and "locked" in str(error)
        raise InputError(
            f"the archive cannot be used ({error})",
            file=archive.file,
            todo=f"Another program has held it for {_WAIT:g} s: end it, and try again."
            if locked
            else "See that the disk is not full and the file may be written to; then: probekit history FOLDER --verify",
        ) from None


def _check_layout(archive: Archive, base: sqlite3.Connection, write: bool, layout: int | None) -> None:
    """Make the tables of a new store; refuse one of another layout."""
    found = int(base.execute("PRAGMA user_version").fetchone()[0])
    tables = base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if write and found == 0 and tables == 0:
        for statement in (*TABLES, *INDEXES):
            base.execute(statement)
        base.execute(f"PRAGMA user_version = {LAYOUT}")
        return
    if layout is not None and tables == 0:
        raise InputError(
            "the archive is empty: its first writer was ended before anything was in it", file=archive.file
        )
    if layout is not None and found != layout:
        newer = found > layout
        raise InputError(
            "the archive was written by a newer probekit" if newer else "the archive is of an earlier layout",
            file=archive.file,
            found=f"layout {found}",
            expected=f"layout {layout}",
            todo="Use that version."
            if newer
            else "Copy it into a new folder, the old one stays: probekit history FOLDER --migrate NEW_FOLDER",
        )


def _last(base: sqlite3.Connection) -> tuple[int, str]:
    row = base.execute("SELECT n, hash FROM record ORDER BY n DESC LIMIT 1").fetchone()
    return (0, "0" * 64) if row is None else (int(row[0]), str(row[1]))


def _earlier(base: sqlite3.Connection, body: dict[str, Any]) -> tuple[int, str] | None:
    """The record of the same part in the same revision that this one supersedes."""
    if body["kind"] != "inspection":
        return None
    query = "SELECT n, hash FROM part WHERE kind = 'inspection' AND key = ? AND revision = ? ORDER BY n DESC LIMIT 1"
    row = base.execute(query, (body["key"], body["revision"])).fetchone()
    return None if row is None else (int(row[0]), str(row[1]))
