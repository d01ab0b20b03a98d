"""Fewer touches at equal risk on the skin of the demo: blind spot, and what is said of parts of the virtual machine.

For each way and number of touches the radius from which a hill of the height of the zone is felt at half and at 95 of
100 places; accepted parts (P of 0.9 or more) and the bad ones among them, on parts of smooth form, and on parts that
have hills and dents which nobody declared. All invented.

    python tests/benchmarks/bench_fewer.py [--parts 12]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from probekit import nominal, plan
from probekit.gauge import fewer_touches

FOIL = Path(__file__).parents[2] / "data" / "foil" / "foil.step"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=12)
    given = parser.parse_args()
    part = nominal.load(FOIL, cache=True)
    wanted = plan.blue_noise(part, 91, np.random.default_rng(4), faces="skin", margin=3.0)
    for counts in ((36, 45, 54, 72, 91, 130),):
        found = fewer_touches(part, wanted, width=0.2, counts=counts)
        print(found.sentence, found.table.round(2).to_string(index=False), sep="\n", flush=True)
    found = fewer_touches(part, wanted, width=0.1, counts=(45, 72), form=(30.0, 0.014), parts=given.parts)
    print(found.sentence, found.table.round(2).to_string(index=False), sep="\n", flush=True)


if __name__ == "__main__":
    main()
