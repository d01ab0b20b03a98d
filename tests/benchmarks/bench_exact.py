"""Exact projection against the CAD kernel's own and against the facet engine; load time by size of the file.

    python tests/benchmarks/bench_exact.py [--quick]

One run, minima of repeats taken in turn; read the ratios. The models are the tests' freeform plate (B-spline skin, hole
through it, notched corner), a box and boss with all edges rounded, and the demo's foil. Wanted: at least 50 times the
speed of the kernel's projection on 20 k touches, and at most 3 times the time of the facet engine. "bound" is the speed
of the bare search for the seed facets against the kernel's: what starts from it cannot be faster.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import exact_shapes as es
from benchmarks.bench_closest_point import least_times

import probekit as pk
from probekit.nominal.exact import HOW
from probekit.nominal.nearby import morton_order


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer touches and repeats")
    quick = parser.parse_args().quick
    repeats = 2 if quick else 7
    with tempfile.TemporaryDirectory() as folder:
        for name in ("plate", "filleted"):
            model = es.make(name, Path(folder))
            for count in (2_000,) if quick else (20_000, 100_000):
                for off in (0.03, 3.0):
                    against_others(name, model.path, model.shape, count, off, repeats, 50 if quick else 300)
        foil = Path(__file__).parents[2] / "data" / "foil" / "foil.step"
        for count in (2_000,) if quick else (20_000, 100_000):
            for off in (0.03, 3.0):
                against_others("foil", foil, es.read(foil), count, off, repeats, 50 if quick else 300)
        load_times(Path(folder), 2 if quick else 3)


def against_others(name: str, path: Path, shape: object, count: int, off: float, repeats: int, asked: int) -> None:
    """One line: microseconds per touch, and ratios."""
    part = pk.nominal.load(path)
    points = spread(part, count, off)
    mesh = pk.nominal.from_arrays(part.vertices, part.facets)
    ordered = points[morton_order(points, part.engine.seeds.box)]
    ways = {
        "exact": lambda: part.engine.feet(points),
        "facets": lambda: part.engine.seeds.feet(points),
        "bare": lambda: part.engine.seeds.search(ordered),
        "project": lambda: pk.deviation.project(points, part),
        "project mesh": lambda: pk.deviation.project(points, mesh),
    }
    took = {name: least / count for name, least in least_times(ways, repeats).items()}
    some = points[:: max(1, count // asked)]
    kernel = least_times({"kernel": lambda: es.kernel_distances(some, shape)}, 1)["kernel"] / len(some)
    how = np.bincount(part.engine.feet(points).how, minlength=len(HOW))
    settled = ", ".join(f"{n} {w}" for w, n in zip(HOW, how, strict=True) if n)
    exact, facets, project = took["exact"], took["facets"], took["project"] / took["project mesh"]
    print(
        f"{name:<9} {count:>7} touches {off:5.2f} mm off: exact {exact * 1e6:6.2f} us, facets {facets * 1e6:5.2f} us "
        f"(ratio {exact / facets:4.2f}), kernel trimmed {kernel * 1e6:7.1f} us ({kernel / exact:5.0f} x ours, "
        f"bound {kernel / took['bare']:4.0f}); project exact / facets {project:4.2f}; {settled}"
    )


def spread(part: pk.nominal.Nominal, count: int, off: float) -> np.ndarray:
    """Touches spread over the surface by area, up to `off` from it on both sides [mm]."""
    rng = np.random.default_rng(1)
    corner = part.vertices[part.facets]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    facet = rng.choice(len(area), count, p=area / area.sum())
    feet = part.engine.feet(np.einsum("nk,nkc->nc", rng.dirichlet([1.0, 1.0, 1.0], count), corner[facet]))
    return feet.foot + feet.normal * rng.uniform(-off, off, (count, 1))


def load_times(folder: Path, repeats: int) -> None:
    """Load time of files with one to many bodies."""
    for copies in (1, 8, 40):
        shapes = [es.moved(es.plate(), (0, 0, 1), 0.0, (200.0 * k, 0.0, 0.0)) for k in range(copies)]
        path = es.write(es.compound(shapes), folder / f"load_{copies}.step")
        took = least_times({"load": partial(pk.nominal.load, path, body="*")}, repeats)["load"]
        size = path.stat().st_size / 1e6
        print(f"load {size:6.2f} MB, {copies * 9:>4} faces: {took:6.2f} s ({took / size:5.2f} s per MB)")


if __name__ == "__main__":
    main()
