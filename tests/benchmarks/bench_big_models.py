"""What a large STEP model costs: CPU seconds and memory of loading it, of its search structures and of searches.

    python tests/benchmarks/bench_big_models.py [--quick] [--model FILE]

The models are moulds of many small freeform faces (`big_models.py`), made anew: 1166 faces, and without --quick one of
10 086 faces. CPU seconds are user and system time of all threads, which a machine shared with others stretches less
than the clock. Wanted, the first time a model is loaded: 1200 faces under 10 s; 10 000 faces under 75 s, and 20 000
touches bound to faces in under 5 s; all of it, searches too, in under 2 GB, or this ends with an error. "silent" is the
longest time between two reports of progress, that of one call of the CAD kernel; a terminal shows its seconds as they
pass.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.timing import cpu_seconds

import probekit as pk

_MOST = 2000.0  # memory that loading and searches may take [MB]
_MAKE = "import sys; from pathlib import Path; from big_models import write_mould; write_mould(Path(sys.argv[1]), {})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="the smaller model only")
    parser.add_argument("--model", type=Path, help="measure this file instead")
    options = parser.parse_args()
    if options.model:
        measure(options.model)
        return
    with tempfile.TemporaryDirectory() as folder:
        for tiles in (31,) if options.quick else (31, 91):
            path = Path(folder) / f"mould_{tiles}.step"
            # in processes of their own: memory is measured as a peak
            tests = str(Path(__file__).parents[1])
            subprocess.run([sys.executable, "-c", _MAKE.format(tiles), str(path)], check=True, cwd=tests)
            subprocess.run([sys.executable, __file__, "--model", str(path)], check=True)


def measure(path: Path) -> None:
    """One line per number."""
    print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB")
    reports = [(0.0, "start", time.perf_counter())]
    assert pk.deviation.project  # what it imports is not part of loading
    tell = lambda step, done: reports.append((done, step, time.perf_counter()))  # noqa: E731
    with tempfile.TemporaryDirectory() as kept:
        part = said("load, first time", lambda: pk.nominal.load(path, cache=kept, progress=tell))
        part = said("load again", lambda: pk.nominal.load(path, cache=kept))
    silent, step = max((after[2] - before[2], before[1]) for before, after in pairwise(reports))
    print(f"  reports of progress {len(reports) - 1}, silent for {silent:.1f} s by the clock at most: {step}")
    print(f"  {len(part.brep.faces)} faces, {len(part.brep.edges)} edges, {len(part.facets)} facets")
    engine, rng = part.engine, np.random.default_rng(1)
    said("grid of faces", lambda: engine.seeds.grid)
    said("tree of facets", lambda: engine.seeds.tree)
    said("tree by face", lambda: engine.seeds._face_tree)
    facet = rng.integers(len(part.facets), size=20_000)
    corner = part.vertices[part.facets[facet]]
    place = np.einsum("nk,nkc->nc", rng.dirichlet((1.0, 1.0, 1.0), len(facet)), corner)
    points = place + (1.5 + rng.normal(scale=0.02, size=(len(facet), 1))) * engine.seeds.tables.normal[facet]
    for when in ("first", "again"):
        said(f"feet of 1000 touches, {when}", lambda: engine.feet(points[:1000]))
    names = np.array(part.face_names, dtype=object)[part.facet_face[facet]]
    table = pd.DataFrame({"touch": np.arange(len(facet)), "face": names, **dict(zip("xyz", points.T, strict=True))})
    table.attrs["recorded"] = "centre"
    for count in (200, 20_000):
        for when in ("first", "again"):
            some = table.iloc[:count]
            said(f"{count} touches bound to faces, {when}", lambda: pk.deviation.project(some, part, stylus=1.5))  # noqa: B023
    free = table.drop(columns="face")
    for when in ("first", "again"):
        said(f"{len(free)} touches on any face, {when}", lambda: pk.deviation.project(free, part, stylus=1.5))
    most = max(used()[1:])
    print(f"  peak of all {most:.0f} MB, wanted under {_MOST:.0f}")
    assert most < _MOST, "loading and searches take more memory than wanted"


def said(what: str, work: Callable[[], object]) -> object:
    """Do it, and print CPU seconds and the peaks of memory up to then, of this process and of those it starts."""
    start, _, _ = used()
    out = work()
    end, own, others = used()
    print(f"  {what:<36} {end - start:7.2f} s CPU, peak {own:5.0f} MB, of its children {others:5.0f} MB", flush=True)
    return out


def used() -> tuple[float, float, float]:
    """CPU seconds of this process and its children; largest resident sets of it and of the largest child [MB]."""
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return cpu_seconds(), own.ru_maxrss * 1024 / 1e6, others.ru_maxrss * 1024 / 1e6


if __name__ == "__main__":
    main()
