"""Whether what is said of a surface between its touches is true: simulated parts, a saddle of 120 x 80 mm.

Families of form: Matern fields of mixed roughness, waves of a cutter, wear along the path, a step between two
operations, and hills and dents. None is drawn by the library's own kernel: smooth fields are sums of random cosines.
All invented. For each family: share of parts whose worst deviation lies below the stated 90 % quantile (0.90 is honest,
more is on the safe side), what is true where about 0.9 is said, bad parts among those accepted with 0.9 or more, and by
"all touches within". Hills and dents must come out as not seen: there is nothing in the touches to say so.

With ``--declared 3`` three hills or dents a part are declared, and with ``--made 1.5`` so many made, on all families.
`rough` is the share of parts for which few of the drawn sets of defects explain the touches, and the sentence says so.

    python tests/benchmarks/bench_field.py [--parts 100] [--touches 30] [--nodes 600] [--made RATE] [--declared RATE]
"""

from __future__ import annotations

import argparse

import numpy as np

from probekit.field.belief import learn
from probekit.field.defects import Defects
from probekit.field.nodes import Nodes, nodes
from probekit.field.surface import surface
from probekit.nominal import Nominal
from probekit.uncertainty import Scatter

SIZE, BEND = np.array([120.0, 80.0]), 1.0 / 300.0


def saddle(flat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places and normals of the saddle over points (n, 2) of its plan view."""
    x, y = (flat - SIZE / 2).T
    normals = np.column_stack([-BEND * x, BEND * y, np.ones(len(x))])
    return (
        np.column_stack([flat, 0.5 * BEND * (x**2 - y**2)]),
        normals / np.linalg.norm(normals, axis=1, keepdims=True),
    )


def judged_at(count: int, rng: np.random.Generator, *, edges: bool = True) -> Nodes:
    """Where the library judges the saddle."""
    x, y = np.meshgrid(*(np.linspace(0.0, size, int(size / 2) + 1) for size in SIZE), indexing="ij")
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (one.ravel() for one in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    facets = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    vertices = saddle(np.column_stack([x.ravel(), y.ravel()]))[0]
    part = Nominal(vertices, facets, np.zeros(len(facets), dtype=int), ("saddle",))
    return nodes(part, count, rng, edges=edges)


def even(n: int, rng: np.random.Generator) -> np.ndarray:
    """(n, 2) points far from each other, and not along the border."""
    given = rng.random((50 * n, 2)) * SIZE
    kept, away = [given[0]], np.full(len(given), np.inf)
    border = np.minimum(given, SIZE - given).min(axis=1)
    (x, y), most = np.ascontiguousarray(given.T), 2.5 * border
    for _ in range(n - 1):
        away = np.minimum(away, np.sqrt((x - kept[-1][0]) ** 2 + (y - kept[-1][1]) ** 2))
        kept.append(given[np.minimum(away, most).argmax()])
    return np.array(kept)


def cosines(rng: np.random.Generator, length: float, nu: float, count: int = 400):
    """A field of unit variance as a sum of cosines whose wave vectors are those of a Matern spectrum: Student's t."""
    waves = rng.standard_normal((count, 2)) / length * np.sqrt(2 * nu / rng.chisquare(2 * nu, count))[:, None]
    phase = rng.uniform(0, 2 * np.pi, count)
    return lambda p: np.sqrt(2.0 / count) * np.cos(p @ waves.T + phase).sum(axis=1)


def mix(rng):
    length, s = np.exp(rng.uniform(np.log(15), np.log(50))), 0.012 * rng.uniform(0.6, 1.4)
    fields = [cosines(rng, length * k, nu) for k, nu in ((1.5, 0.5), (1.0, 1.5), (1.0, 2.5))]
    share = rng.dirichlet((1, 1, 1)) ** 0.5
    return lambda p: s * sum(a * f(p) for a, f in zip(share, fields, strict=True))


def matern(rng):
    field = cosines(rng, 25.0, 1.5)
    return lambda p: 0.013 * field(p)


def waves(rng):
    direction, pitch, phase = rng.uniform(0, np.pi), rng.uniform(6, 12), rng.uniform(0, 2 * np.pi)
    along, smooth = np.array([np.cos(direction), np.sin(direction)]), cosines(rng, 30.0, 2.5)
    return lambda p: 0.006 * np.sin(2 * np.pi * (p @ along) / pitch + phase) + 0.006 * smooth(p)


def wear(rng):
    slope, smooth = rng.uniform(0.01, 0.03), cosines(rng, 20.0, 1.5)
    return lambda p: slope * (p[:, 1] / 80.0) ** 1.5 + 0.004 * smooth(p)


def step(rng):
    at, height, smooth = rng.uniform(35, 85), rng.uniform(0.01, 0.03), cosines(rng, 25.0, 1.5)
    return lambda p: height * (p[:, 0] > at) + 0.005 * smooth(p)


def spots(rng, number: int):
    """So many hills or dents at random places."""
    some = [
        (rng.random(2) * SIZE, rng.uniform(6, 14), rng.choice((-1, 1)) * rng.uniform(0.015, 0.045))
        for _ in range(number)
    ]

    def form(p):
        z = np.zeros(len(p))
        for middle, radius, height in some:
            t2 = ((p - middle) ** 2).sum(axis=1) / radius**2
            z = z + height * np.maximum(1.0 - t2, 0.0) ** 3
        return z

    return form


def dents(rng):
    smooth = cosines(rng, 30.0, 1.5)
    local = spots(rng, rng.integers(0, 4))
    return lambda p: 0.006 * smooth(p) + local(p)


def dented(family, rate: float):
    """A family whose parts have hills and dents as well, `rate` of them on average."""

    def form(rng):
        smooth, local = family(rng), spots(rng, rng.poisson(rate))
        return lambda p: smooth(p) + local(p)

    return form


FAMILIES = {f.__name__: f for f in (matern, mix, waves, wear, step, dents)}


def run(family, parts: int, touches: int, count: int, defects: Defects | None = None, seed: int = 1) -> dict:
    """The numbers of one family."""
    rng = np.random.default_rng(seed)
    at, flat = judged_at(count, rng), rng.random((4000, 2)) * SIZE
    dense = np.vstack([even(4000 // 4, rng), at.places[-at.edges :, :2]])
    forms = [family(rng) for _ in range(parts)]
    truth = [float(np.abs(form(np.vstack([flat, dense]))).max()) for form in forms]
    zone = float(np.median(truth))
    worst, rough = [], 0
    for form, true in zip(forms, truth, strict=True):
        where = even(touches, rng)
        p, n = saddle(where)
        arm = p - p.mean(axis=0)
        turn = 20e-6 * np.cross(arm, n)
        scatter = Scatter(
            np.full(touches, 0.002),
            np.hstack([np.full((touches, 1), 0.0015), 0.002 * n, turn]),
            ("ball", *("shift",) * 3, *("turn",) * 3),
        )
        y = form(where) + scatter.draw(1, rng)[0]
        belief = learn(p, n, y, scatter, area=at.area, zone=zone)
        said = surface(belief, at, (-zone, zone), rng, defects=defects)
        inner = np.maximum(np.abs(said.fields).max(axis=1), np.abs(said.touched).max(axis=1))
        worst.append((true, inner, float(np.abs(y).max()), belief.unresolved))
        rough += "(rough" in said.sentence
    return summary(worst, zone) | ({"rough": rough / parts} if defects else {})


def summary(worst: list, zone: float) -> dict:
    """Shares over parts and zones."""
    below = np.mean([true < np.quantile(inner, 0.9) for true, inner, *_ in worst])
    said, right = [], []
    for factor in np.linspace(0.7, 1.7, 8):
        said += [float((inner < factor * zone).mean()) for _, inner, *_ in worst]
        right += [true < factor * zone for true, *_ in worst]
    said, right = np.array(said), np.array(right)
    near = (said >= 0.85) & (said < 0.95)
    sure = [(true < zone) for true, inner, *_ in worst if (inner < zone).mean() >= 0.9]
    naive = [(true < zone) for true, _, y, _ in worst if y < zone]
    return {
        "below_q90": float(below),
        "said_09_true": float(right[near].mean()) if near.any() else np.nan,
        "accepted": len(sure) / len(worst),
        "bad_of_accepted": 1 - float(np.mean(sure)) if sure else 0.0,
        "touches_within": len(naive) / len(worst),
        "bad_of_those": 1 - float(np.mean(naive)) if naive else 0.0,
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=100)
    parser.add_argument("--touches", type=int, default=30)
    parser.add_argument("--nodes", type=int, default=600)
    parser.add_argument("--declared", type=float, default=0.0)
    parser.add_argument("--made", type=float, default=0.0)
    parser.add_argument("--families", nargs="*", default=list(FAMILIES), choices=list(FAMILIES))
    given = parser.parse_args()
    defects = Defects(given.declared, (6.0, 14.0), (0.015, 0.045)) if given.declared else None
    for name in given.families:
        family = dented(FAMILIES[name], given.made) if given.made else FAMILIES[name]
        row = run(family, given.parts, given.touches, given.nodes, defects)
        print(f"{name:8s}", "  ".join(f"{key} {value:.2f}" for key, value in row.items()), flush=True)


if __name__ == "__main__":
    main()
