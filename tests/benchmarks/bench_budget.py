"""Three budgets on one part, what causes give to each result, and what the covariance of many touches costs.

    python tests/benchmarks/bench_budget.py [--quick]

The first table stands beside the one in `tests/uncertainty/test_worked_budgets.py`; in brackets the same u of each
touch taken as independent. Times are of one run on this machine: read ratios.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from uncertainty.test_touches import table_of
from uncertainty.worked import budget_of, gains, part

from probekit.uncertainty import Scatter, read, shares, touches


def main() -> None:
    """Print one line per number."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    table = part()
    gain, skin = gains(table), (table["feature"] == "skin").to_numpy()
    for name in ("good", "hot", "worn"):
        scatter = touches(table, budget_of(name), datums=("A", "B", "C"), about=(0.0, 0.0, 0.0))
        alone, frame = Scatter.independent(scatter.u), gain["frame"][skin]
        u, framed = 1e3 * scatter.u, 1e3 * scatter.u_of(frame)
        print(f"{name}: own {1e3 * scatter.own.max():.2f} um, touch on A {u[:12].max():.2f}, on the skin "
              f"{u[skin].min():.2f} to {u[skin].max():.2f}, in A|B|C {framed.min():.2f} to {framed.max():.2f} "
              f"({1e3 * np.median(alone.u_of(frame)):.2f})")  # fmt: skip
        for result in ("mean", "diameter", "distance"):
            who = shares(scatter, gain[result], result)
            print(f"  {who.sentence} ({1e3 * float(alone.u_of(gain[result])):.2f})")
    hot = read({"budget": {}})
    for n in (150, 800) if quick else (150, 800, 5000):
        many = table_of(n)
        start = time.perf_counter()
        scatter = touches(many, hot)
        print(f"{n} touches: {time.perf_counter() - start:.2f} s, {scatter.factors.shape[1]} columns")


if __name__ == "__main__":
    main()
