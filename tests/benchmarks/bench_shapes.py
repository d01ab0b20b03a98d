"""Hard shapes against brute force: how many touches are wrong, in size or in sign, and how many of these in silence.

    python tests/benchmarks/bench_shapes.py [--quick] [--only WORD]

One line per shape and size of it (as it is, 30 times as large, 1/30, and in a file in inches). Touches are contact
points and ball centres, 0.1 um to 3 mm off (of the others in proportion) on both sides, beside faces, edges, corners
and seams, a quarter of them near the medial axis. A touch is wrong if its signed distance is off by more than 2 nm
times the scale, but at least 2 nm (2e-6 mm, the precision of the kernel's edges); "silent" if no flag leaves it
undecided. The reference is `tests/brute_force.py`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import exact_shapes as es
from brute_force import BruteForce, hard_touches, judge
from hard_shapes import HARD, for_brute_force, scaled
from harder_shapes import HARDER

from probekit.nominal.exact import HOW, ExactEngine
from probekit.nominal.exact.step import read_step
from probekit.nominal.feet import AMBIGUOUS

SCALES = ((1.0, "MM", 1.0), (30.0, "MM", 0.2), (1 / 30, "MM", 0.2), (1.0, "INCH", 0.2))
SHAPES = HARD | HARDER
OFF = (1e-4, 0.001, 0.01, 0.1, 0.5, 1.0, 3.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="60 touches per shape, in one size")
    parser.add_argument("--only", default="", help="shapes whose name holds this word")
    parser.add_argument("--touches", type=int, default=2000, help="touches per shape (default: %(default)s)")
    asked = parser.parse_args()
    total = np.zeros(3, dtype=int)
    with tempfile.TemporaryDirectory() as folder:
        for name in (name for name in SHAPES if asked.only in name):
            for scale, unit, part in SCALES[: 1 if asked.quick else None]:
                count = 60 if asked.quick else max(int(asked.touches * part), 60)
                total += one(name, scale, unit, count, Path(folder))
    print(f"total: {total[0]} touches, {total[1]} wrong, {total[2]} of them silent")


def one(name: str, scale: float, unit: str, count: int, folder: Path) -> np.ndarray:
    """One line: touches, wrong, silent, worst error; the first three are given back."""
    shape = SHAPES[name]()
    path = es.write(shape if scale == 1.0 else scaled(shape, scale), folder / "hard.step", unit=unit)
    engine, read = ExactEngine(read_step(path, body="*")), for_brute_force(name, es.read(path))
    truth = BruteForce(read, float(np.linalg.norm(np.ptp(engine.brep.vertices, axis=0))))
    points = hard_touches(read, truth, count, 1, tuple(scale * off for off in OFF))
    start = time.process_time()
    found = engine.feet(points, ambiguity=0.001)
    took = (time.process_time() - start) / len(points)
    unsettled = found.how == HOW.index("facet")
    doubtful = unsettled | (found.flags & AMBIGUOUS > 0)
    judged = judge(points, found.foot, found.distance, doubtful, truth, close=2e-6 * max(scale, 1.0))
    print(
        f"{name:<26} x {scale:<5.3g} {unit:<4} {judged.touches:>5} touches, {judged.wrong:>3} wrong, "
        f"{judged.silent:>3} silent, worst {judged.worst * 1e3:9.4f} um; {unsettled.sum():>3} unsettled, "
        f"{1e6 * took:7.1f} us a touch",
        flush=True,
    )
    return np.array([judged.touches, judged.wrong, judged.silent])


if __name__ == "__main__":
    main()
