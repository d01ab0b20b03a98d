"""An archive in files that any program reads, and an archive copied into a new one of the present layout."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Collection
from pathlib import Path
from typing import Literal

import pandas as pd

from ..csv_text import csv_text
from ..errors import InputError
from ..files import make_folder, store
from ..study.earlier_parts import MODEL_DIGITS
from . import bulk, ledger
from .indexing import INDEXED, enter
from .store import Archive, connected, same_of

__all__ = ["export", "migrate", "table_of"]

_AT_ONCE = 500  # parts of a file of touches


def export(
    archive: Archive,
    folder: str | Path,
    *,
    how: Literal["csv", "parquet", "json"] = "csv",
    records: Collection[int] | None = None,
) -> list[Path]:
    """Write an archive as plain files: parts, tolerances, set-up and touches as tables, or each record as JSON.

    Parameters
    ----------
    archive : Archive
    folder : str or Path
        A new or empty folder.
    how : {"csv", "parquet", "json"}
        "json" writes ``records.jsonl``, a line of `number, hash, previous, body` per record: the whole chain, from
        which each hash can be computed again (`probekit.archive.store.linked`), and touches as CSV.
    records : collection of int, optional
        Numbers of those that are written, such as the parts of one revision (`probekit.archive.choosing.choose`); by
        default all. A chain is written whole.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        If the folder is not empty or cannot be written to, or a part of a chain is wanted.

    Notes
    -----
    In CSV a text that begins like a formula has an apostrophe before it (`probekit.csv_text`). Touches come in files of
    500 parts, with a column `record`, and the first twelve digits of the SHA-256 of the `model`.
    """
    if how not in ("csv", "parquet", "json"):
        raise InputError("that form of export is not known", found=how, expected="csv, parquet or json")
    if how == "json" and records is not None:
        raise InputError("a chain of records is written whole", todo="Export all of it, or csv or parquet.")
    place = make_folder(folder)
    if any(place.iterdir()):
        raise InputError("the folder for the export is not empty", file=place, todo="Name a new folder.")
    written = []
    if how == "json":
        path = place / "records.jsonl"
        with connected(archive) as base:
            lines = (_line(*row) for row in base.execute("SELECT n, hash, previous, body FROM record ORDER BY n"))
            store(path, lines)
        written.append(path)
    else:
        for name, table in _TABLES.items():
            rows = table_of(archive, table)
            rows = rows if records is None else rows[rows["record"].isin(list(records))]
            written.append(_write(place, name, rows, how))
    with connected(archive) as base:
        numbers = [row[0] for row in base.execute("SELECT n FROM touches WHERE data NOT NULL OR pack NOT NULL")]
    numbers = numbers if records is None else sorted(set(numbers) & set(records))
    model = table_of(archive, "part").set_index("record")["model"].fillna("").astype(str).str[:MODEL_DIGITS]
    for k in range(0, len(numbers), _AT_ONCE):
        parts = [t.assign(record=n, model=model[n]) for n, t in archive.touches_of(numbers[k : k + _AT_ONCE])]
        name = f"touches_{numbers[k]:09d}"
        table = bulk.tidied(pd.concat(parts, ignore_index=True))
        written.append(_write(place, name, table, "parquet" if how == "parquet" else "csv"))
    return written


_TABLES = {"parts": "part", "tolerances": "actual", "setup": "setup"}


def table_of(archive: Archive, table: str) -> pd.DataFrame:
    """One of the tables for queries, `probekit.archive.indexing.INDEXED`, by number of the record."""
    if table not in INDEXED:
        raise InputError("there is no such table", found=table, expected=", ".join(INDEXED))
    with connected(archive) as base:
        cursor = base.execute(f"SELECT * FROM {table} ORDER BY n, rowid")
        names = [one[0] for one in cursor.description]
        return pd.DataFrame(cursor.fetchall(), columns=names).rename(columns={"n": "record"})


def migrate(archive: Archive, folder: str | Path) -> Archive:
    """Copy an archive of an earlier layout, or one whose index is damaged, into a new one; the old one stays as it is.

    Records are copied as they were written, with their hashes; what queries use is made anew from them.

    Parameters
    ----------
    archive : Archive
    folder : str or Path
        A new or empty folder.

    Returns
    -------
    Archive

    Raises
    ------
    InputError
        If the folder is not empty, or a record cannot be read.
    """
    place = make_folder(folder)
    if any(place.iterdir()):
        raise InputError("the folder to copy to is not empty", file=place, todo="Name a new folder.")
    made = Archive(place)
    try:
        with connected(archive, layout=None) as base, connected(made, write=True) as new:
            for row in base.execute("SELECT n, hash, previous, body FROM record ORDER BY n"):
                new.execute("INSERT INTO record VALUES (?, ?, ?, ?)", row)
                body = json.loads(zlib.decompress(row[3]))
                enter(new, row[0], row[1], same_of(body), body)
            for row in base.execute("SELECT n, data, pack FROM touches ORDER BY n"):
                new.execute("INSERT INTO touches VALUES (?, ?, ?)", row)
    except (zlib.error, ValueError, KeyError, sqlite3.Error) as error:
        raise InputError(
            f"a record cannot be read ({error})",
            file=archive.file,
            todo="See which: probekit history FOLDER --verify. Nothing of the new archive is there.",
        ) from None
    for path in sorted(archive.packs.glob("*.parquet")):
        store(make_folder(made.packs) / path.name, path.read_bytes())
    if archive.list.is_file():
        store(made.list, archive.list.read_bytes())
    else:
        with connected(made) as new:
            for number, checksum, key in new.execute("SELECT n, hash, key FROM part ORDER BY n"):
                ledger.note(made.list, number, checksum, key)
                ledger.note(made.list, number, checksum)
    return made


def _line(number: int, checksum: str, previous: str, body: bytes) -> bytes:
    text = zlib.decompress(body).decode("ascii")
    head = json.dumps({"number": number, "hash": checksum, "previous": previous})
    return f'{head[:-1]}, "body": {text}}}\n'.encode("ascii")


def _write(folder: Path, name: str, table: pd.DataFrame, how: str) -> Path:
    if how == "parquet":
        pa = bulk.arrow()
        sink = pa.BufferOutputStream()
        pa.parquet.write_table(pa.Table.from_pandas(table, preserve_index=False), sink, compression="zstd")
        store(folder / f"{name}.parquet", bytes(sink.getvalue()))
        return folder / f"{name}.parquet"
    store(folder / f"{name}.csv", csv_text(table).encode("utf-8"))
    return folder / f"{name}.csv"
