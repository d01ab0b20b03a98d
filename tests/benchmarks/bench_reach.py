"""What reach costs: 500 targets, 13 directions, 200 k facets; and how that compares with brute force.

    python tests/benchmarks/bench_reach.py [--quick] [--targets N] [--facets N] [--repeats N]

The model is the bumpy closed surface of `bench_closest_point.py`; the targets are spread over all of it, so that about
half of the tries are refused by their angle alone. The requirement: 500 targets against 200 k facets and 13 directions
in less than 10 s on two cores, search structures included. Brute force is points 1.5 mm apart on the probe's surface,
in nine places of the touch and eleven of the way out, each with libigl's exact distance to the facets: it is for one
try only, and still a thousand times coarser than what it is compared with. Read the ratio: the machine is shared.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))  # tests, as pytest has it

from benchmarks.bench_closest_point import bumpy
from plan import sampled

import probekit as pk

PROBE = pk.plan.Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (60.0, 40.0), (110.0, 40.0)))
MACHINE = pk.plan.Kinematics((pk.plan.RotaryAxis("A", "table", limits=(-110, 30)), pk.plan.RotaryAxis("C", "table")))
POSES = ((0.0, 0.0), *((-45.0, c) for c in (-90.0, 0.0, 90.0, 180.0)), *((-90.0, 45.0 * c) for c in range(-3, 5)))


def spread(part: pk.nominal.Nominal, number: int, seed: int = 3) -> pd.DataFrame:
    """Targets at random facets."""
    facet = np.random.default_rng(seed).integers(len(part.facets), size=number)
    table = pd.DataFrame({"touch": np.arange(1, number + 1), "feature": "skin"})
    table[["x0", "y0", "z0"]] = part.vertices[part.facets[facet]].mean(axis=1)
    table[["i", "j", "k"]] = part.engine.tables.normal[facet]
    return table.assign(face="")


def brute_seconds(part: pk.nominal.Nominal, found: pd.DataFrame, number: int) -> float:
    """Seconds per try of brute force, on the chosen tries of the first targets that are reachable."""
    rows = found[found["reachable"]].iloc[:number]
    own = sampled.outline_points(PROBE, 1.5)
    start_time = time.perf_counter()
    for _, row in rows.iterrows():
        frame = pk.plan.access.poses.pose_frame(MACHINE, POSES[row["direction"]])
        normal = row[["i", "j", "k"]].to_numpy(float)
        point = row[["x0", "y0", "z0"]].to_numpy(float)
        start, end = (point + (PROBE.radius + more) * normal for more in (3.0, -2.0))
        out = start + 150.0 * frame[:, 2]
        for a, b, stops in ((start, end, 9), (start, out, 11)):
            for t in np.linspace(0.0, 1.0, stops):
                part.engine.search(own @ frame.T + a + t * (b - a))
    return (time.perf_counter() - start_time) / len(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of reach.")
    parser.add_argument("--quick", action="store_true", help="100 targets, 20 k facets, once")
    parser.add_argument("--targets", type=int, default=500)
    parser.add_argument("--facets", type=int, default=200_000)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    if options.quick:
        options.targets, options.facets, options.repeats = 100, 20_000, 1
    part = bumpy(options.facets)
    table = spread(part, options.targets)
    start = time.perf_counter()
    obstacles = pk.plan.Obstacles(part)
    _ = obstacles.tree, obstacles.regions, obstacles.chord, part.engine.tree
    build = time.perf_counter() - start
    taken = []
    for _ in range(options.repeats):
        start = time.perf_counter()
        found = pk.plan.reach(table, part, PROBE, kinematics=MACHINE, poses=POSES, obstacles=obstacles)
        taken.append(time.perf_counter() - start)
    tries = len(table) * len(POSES)
    brute = brute_seconds(part, found, 1)
    print(f"targets x directions x facets   {len(table)} x {len(POSES)} x {len(part.facets)}")
    print(f"search structures               {build:8.2f} s")
    print(f"reach, best of {options.repeats}                {min(taken):8.2f} s   (required: 10 s in all)")
    print(f"reach, worst of {options.repeats}               {max(taken):8.2f} s")
    print(f"per try                         {min(taken) / tries * 1e3:8.3f} ms")
    print(f"brute force, coarse, per try    {brute * 1e3:8.1f} ms   ({brute * tries / min(taken):.0f} x)")
    print(f"reachable                       {found['reachable'].mean():8.1%}")


if __name__ == "__main__":
    main()
