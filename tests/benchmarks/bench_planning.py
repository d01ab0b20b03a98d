"""What planning costs: 2000 targets on 500 k facets, how long it is ever silent, and how short its tours are.

    python tests/benchmarks/bench_planning.py [--quick] [--targets N] [--facets N]

The model is the bumpy closed surface of `bench_closest_point.py` as an STL file, touched on a trunnion in 13 poses. The
requirement: 2000 targets on 500 k facets in less than 60 s on two cores, with progress at least every 2 s, and tours
at most 4 % longer than a lower bound. The bound is that of Held and Karp: the heaviest 1-tree over penalties of the
places (M. Held, R. M. Karp, The traveling-salesman problem and minimum spanning trees, Operations Research 18 (1970)
1138-1162; from memory), by subgradients from a fixed number of steps. The shortest tour lies between the two.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))  # tests, as pytest has it

from benchmarks.bench_closest_point import bumpy
from benchmarks.bench_reach import POSES
from benchmarks.timing import cpu_seconds

from probekit import study
from probekit.plan.route.tour import improve_tour, nearest_neighbour, short_tour, tour_cost

_STUDY = """
[part]
name = "bumpy"
model = "bumpy.stl"
unit = "mm"

[part.faces]
skin = "face_1"

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
stem_diameter = 4.0
length = 50.0
body = [[50, 20], [60, 40], [110, 40]]

[[tolerance]]
kind = "profile"
features = ["skin"]
width = 0.2

[machine]
axes = [{{letter = "A", moves = "table", limits = [-110, 30]}}, {{letter = "C", moves = "table"}}]

[reach]
poses = [{poses}]

[[plan]]
how = "blue_noise"
faces = "skin"
n = {targets}
feature = "skin"
"""


def held_karp(cost: np.ndarray, upper: float, steps: int = 150) -> float:
    """A lower bound of the cost of every round tour, by subgradients from a tour of the cost `upper`."""
    penalty, best, stale, share = np.zeros(len(cost)), 0.0, 0, 2.0
    for _ in range(steps):
        weight = cost + penalty[:, None] + penalty
        total, degree = _one_tree(weight)
        bound = total - 2.0 * penalty.sum()
        best, stale = (bound, 0) if bound > best else (best, stale + 1)
        if stale > 6:
            share, stale = share / 2.0, 0
        off = degree - 2
        if not off.any():
            break  # the tree is a tour
        penalty += share * (upper - bound) / float(off @ off) * off
    return best


def _one_tree(weight: np.ndarray) -> tuple[float, np.ndarray]:
    """The lightest spanning tree of places 1 to n - 1, by Prim, with the two lightest links of place 0."""
    n, total = len(weight), 0.0
    degree, parent = np.zeros(n, dtype=int), np.full(n, 1)
    out = np.ones(n, dtype=bool)
    out[:2] = False
    reach = np.where(out, weight[1], np.inf)
    for _ in range(n - 2):
        new = int(reach.argmin())
        total += reach[new]
        degree[[new, parent[new]]] += 1
        out[new], reach[new] = False, np.inf
        nearer = out & (weight[new] < reach)
        reach[nearer], parent[nearer] = weight[new, nearer], new
    two = 1 + np.argsort(weight[0, 1:])[:2]
    degree[0] += 2
    degree[two] += 1
    return total + float(weight[0, two].sum()), degree


def made_cost(n: int, blocked: float = 0.1) -> np.ndarray:
    """Straight ways or ways over the top between random places, some straight ones blocked; place 0 is the top."""
    rng = np.random.default_rng(n)
    at = rng.uniform(0.0, 100.0, (n, 2))
    up = rng.uniform(5.0, 40.0, n)
    away = np.linalg.norm(at[:, None] - at, axis=2)
    straight = np.where(np.triu(rng.random((n, n)) < blocked, 1), np.inf, away)
    cost = np.minimum(np.minimum(straight, straight.T), up[:, None] + up + away / 5.0)
    np.fill_diagonal(cost, 0.0)
    whole = np.zeros((n + 1, n + 1))
    whole[1:, 1:], whole[0, 1:], whole[1:, 0] = cost, up, up
    return whole


def tours(sizes: tuple[int, ...]) -> None:
    """Print how far tours are above the bound, and what they take."""
    print("places   nearest neighbour   lists alone   with kicks   CPU [s]   (required: 4 %)")
    for n in sizes:
        cost = made_cost(n)
        start = cpu_seconds()
        tour = short_tour(cost)
        taken = cpu_seconds() - start
        near = nearest_neighbour(cost)
        bound = held_karp(cost, tour_cost(tour, cost))
        above = [tour_cost(one, cost) / bound - 1.0 for one in (near, improve_tour(near, cost), tour)]
        print(f"{n:6d}   {above[0]:17.1%}   {above[1]:11.1%}   {above[2]:10.1%}   {taken:7.1f}", flush=True)


def planning(targets: int, facets: int) -> None:
    """Plan a made study, and print the time of each step and the longest silence."""
    poses = ", ".join(str(list(one)) for one in POSES)
    with tempfile.TemporaryDirectory() as folder:
        _stl(bumpy(facets), Path(folder) / "bumpy.stl")
        Path(folder, "study.toml").write_text(_STUDY.format(targets=targets, poses=poses), encoding="utf-8")
        said, when = [], []

        def progress(step: str, _done: float) -> None:
            said.append(step.split(":")[0])
            when.append((time.perf_counter(), cpu_seconds()))

        began = cpu_seconds()
        planned = study.plan(study.load(Path(folder) / "study.toml"), progress=progress)
        when.append((time.perf_counter(), cpu_seconds()))
    wall, cpu = np.diff(np.array(when), axis=0).T
    print(f"{len(planned.route.targets)} of {targets} targets routed, {facets} facets")
    for step in dict.fromkeys(said):
        own = np.array([one == step for one in said])
        print(f"  {step:42s} CPU {cpu[own].sum():6.1f} s, longest silence {cpu[own].max():5.1f} s CPU")
    print(f"in all {when[-1][1] - began:.1f} s CPU, {wall.sum():.1f} s by the clock  (required: 60 s)")
    print(f"longest silence {cpu.max():.1f} s CPU, {wall.max():.1f} s by the clock  (required: 2 s)")


def _stl(part, path: Path) -> None:
    """Write the facets of a nominal as a binary STL file."""
    record = np.zeros(len(part.facets), dtype=[("normal", "<3f4"), ("corners", "<9f4"), ("more", "<u2")])
    record["corners"] = part.vertices[part.facets].reshape(-1, 9)
    path.write_bytes(bytes(80) + np.uint32(len(record)).tobytes() + record.tobytes())


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of planning.")
    parser.add_argument("--quick", action="store_true", help="200 targets, 20 k facets")
    parser.add_argument("--targets", type=int, default=2000)
    parser.add_argument("--facets", type=int, default=500_000)
    options = parser.parse_args()
    if options.quick:
        options.targets, options.facets = 200, 20_000
    tours((100, 300) if options.quick else (300, 1000, 2000))
    planning(options.targets, options.facets)


if __name__ == "__main__":
    main()
