"""How often a verdict by proof is wrong: the risks at the limit, and what it decides beside it.

    python tests/benchmarks/bench_decisions.py [--quick]

Prints one line per case, in percent of runs: accepted and rejected where the truth lies exactly at the limit (at most 5
each, and 3 standard errors), for one peak, a wave and an even offset; for a flatness and an inscribed size; for a face
200 mm away from a datum plane of 40 mm; then the time of ten thousand trials.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from tolerance.test_bounds import LIMIT, form, plate, shared
from tolerance.touched import around, table
from verdict.test_uncertainty_in_the_verdict import judged_in_frame, measured

from probekit.tolerance import flatness, profile, size
from probekit.uncertainty.programs import least_of_largest
from probekit.verdict import judge, proved

U = 0.003


def said(name: str, words: list[str]) -> None:
    n = len(words)
    accepted, rejected = (100 * words.count(word) / n for word in ("conforms", "does not conform"))
    most = 5 + 300 * np.sqrt(0.05 * 0.95 / n)
    mark = "" if max(accepted, rejected) <= most else f"   more than {most:.1f}"
    print(f"{name:<58} accepted {accepted:5.1f}  rejected {rejected:5.1f}  of {n} runs{mark}", flush=True)


def touches(runs: int, sizes: tuple[int, ...], gaps: tuple[float, ...]) -> None:
    for n in sizes:
        for kind in ("peak", "wave", "offset") if n > 1 else ("peak",):
            for rho in (0.0, 0.5, 0.9):
                rng, scatter = np.random.default_rng(n), shared(n, rho)
                for gap in gaps:
                    true = form(kind, n, LIMIT + gap)
                    few = max(runs * 20 // max(n, 20), 20)
                    drawn = scatter.draw(few, rng)
                    name = f"{n} touches, {kind}, common share {rho:g}, {gap:+g} u"
                    said(name, [judge(profile(true + one, 2 * LIMIT), proved(), scatter) for one in drawn])


def placed(runs: int) -> None:
    for n, largest in ((12, 0.0), (12, 0.03), (12, 0.12), (150, 0.03)):
        rng, words = np.random.default_rng(2), []
        points, true = plate(n, largest, rng)
        for _ in range(max(runs * 12 // n, 10)):
            noise = np.column_stack([np.zeros((n, 2)), rng.normal(scale=U, size=n)])
            words.append(judge(flatness(table(points + noise, [0, 0, 1.0]), max(true, 1e-9)), proved(), U))
        said(f"flatness of {n} touches, form {largest:g} mm, at its limit", words)
    for n in (8, 12):
        for limits in ((20.0, 20.1), (19.9, 20.0)):
            rng, words = np.random.default_rng(9), []
            for _ in range(runs):
                bore = around(10.0 - rng.normal(scale=U, size=n), n=n, heights=(0.0,), bore=True)
                words.append(judge(size(bore, limits, method="maximum_inscribed"), proved(), U))
            said(f"inscribed size 20.000 of {n} touches, limits {limits[0]:g} to {limits[1]:g}", words)


def frames(runs: int, at: tuple[float, ...]) -> None:
    for how in ("least_squares", "tangent"):
        for true in at:
            words = [judged_in_frame(measured(true, seed), how, proved()).part for seed in range(runs)]
            print(
                f"face 200 mm from a {how} datum, {true:.2f} of 0.10".ljust(58),
                *(f"{word} {100 * words.count(word) / runs:5.1f} " for word in ("conforms", "does not conform")),
                f"of {runs} runs",
                flush=True,
            )


def times() -> None:
    rng = np.random.default_rng(0)
    for name, slope, two in (
        ("minimax, 6 freedoms, 150 touches", rng.normal(size=(150, 6)), True),
        ("minimum zone of a plane, 150 touches", np.column_stack([np.ones(150), rng.uniform(-1, 1, (150, 2))]), True),
        ("largest bore in 100 touches", np.array([[np.cos(a), np.sin(a)] for a in np.arange(100) * np.pi / 50]), False),
    ):
        values = rng.normal(size=(10_000, len(slope)))
        rows, design = (np.hstack([values, -values]), np.vstack([slope, -slope])) if two else (values, slope)
        start = time.process_time()
        least_of_largest(rows, design)
        print(f"10 000 trials, {name:<42} {time.process_time() - start:6.2f} s of one core")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer runs, fewer touches")
    quick = parser.parse_args().quick
    times()
    frames(40 if quick else 200, (0.1, 0.11) if quick else (0.08, 0.09, 0.1, 0.11, 0.12))
    touches(60 if quick else 400, (1, 20) if quick else (1, 20, 100, 500), (0.0,) if quick else (-4.0, -2.0, 0.0, 2.0))
    placed(30 if quick else 300)


if __name__ == "__main__":
    main()
