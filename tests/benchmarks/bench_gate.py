"""How often the gate before the verdict speaks where it should not, and is silent where it should speak.

    python tests/benchmarks/bench_gate.py [--quick]

Prints one line per number: false alarms in 200 good runs on two parts (at most 1 is allowed), all with rotary axes that
the touches are tested for, and lost digits or signs
of the demo that move a touch far and are neither named nor judged outside (at most 2 are allowed).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from plausibility.jobs import alarms, on_foil, on_pad, posed, unnoticed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of it")
    tenth = parser.parse_args().quick
    start, runs = time.perf_counter(), 10 if tenth else 100
    with tempfile.TemporaryDirectory() as folder:
        walls = ("left", "right", "front", "back")
        jobs = {"pad": posed(on_pad(Path(folder)), walls), "demo": posed(on_foil(), ("skin",))}
        for name, job in jobs.items():
            print(f"false alarms on the {name:<22} {len(alarms(job, runs)):4d} of {runs} runs")
    large, silent = unnoticed(jobs["demo"], every=10 if tenth else 1)
    print(f"lost digits that go unnoticed            {len(silent):4d} of {large} that move a touch far: {silent}")
    print(f"took                                     {time.perf_counter() - start:6.1f} s")


if __name__ == "__main__":
    main()
