"""The archive of parts: kills, speed, size, and whether another library for queries would be worth its installation.

    python tests/benchmarks/bench_archive.py [--quick]

Prints one line per number: what 200 kills of a writer lose (nothing that was acknowledged, no fault in the chain);
time of an append; size per part; time to check, to open and to read trends of many parts, by SQLite and, if it is
installed, by DuckDB on the same tables and files.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from archive.killing import kill_writers
from archive.made import record
from benchmarks.timing import timed

from probekit.archive import verify
from probekit.archive.exporting import table_of
from probekit.archive.store import Archive

_TREND = (
    "SELECT name, count(*), avg(actual), max(actual), sum(actual > width) FROM {actual} JOIN {part} USING (n) "
    "WHERE kind_ = 'inspection' GROUP BY name ORDER BY name"
)
_BY_TOUCH = "SELECT touch, avg(deviation), stddev(deviation), max(abs(deviation)) FROM {touches} GROUP BY touch"


def kills(count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        told = kill_writers(Path(folder) / "archive", kills=count, seed=1, check=False)
        whole = verify(Archive(Path(folder) / "archive"))
    for name, number in told.items():
        print(f"{name:<40} {number:8d}")
    print(f"{'the chain after all of them':<40} {whole.sentence}")


def sizes(parts: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        archive = Archive(Path(name))
        records = [record(f"S{k}", k) for k in range(parts)]
        took, _ = timed(lambda: [archive.append(one) for one in records], 1)
        print(f"{'append, one part (6 touches)':<40} {1e3 * took / parts:8.1f} ms, packing included")
        total = sum(path.stat().st_size for path in archive.folder.rglob("*") if path.is_file())
        print(f"{'size, one part':<40} {total / parts / 1e3:8.1f} kB")
        took, found = timed(lambda: verify(archive), 1)
        print(f"{'verify':<40} {took:8.2f} s for {found.records} parts")
        took, _ = timed(lambda: (table_of(archive, "part"), table_of(archive, "actual")), 3)
        print(f"{'tables of parts and tolerances, SQLite':<40} {1e3 * took:8.1f} ms")
        took, _ = timed(lambda: sum(len(t) for _, t in archive.touches_of(range(1, parts + 1), ["deviation"])), 3)
        print(f"{'one column of all touches, Parquet':<40} {1e3 * took:8.1f} ms")
        duck(archive)


def duck(archive: Archive) -> None:
    """The same trend by SQLite and by DuckDB, and a query on the packed touches."""
    import sqlite3

    query = _TREND.replace("kind_", "{part}.kind")
    with sqlite3.connect(archive.file) as base:
        took, one = timed(lambda: base.execute(query.format(actual="actual", part="part")).fetchall(), 3)
    print(f"{'trend by tolerance, SQLite':<40} {1e3 * took:8.1f} ms")
    try:
        import duckdb
    except ImportError:
        print("DuckDB is not installed")
        return
    with duckdb.connect() as base:
        frames = {"actual": table_of(archive, "actual"), "part": table_of(archive, "part")}
        for label, frame in frames.items():
            base.register(label, frame.rename(columns={"record": "n"}))
        took, other = timed(lambda: base.execute(query.format(actual="actual", part="part")).fetchall(), 3)
        print(f"{'trend by tolerance, DuckDB on the frames':<40} {1e3 * took:8.1f} ms")
        assert [row[:2] for row in one] == [row[:2] for row in other]
        files = str(archive.packs / "*.parquet")
        took, _ = timed(lambda: base.execute(_BY_TOUCH.format(touches=f"read_parquet('{files}')")).fetchall(), 3)
        print(f"{'by touch, DuckDB on the Parquet files':<40} {1e3 * took:8.1f} ms")
    import pandas as pd

    def by_touch() -> object:
        parts = [t for _, t in archive.touches_of(range(1, len(archive) + 1), ["touch", "deviation"])]
        return pd.concat(parts).groupby("touch")["deviation"].agg(["mean", "std", "min", "max"])

    took, _ = timed(by_touch, 3)
    print(f"{'by touch, pandas on the Parquet files':<40} {1e3 * took:8.1f} ms")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a twentieth of it")
    quick = parser.parse_args().quick
    kills(10 if quick else 200)
    sizes(100 if quick else 2000)


if __name__ == "__main__":
    main()
