"""The tables of the store, and what of a record goes into the columns that queries use."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any

import numpy as np

__all__ = ["INDEXED", "INDEXES", "TABLES", "enter", "rows_of"]

#: The store: records are only ever added, and so is what they index.
TABLES = (
    "CREATE TABLE record (n INTEGER PRIMARY KEY, hash TEXT NOT NULL UNIQUE, previous TEXT NOT NULL UNIQUE, "
    "body BLOB NOT NULL)",
    "CREATE TABLE touches (n INTEGER PRIMARY KEY, data BLOB, pack TEXT)",
    "CREATE TABLE part (n INTEGER PRIMARY KEY, hash TEXT NOT NULL, same TEXT NOT NULL, kind TEXT NOT NULL, "
    "key TEXT NOT NULL, word TEXT NOT NULL, at TEXT NOT NULL, settings TEXT, model TEXT, plan TEXT, measured TEXT, "
    "touches TEXT, revision TEXT, answers TEXT, inputs TEXT, made TEXT)",
    "CREATE TABLE actual (n INTEGER NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL, word TEXT NOT NULL, actual REAL, "
    "width REAL, low REAL, high REAL, u REAL)",
    "CREATE TABLE setup (n INTEGER PRIMARY KEY, tx REAL, ty REAL, tz REAL, rx REAL, ry REAL, rz REAL, rms REAL)",
    *(
        f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, "
        f"'records are never changed'); END"
        for table in ("record",)
        for verb in ("UPDATE", "DELETE")
    ),
)

INDEXES = (
    "CREATE INDEX part_same ON part (same)",
    "CREATE INDEX part_key ON part (key, revision)",
    "CREATE INDEX part_touches ON part (touches)",
    "CREATE INDEX part_inputs ON part (inputs)",
    "CREATE INDEX actual_n ON actual (n)",
)

#: Tables that hold what bodies say, for queries.
INDEXED = ("part", "actual", "setup")


def enter(base: sqlite3.Connection, number: int, checksum: str, same: str, body: Mapping[str, Any]) -> None:
    """Put the rows of a record into the tables for queries."""
    for table, rows in rows_of(number, checksum, same, body).items():
        for row in rows:
            base.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)


def rows_of(
    number: int, checksum: str, same: str, body: Mapping[str, Any]
) -> dict[str, list[tuple[str | int | float | None, ...]]]:
    """Table -> rows, of a record."""
    hashes, results = body.get("hashes", {}), body.get("results", {})
    named = [hashes.get(name) for name in ("settings", "model", "plan", "measured", "touches")]
    part = (number, checksum, same, body["kind"], body["key"], body["word"], body["at"], *named)
    actual = [
        (
            number,
            one["name"],
            one["kind"],
            one["word"],
            *(one[name] for name in ("actual", "width", "low", "high", "u")),
        )
        for one in results.get("tolerances", ())
    ]
    found = results.get("alignment")
    setup = [] if found is None else [(number, *_numbers(found))]
    return {
        "part": [(*part, body.get("revision"), body.get("of"), body.get("inputs"), body.get("about", {}).get("date"))],
        "actual": actual,
        "setup": setup,
    }


def _numbers(alignment: Mapping[str, Any]) -> list[float | None]:
    """Translation [mm], rotation [degrees] and rms [mm] of an alignment."""
    six = np.array([*alignment["translation"], *alignment["rotation_deg"]], dtype=float).tolist()
    return [*six, alignment["rms"]]
