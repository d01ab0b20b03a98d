"""What closest points cost, as ratios to the bare tree query, measured in one run.

    python tests/benchmarks/bench_closest_point.py [--quick] [--repeats N] [--queries N ...] [--facets N ...]

The model is a bumpy closed surface of our own with four faces; the queries are centres of a ball of 1.5 mm radius that
touches it with 0.05 mm of noise, in random order. All ways are timed in turn, round after round, on the same points,
and the least time of each counts: a machine shared with others slows all alike. "bare" is one call of libigl's tree
on the points as they come; everything else is a multiple of it. The requirement: "project", which is all of
`probekit.deviation.project` on a table (compensation, foot, normal, sign, flags), costs at most 2 times "bare". Touches
that name their face are searched for on that face alone; those that have a target only, for which the face of the
target is searched for first, pay for two searches.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

import probekit as pk
from probekit.nominal.nearby import morton_order

RADIUS = 1.5  # of the ball [mm]
AMBIGUITY = 0.001  # the default of project [mm]

Way = Callable[[], object]


def bumpy(n_facets: int) -> pk.nominal.Nominal:
    """A closed bumpy surface of about `n_facets` facets, 160 x 110 x 70 mm, with four faces, one per quadrant."""
    m = max(2, round(np.sqrt(n_facets / 12)))
    line = (2.0 * np.arange(m + 1) - m) / m  # exactly symmetric, so that the six sides meet
    u, v = (a.ravel() for a in np.meshgrid(line, line, indexing="ij"))
    corner = (np.arange(m)[:, None] * (m + 1) + np.arange(m)).ravel()
    quad = np.stack([corner, corner + m + 1, corner + m + 2, corner + 1], axis=1)
    side = np.vstack([quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]])
    points, facets = [], []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            cube = np.empty((len(u), 3))
            cube[:, axis], cube[:, axis - 2], cube[:, axis - 1] = sign, u, v * sign
            points.append(cube)
            facets.append(side + len(u) * len(facets))
    cube = np.vstack(points)
    ball = cube / np.linalg.norm(cube, axis=1, keepdims=True)
    bump = 1 + 0.03 * np.prod(np.sin(6 * ball + [0.3, 0.5, 0.7]), axis=1)
    vertices = ball * bump[:, None] * [80.0, 55.0, 35.0]
    facets = np.vstack(facets)
    middle = vertices[facets].mean(axis=1)
    face = (middle[:, 0] > 0) * 2 + (middle[:, 1] > 0)
    return pk.nominal.from_arrays(vertices, facets, facet_face=face, face_names=("west", "north", "south", "east"))


def ball_centres(part: pk.nominal.Nominal, number: int, seed: int = 1) -> np.ndarray:
    """Centres of a ball that touches the part at `number` random places, with noise [mm]."""
    rng = np.random.default_rng(seed)
    facet = rng.integers(len(part.facets), size=number)
    weight = rng.dirichlet((1, 1, 1), size=number)
    foot = np.einsum("nk,nkc->nc", weight, part.vertices[part.facets[facet]])
    normal = part.engine.tables.normal[facet]
    return foot + (RADIUS + rng.normal(scale=0.05, size=(number, 1))) * normal


def own_ways(part: pk.nominal.Nominal, points: np.ndarray) -> dict[str, Way]:
    """The bare tree, and what probekit puts around it."""
    import igl

    engine = part.engine
    vertices, facets = engine.vertices, engine.facets
    tree = igl.AABB()
    tree.init(vertices, facets)
    box = np.array([vertices.min(axis=0), vertices.max(axis=0)])
    table = pd.DataFrame({"touch": np.arange(len(points)), "feature": "", **dict(zip("xyz", points.T, strict=True))})
    table.attrs["recorded"] = "centre"
    asked = engine.feet(points)
    by_target = table.assign(**dict(zip(("x0", "y0", "z0"), asked.foot.T, strict=True)))
    by_face = table.assign(face=np.array(part.face_names, dtype=object)[asked.face])
    return {
        "bare": lambda: tree.squared_distance(vertices, facets, points),
        "bare, sorted": lambda: tree.squared_distance(vertices, facets, points[morton_order(points, box)]),
        "engine.search": lambda: engine.search(points),
        "engine.feet": lambda: engine.feet(points, ambiguity=AMBIGUITY),
        "project": lambda: pk.deviation.project(table, part, stylus=RADIUS, ambiguity=AMBIGUITY),
        "project, by face": lambda: pk.deviation.project(by_face, part, stylus=RADIUS),
        "project, by target": lambda: pk.deviation.project(by_target, part, stylus=RADIUS),
    }


def other_ways(part: pk.nominal.Nominal, points: np.ndarray, notes: set[str]) -> dict[str, Way]:
    """General-purpose libraries, those that are installed and not hopeless at this size; `notes` says which are not."""
    vertices, facets = part.engine.vertices, part.engine.facets
    ways: dict[str, Way] = {"KD-tree of centroids": _over_centroids(vertices[facets], points)}
    try:
        import open3d

        scene = open3d.t.geometry.RaycastingScene()
        scene.add_triangles(
            open3d.core.Tensor(vertices.astype(np.float32)), open3d.core.Tensor(facets.astype(np.uint32))
        )
        single = points.astype(np.float32)
        ways["open3d (float32)"] = lambda: scene.compute_closest_points(open3d.core.Tensor(single))
    except ImportError:
        notes.add("open3d is not installed: skipped")
    if len(points) * len(facets) <= 3e10:  # it builds its tree anew at each call
        try:
            import point_cloud_utils

            ways["point-cloud-utils"] = lambda: point_cloud_utils.closest_points_on_mesh(points, vertices, facets)
        except ImportError:
            notes.add("point-cloud-utils is not installed: skipped")
    if len(points) <= 1000 and len(facets) <= 300_000:
        try:
            import rtree  # noqa: F401  (trimesh needs it here)
            import trimesh

            mesh = trimesh.Trimesh(vertices, facets, process=False)
            ways["trimesh (rtree)"] = lambda: trimesh.proximity.closest_point(mesh, points)
        except ImportError:
            notes.add("rtree is not installed: trimesh skipped")
    return ways


def _over_centroids(corner: np.ndarray, points: np.ndarray, nearest: int = 12) -> Way:
    """Nearest of the facets with the 12 nearest centroids: fast to write, wrong on slivers."""
    from trimesh.triangles import closest_point

    tree = cKDTree(corner.mean(axis=1))

    def search() -> np.ndarray:
        out = np.empty_like(points)
        for at in range(0, len(points), 50_000):
            some = points[at : at + 50_000]
            _, candidate = tree.query(some, k=nearest)
            foot = closest_point(corner[candidate.ravel()], np.repeat(some, nearest, axis=0)).reshape(-1, nearest, 3)
            best = ((foot - some[:, None]) ** 2).sum(axis=2).argmin(axis=1)
            out[at : at + 50_000] = foot[np.arange(len(some)), best]
        return out

    return search


def least_times(ways: dict[str, Way], repeats: int) -> dict[str, float]:
    """Least time [s] of each way over `repeats` interleaved rounds, after one call to warm up."""
    least = dict.fromkeys(ways, np.inf)
    for way in ways.values():
        way()
    for _ in range(repeats):
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            least[name] = min(least[name], time.perf_counter() - start)
    return least


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of closest points, as ratios to the bare libigl tree query.")
    parser.add_argument("--quick", action="store_true", help="1 k and 100 k queries on 20 k facets, our own ways only")
    parser.add_argument("--queries", type=int, nargs="+", default=[1_000, 100_000, 1_000_000])
    parser.add_argument("--facets", type=int, nargs="+", default=[20_000, 200_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=5, help="rounds; small batches get more")
    parser.add_argument("--own", action="store_true", help="leave the other libraries out")
    options = parser.parse_args()
    if options.quick:
        options.queries, options.facets, options.own = [1_000, 100_000], [20_000], True
    notes: set[str] = set()
    print("times in us per query; x = multiple of the bare tree query on the points as they come")
    for n_facets in options.facets:
        part = bumpy(n_facets)
        for number in options.queries:
            points = ball_centres(part, number)
            own = least_times(own_ways(part, points), options.repeats * (8 if number <= 10_000 else 1))
            other = {}
            if not options.own:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    other = least_times(other_ways(part, points, notes), 1 if number > 100_000 else 2)
            print(f"\n{number} queries, {len(part.facets)} facets")
            for name, least in {**own, **other}.items():
                print(f"  {name:22s}{least / number * 1e6:9.2f} us{least / own['bare']:8.2f} x")
            print(f"  project / bare, sorted {own['project'] / own['bare, sorted']:21.2f} x", flush=True)
    for note in sorted(notes):
        print(note)


if __name__ == "__main__":
    main()
