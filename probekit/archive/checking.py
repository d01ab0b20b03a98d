"""Whether an archive is as it was written: each record, each link, the list, the touches, the index."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ..errors import InputError
from ..show import shown
from . import bulk, ledger
from .indexing import INDEXED, rows_of
from .store import Archive, connected, linked, same_of

__all__ = ["Checked", "verify"]

_AT_ONCE = 1000  # parts whose touches are read together


@shown
@dataclass(frozen=True, eq=False)
class Checked:
    """What a check of an archive found.

    Attributes
    ----------
    records : int
        Records there.
    head : str
        Hash of the last: it stands for all of them.
    table : DataFrame
        One row per fault: `record` (number), `part` (its key, as far as it is known), `fault`.
    notes : tuple of str
        What is no fault but has to be known, such as a part whose writer was ended.
    """

    records: int
    head: str
    table: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether there is no fault."""
        return self.table.empty

    @property
    def sentence(self) -> str:
        """Whether it is whole, in one line."""
        if self.whole:
            return f"{self.records} records, each as it was written; the last has hash {self.head[:16]}..."
        first = self.table.iloc[0]
        return f"{len(self.table)} faults in {self.records} records; first: record {first.record}: {first.fault}"


def verify(archive: Archive, *, head: tuple[int, str] | None = None) -> Checked:
    """Check all of an archive: nothing changed, missing, put in or in another order, and say by name what is.

    Parameters
    ----------
    archive : Archive
    head : (int, str), optional
        Number and hash of a record, kept outside the archive: up to it nobody can have written the whole chain anew.

    Returns
    -------
    Checked

    Raises
    ------
    InputError
        If the store cannot be read at all.
    """
    said, lost = ledger.written(archive.list)
    place = {one.hash: number for number, one in said.items()}
    faults: list[tuple[int, str, str]] = []
    notes = [_given_up(one.key) for one in lost]
    if not said:
        notes.append(f"{archive.list.name} is missing or empty: records cut off at the end cannot be told")
    found, previous = 0, "0" * 64
    count, number = 0, 0
    pending: list[tuple[int, str, dict[str, Any]]] = []
    with connected(archive) as base:
        for number, checksum, before, data in base.execute("SELECT n, hash, previous, body FROM record ORDER BY n"):
            count += 1
            faults += [_missing(n, said) for n in range(found + 1, number)]
            body, text = _read(data)
            key = str(body.get("key", "")) or (said[number].key if number in said else "")
            fault = _fault(number, checksum, before, text, previous, place, said)
            if fault:
                faults.append((number, key, fault))
            elif body:
                faults += [(number, key, one) for one in _beside(base, number, checksum, body)]
                pending.append((number, key, body.get("touches", {})))
            if len(pending) >= _AT_ONCE:
                faults += _touched(archive, pending)
                pending = []
            found, previous = number, checksum
        faults += _touched(archive, pending)
        extra = [t for t in INDEXED if base.execute(f"SELECT 1 FROM {t} WHERE n > ? LIMIT 1", (found,)).fetchone()]
    for n in sorted(n for n in said if n > found):
        if said[n].done or n > found + 1 or extra:
            faults.append(_missing(n, said))
        else:
            notes.append(_given_up(said[n].key))
    if head is not None and not _there(archive, head):
        faults.append((head[0], "", f"the record with the hash {head[1][:16]}... is not there: the chain is another"))
    table = pd.DataFrame(sorted(faults, key=lambda one: one[0]), columns=["record", "part", "fault"])
    return Checked(count, previous, table, tuple(notes))


def _given_up(key: str) -> str:
    return f"part {key}: its writer was ended before the record was there; inspect it again, if it is not there by now"


def _missing(number: int, said: dict[int, ledger.Written]) -> tuple[int, str, str]:
    return number, said[number].key if number in said else "", "the record is missing"


def _read(data: bytes) -> tuple[dict[str, Any], str | None]:
    try:
        text = zlib.decompress(data).decode("ascii")
        body = json.loads(text)
        return (body, text) if isinstance(body, dict) else ({}, text)
    except (zlib.error, ValueError, TypeError):
        return {}, None


def _fault(
    number: int,
    checksum: str,
    before: str,
    text: str | None,
    previous: str,
    place: dict[str, int],
    said: dict[int, ledger.Written],
) -> str:
    """What is wrong with a record and its link; empty if nothing is."""
    if place.get(checksum, number) != number:
        return f"this is record {place[checksum]}, in another place"
    if text is None:
        return "the record cannot be read: it was damaged"
    if linked(number, before, text) != checksum:
        return "the record was changed"
    if before != previous:
        return "it does not follow the record before it: one is missing, was changed, or was put in"
    if number in said and said[number].hash != checksum:
        return "this is not the record that was written here: it was replaced, or put in"
    if said and number not in said:
        return "no writer wrote this record: it is not in the list"
    return ""


def _beside(base: Any, number: int, checksum: str, body: dict[str, Any]) -> list[str]:
    """What is wrong with the index of a record that is whole itself."""
    faults = []
    for table, rows in rows_of(number, checksum, same_of(body), body).items():
        there = base.execute(f"SELECT * FROM {table} WHERE n = ? ORDER BY rowid", (number,)).fetchall()
        if there != rows:
            faults.append(f"the columns of table {table} do not say what the record says: copy with --migrate")
    return faults


def _touched(archive: Archive, records: list[tuple[int, str, dict[str, Any]]]) -> list[tuple[int, str, str]]:
    """What is wrong with the touches of records that are whole themselves: number, key, fault."""
    faults: list[tuple[int, str, str]] = []
    wanted = [number for number, _, said in records if said.get("rows")]
    try:
        tables = dict(archive.touches_of(wanted))
    except InputError:
        tables = {}  # one of them is damaged: look which
    for number, key, said in records:
        if not said.get("rows"):
            continue
        try:
            table = tables[number] if tables else archive.touches(number)
            if bulk.digest_of(table[list(said["columns"])]) != said["sha256"]:
                faults.append((number, key, "the touches were changed"))
        except (InputError, KeyError) as error:
            faults.append((number, key, f"the touches are missing or damaged ({error})"))
    return faults


def _there(archive: Archive, head: tuple[int, str]) -> bool:
    with connected(archive) as base:
        row = base.execute("SELECT hash FROM record WHERE n = ?", (head[0],)).fetchone()
    return row is not None and str(row[0]) == head[1]
