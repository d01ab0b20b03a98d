"""Whether what is said between the touches is true where the sides of a part were touched unevenly, and differ in form.

Simulated parts of several plane sides, each with a form of its own drawn from the families of `bench_field`: in "mix"
strength, length and roughness of each side, too, are its own. `wall` is a thin wall of two sides of 120 x 80 mm,
4 mm apart; `box` the top of 90 x 60 mm and four walls, 40 mm high. Touches are even on each side, their numbers given
side by side. All invented. The columns are those of `bench_field`, and `told`: the share of parts for which the library
gives a number, and the same columns of those alone.

    python tests/benchmarks/bench_sides.py [--shape wall] [--touches 40 5] [--parts 40] [--nodes 1000] [--families mix]
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

import numpy as np

try:
    import bench_field
except ModuleNotFoundError:  # run as a module of the tests
    from benchmarks import bench_field

from probekit.field.belief import learn
from probekit.field.nodes import nodes
from probekit.field.surface import surface
from probekit.nominal import Nominal
from probekit.uncertainty import Scatter

#: Of each side: a corner, and two edges from it whose cross product points outward [mm].
SHAPES = {
    "wall": [((0, 0, 0), (120, 0, 0), (0, 80, 0)), ((0, 0, -4), (0, 80, 0), (120, 0, 0))],
    "box": [
        ((0, 0, 0), (90, 0, 0), (0, 60, 0)),
        ((0, 0, -40), (90, 0, 0), (0, 0, 40)),
        ((90, 0, -40), (0, 60, 0), (0, 0, 40)),
        ((90, 60, -40), (-90, 0, 0), (0, 0, 40)),
        ((0, 60, -40), (0, -60, 0), (0, 0, 40)),
    ],
}
Side = tuple[Sequence[float], Sequence[float], Sequence[float]]


def laid(side: Side, flat: np.ndarray) -> np.ndarray:
    """(n, 3) places of points (n, 2) of a side [mm]."""
    corner, one, two = (np.array(given, dtype=float) for given in side)
    return corner + flat[:, :1] * one / np.linalg.norm(one) + flat[:, 1:] * two / np.linalg.norm(two)


def size(side: Side) -> np.ndarray:
    return np.array([np.linalg.norm(side[1]), np.linalg.norm(side[2])])


def part_of(sides: Sequence[Side]) -> Nominal:
    """Facets of at most 2 mm."""
    vertices, facets, owner = [np.empty((0, 3))], [np.empty((0, 3), dtype=int)], [np.empty(0, dtype=int)]
    for face, side in enumerate(sides):
        u, v = np.meshgrid(*(np.linspace(0.0, s, int(s / 2) + 1) for s in size(side)), indexing="ij")
        number = sum(map(len, vertices)) + np.arange(u.size).reshape(u.shape)
        a, b, c, d = (k.ravel() for k in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
        vertices.append(laid(side, np.column_stack([u.ravel(), v.ravel()])))
        facets.append(np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])]))
        owner.append(np.full(2 * len(a), face))
    names = tuple(f"side {k}" for k in range(len(sides)))
    return Nominal(np.vstack(vertices), np.vstack(facets), np.concatenate(owner), names)


def even(n: int, most: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, 2) points of a side of this size, far from each other and not along the border."""
    given = rng.random((50 * n + 200, 2)) * most
    kept, away = [given[0]], np.full(len(given), np.inf)
    border = 2.5 * np.minimum(given, most - given).min(axis=1)
    for _ in range(n - 1):
        away = np.minimum(away, np.linalg.norm(given - kept[-1], axis=1))
        kept.append(given[np.minimum(away, border).argmax()])
    return np.array(kept)


def run(shape: str, family: Callable, parts: int, touches: Sequence[int], count: int, seed: int = 1) -> dict:
    """The numbers of one family."""
    rng, sides = np.random.default_rng(seed), SHAPES[shape]
    at = nodes(part_of(sides), count, rng, edges=True)
    normals = np.array([np.cross(side[1], side[2]) / np.prod(size(side)) for side in sides])
    dense = [rng.random((3000, 2)) * size(side) for side in sides]
    at_nodes = [_back(side, at.places[at.face == k]) for k, side in enumerate(sides)]
    forms = [[family(rng) for _ in sides] for _ in range(parts)]
    truth = [
        max(float(np.abs(f(np.vstack([d, a]))).max()) for f, d, a in zip(form, dense, at_nodes, strict=True))
        for form in forms
    ]
    zone = float(np.median(truth))
    worst, told = [], []
    for form, true in zip(forms, truth, strict=True):
        flat = [even(n, size(side), rng) for n, side in zip(touches, sides, strict=True)]
        p = np.vstack([laid(side, f) for side, f in zip(sides, flat, strict=True)])
        n = np.repeat(normals, touches, axis=0)
        common = np.hstack([np.full((len(p), 1), 0.0015), 0.002 * n, 20e-6 * np.cross(p - p.mean(axis=0), n)])
        scatter = Scatter(np.full(len(p), 0.002), common, ("ball", *("shift",) * 3, *("turn",) * 3))
        y = np.concatenate([one(f) for one, f in zip(form, flat, strict=True)]) + scatter.draw(1, rng)[0]
        belief = learn(p, n, y, scatter, area=at.area, zone=zone)
        judged = surface(belief, at, (-zone, zone), rng)
        inner = np.maximum(np.abs(judged.fields).max(axis=1), np.abs(judged.touched).max(axis=1))
        worst.append((true, inner, float(np.abs(y).max()), judged.belief.unresolved))
        told.append(bool(np.isfinite(judged.probability)))
    said = [one for one, yes in zip(worst, told, strict=True) if yes]
    return bench_field.summary(worst, zone) | {"told": len(said) / parts} | _of_told(bench_field.summary(said, zone))


def _of_told(found: dict) -> dict:
    return {f"told_{key}": found[key] for key in ("below_q90", "said_09_true", "accepted", "bad_of_accepted")}


def _back(side: Side, places: np.ndarray) -> np.ndarray:
    corner, one, two = (np.array(given, dtype=float) for given in side)
    away = places - corner
    return np.column_stack([away @ one / np.linalg.norm(one), away @ two / np.linalg.norm(two)])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shape", choices=list(SHAPES), default="wall")
    parser.add_argument("--touches", type=int, nargs="*", default=[40, 5])
    parser.add_argument("--parts", type=int, default=40)
    parser.add_argument("--nodes", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", nargs="*", default=["matern", "mix", "waves", "wear", "step"])
    given = parser.parse_args()
    for name in given.families:
        row = run(given.shape, bench_field.FAMILIES[name], given.parts, given.touches, given.nodes, given.seed)
        print(f"{name:8s}", "  ".join(f"{key} {value:.2f}" for key, value in row.items()), flush=True)


if __name__ == "__main__":
    main()
