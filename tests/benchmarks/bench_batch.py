"""Batches: parts a second in this process, over one and two processes, and over a cluster on this machine.

    python tests/benchmarks/bench_batch.py [--quick]

Prints one line per number, for a tiny block (18 touches) and the demo (120 touches, on exact surfaces if the CAD kernel
is there, else on its mesh), and whether all ways give the same records. The cluster is one of Dask, if it is installed.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import tiny

import probekit as pk
from probekit.archive.record import text_of

ROOT = Path(__file__).parents[2]


def tiny_job(folder: Path, parts: int) -> tuple[Path, Path]:
    study = tiny.write(folder, tiny.QUALIFIED)
    (folder / "runs").mkdir()
    for k in range(parts):
        text = tiny.touches(seed=k).replace("# part: block 1", f"# part: block 1\n# serial: {k}")
        (folder / "runs" / f"{k:06d}.csv").write_text(text)
    return study, folder / "runs"


def demo_job(folder: Path, parts: int) -> tuple[Path, Path]:
    (folder / "runs").mkdir(parents=True)
    text = (ROOT / "data" / "foil" / "touches.csv").read_text(encoding="utf-8")
    for k in range(parts):
        (folder / "runs" / f"{k:06d}.csv").write_text(f"# serial: {k}\n{text}", encoding="utf-8")
    return ROOT / "data" / "foil" / "study.toml", folder / "runs"


@contextmanager
def executors(name: str) -> Iterator[Executor | None]:
    if name == "this process":
        yield None
    elif name.startswith("processes"):
        with ProcessPoolExecutor(int(name[-1]), mp_context=get_context("spawn")) as executor:
            list(executor.map(len, ["", ""]))  # started
            yield executor
    else:
        from distributed import Client, LocalCluster

        options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
        with LocalCluster(**options) as cluster, Client(cluster) as client:
            yield client.get_executor()


def digest(archive: pk.archive.Archive) -> str:
    found = hashlib.sha256()
    for number in range(1, len(archive) + 1):
        body = archive.body(number)
        found.update(text_of({key: value for key, value in body.items() if key != "at"}).encode())
    return found.hexdigest()[:16]


def ways() -> list[str]:
    try:
        import distributed  # noqa: F401
    except ImportError:
        print("Dask is not installed")
        return ["this process", "processes: 1", "processes: 2"]
    return ["this process", "processes: 1", "processes: 2", "Dask LocalCluster: 2"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of it")
    parts = 4 if parser.parse_args().quick else 40
    for label, make in (("block", tiny_job), ("demo", demo_job)):
        with tempfile.TemporaryDirectory() as name:
            study, runs = make(Path(name) / "job", parts)
            digests = set()
            for k, way in enumerate(ways()):
                archive = pk.archive.Archive(Path(name) / f"archive {k}")
                with executors(way) as executor:
                    start = time.perf_counter()
                    found = pk.archive.inspect_many(study, touches=runs, executor=executor, archive=archive)
                    took = time.perf_counter() - start
                digests.add(digest(archive))
                print(f"{label}, {way:<22} {parts / took:8.2f} parts/s  ({took:.1f} s; {found.sentence})", flush=True)
            print(f"{label}: the records of all ways are the same: {len(digests) == 1}", flush=True)


if __name__ == "__main__":
    main()
