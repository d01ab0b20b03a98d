"""How often a verdict by proof is wrong: the risks at the limit, and what it decides beside it.

    python tests/benchmarks/bench_decisions.py [--quick] [--share 0.3] [--only touches,budgets]

Prints one line per case, in percent of runs: accepted and rejected where the truth lies exactly at the limit (at most 5
each, and 3 standard errors), for one peak, a wave and an even offset, also through the three worked budgets in the
frame A|B|C, and over two looks; for a flatness and an inscribed size; for a face 200 mm away from a datum plane of 40
mm; how many verdicts change with the order of the touches, with one more far inside, and, without uncertainty, against
simple acceptance (none should); then the time of ten thousand trials. 400 runs where the truth lies at the limit, a
quarter of them elsewhere. Some 20 minutes of one core; `--share` is the part of the runs that is made.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from tolerance.test_bounds import LIMIT, form, plate, shared
from tolerance.touched import around, table
from uncertainty.worked import budget_of, gains, part
from verdict.test_uncertainty_in_the_verdict import judged_in_frame, measured

from probekit import uncertainty
from probekit.tolerance import flatness, profile, size
from probekit.uncertainty import Scatter
from probekit.uncertainty.programs import least_of_largest
from probekit.verdict import classify, judge, proved, simple
from probekit.verdict.results import Verdict
from probekit.verdict.rules import Rule

U = 0.003
RHO = (0.0, 0.5, 0.9)  # share of the variance that all touches have in common


def said(name: str, words: list[str], gap: float = 0.0) -> None:
    """One line; a mark where a wrong word is too frequent. `gap`: of the truth beyond its limit."""
    n = len(words)
    accepted, rejected = (100 * words.count(word) / n for word in ("conforms", "does not conform"))
    most = 5 + 300 * np.sqrt(0.05 * 0.95 / n)
    wrong = max(accepted if gap >= 0 else 0.0, rejected if gap <= 0 else 0.0)
    mark = "" if wrong <= most else f"   more than {most:.1f}"
    print(f"{name:<58} accepted {accepted:5.1f}  rejected {rejected:5.1f}  of {n} runs{mark}", flush=True)


def at(gap: float, runs: int) -> int:
    """How many runs: a quarter where the truth is not at the limit, which says how much is decided, not how safely."""
    return runs if gap == 0 else max(runs // 4, 10)


def touches(runs: int, sizes: tuple[int, ...], gaps: tuple[float, ...]) -> None:
    cells = [(n, kind, rho) for n in sizes for kind in ("peak", "wave", "offset")[: 3 if n > 1 else 1] for rho in RHO]
    for seed, (n, kind, rho) in enumerate(cells):
        rng, scatter = np.random.default_rng(seed), shared(n, rho)
        for gap in gaps:
            true, drawn = form(kind, n, LIMIT + gap), scatter.draw(at(gap, runs), rng)
            name = f"{n} touches, {kind}, common share {rho:g}, {gap:+g} u"
            said(name, [judge(profile(true + one, 2 * LIMIT), proved(), scatter) for one in drawn], gap)


def budgets(runs: int, gaps: tuple[float, ...]) -> None:
    """120 touches of the skin in the frame A|B|C, with all that the touches share; gaps in units of the largest u."""
    for seed, shop in enumerate(("good", "hot", "worn")):
        found = part()
        all_of_it = uncertainty.touches(found, budget_of(shop), datums=["A", "B", "C"])
        skin = (found["feature"] == "skin").to_numpy()
        frame = gains(found)["frame"][skin]
        factors = frame @ np.hstack([np.diag(all_of_it.own), all_of_it.factors])
        n = int(skin.sum())
        causes = tuple(f"touch {k}" for k in range(len(found))) + all_of_it.causes
        scatter = Scatter(np.zeros(n), factors, causes)
        u, limit = float(scatter.u.max()), 20.0 * float(scatter.u.max())
        rng = np.random.default_rng(seed)
        for kind in ("peak", "wave", "offset"):
            for gap in gaps:
                true, drawn = u * form(kind, n, LIMIT + gap), scatter.draw(at(gap, runs), rng)
                words = [judge(profile(true + one, 2 * limit), proved(), scatter) for one in drawn]
                said(f"{shop} shop, 120 touches, {kind}, {gap:+g} u", words, gap)


def twice(runs: int, sizes: tuple[int, ...], gaps: tuple[float, ...]) -> None:
    """Over two looks: what is undecided is touched four times more, the mean of all five judged."""
    rule = proved(looks=2)
    for n in sizes:
        for kind in ("peak", "wave", "offset"):
            for rho in (0.0, 0.5):
                scatter, rng = shared(n, rho), np.random.default_rng([n, len(kind), int(10 * rho)])
                for gap in gaps:
                    true, words, again = form(kind, n, LIMIT + gap), [], []
                    for _ in range(at(gap, runs)):
                        common = np.sqrt(rho) * rng.normal()
                        readings = true + common + np.sqrt(1 - rho) * rng.normal(size=(5, n))
                        first = _seen(readings[0], rule, scatter)
                        word = first.part
                        if word == "undecided":
                            open_ = (first.table["verdict"] == "undecided").to_numpy()
                            again.append(int(open_.sum()))
                            mean = np.where(open_, readings.mean(axis=0), readings[0])
                            word = _seen(mean, rule, scatter.repeated(np.where(open_, 5, 1)), first).part
                        words.append(word)
                    touched = f", {np.mean(again):.0f} again" if again else ""
                    said(f"two looks, {n} touches, {kind}, share {rho:g}, {gap:+g} u{touched}", words, gap)


def _seen(deviation: np.ndarray, rule: Rule, scatter: Scatter, earlier: Verdict | None = None) -> Verdict:
    table = pd.DataFrame({"touch": np.arange(len(deviation)), "feature": "f", "deviation": deviation})
    table = table.assign(x=0.0, y=0.0, z=0.0)
    return classify(table, profile(deviation, 2 * LIMIT), rule=rule, scatter=scatter, earlier=earlier)


def unmoved(runs: int) -> None:
    """Verdicts that change with what must not matter."""
    rng, n = np.random.default_rng(8), 40
    changed = {"the order of the touches": 0, "one touch more, far inside": 0, "no uncertainty, against simple": 0}
    for k in range(runs):
        kind, rho, gap = ("peak", "wave", "offset")[k % 3], (0.0, 0.5, 0.9)[k // 3 % 3], rng.uniform(-3, 3)
        scatter = shared(n, rho)
        d = form(kind, n, LIMIT + gap) + scatter.draw(1, rng)[0]
        word, order = judge(profile(d, 2 * LIMIT), proved(), scatter), rng.permutation(n)
        mixed = judge(profile(d[order], 2 * LIMIT), proved(), scatter.of(order))
        more = judge(profile(np.append(d, 0.5), 2 * LIMIT), proved(), shared(n + 1, rho))
        sharp = judge(profile(d, 2 * LIMIT), proved(), np.full(n, 1e-12)) != judge(profile(d, 2 * LIMIT), simple())
        for name, other in zip(changed, (mixed != word, more != word, sharp), strict=True):
            changed[name] += other
    for name, count in changed.items():
        print(f"changed by {name:<47} {count} of {runs}", flush=True)


def placed(runs: int) -> None:
    for n, largest in ((12, 0.0), (12, 0.03), (12, 0.12), (150, 0.03)):
        rng, words = np.random.default_rng(2), []
        points, true = plate(n, largest, rng)
        for _ in range(runs):
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


def frames(runs: int, places: tuple[float, ...]) -> None:
    for how in ("least_squares", "tangent"):
        for true in places:
            seeds = range(at(true - 0.1, runs))
            words = [judged_in_frame(measured(true, seed), how, proved()).part for seed in seeds]
            print(
                f"face 200 mm from a {how} datum, {true:.2f} of 0.10".ljust(58),
                *(f"{word} {100 * words.count(word) / runs:5.1f} " for word in ("conforms", "does not conform")),
                f"of {len(seeds)} runs",
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
    parser.add_argument("--only", default="", help="only these steps, such as touches,budgets")
    parser.add_argument("--share", type=float, default=1.0, help="part of the runs that is made")
    given = parser.parse_args()
    quick, start, only = given.quick, time.perf_counter(), given.only.split(",")

    def runs(few: int, many: int) -> int:
        return max(int(given.share * (few if quick else many)), 20)

    steps: dict[str, Callable[[], None]] = {
        "times": times,
        "unmoved": lambda: unmoved(runs(60, 600)),
        "frames": lambda: frames(runs(40, 400), (0.1, 0.11) if quick else (0.08, 0.1, 0.11, 0.12)),
        "touches": lambda: touches(
            runs(60, 400), (1, 20) if quick else (1, 20, 100, 500), (0.0,) if quick else (0.0, -4.0, -2.0, 2.0)
        ),
        "budgets": lambda: budgets(runs(30, 400), (0.0,) if quick else (0.0, -4.0, 2.0)),
        "twice": lambda: twice(runs(40, 400), (20,) if quick else (20, 100), (0.0,) if quick else (0.0, -2.0, 2.0)),
        "placed": lambda: placed(runs(30, 400)),
    }
    for name, step in steps.items():
        if not given.only or name in only:
            step()
    print(f"{time.perf_counter() - start:.0f} s in all, {time.process_time():.0f} s of one core")


if __name__ == "__main__":
    main()
