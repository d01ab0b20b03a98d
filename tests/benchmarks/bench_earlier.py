"""What earlier parts are worth: fewer touches at equal risk, and what happens if the next part is not like them.

Parts of one invented process on the saddle of `bench_field`: a pattern that all have (waves along the part, a slope),
and a smooth field of each part's own. Twenty-five earlier parts with 60 touches each; new parts with few. Strangers
have another pattern. For each number of touches, with and without the earlier parts: share of parts whose worst
deviation lies below the stated 90 % quantile, what is true where about 0.9 is said, accepted parts and the bad ones
among them, and how many were found not to be like the earlier ones. Shares are of what would be said, even where the
library gives no number; `told` is the share of parts for which it does (alone, and for a stranger, none below thirty
touches). With 400 nodes, 5 mm apart, peaks between them are not seen: 0.77 of 60 parts lay below the stated 90 %
quantile, with 800 it was 0.98. Each line is printed as it is found; some 3 minutes of an idle core.

    python tests/benchmarks/bench_earlier.py [--parts 24] [--nodes 800] [--touches 12 20 40]
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

try:
    import bench_field
except ModuleNotFoundError:  # run as a module of the tests
    from benchmarks import bench_field

from probekit.field import learn, learn_prior, surface, touch_first
from probekit.field.nodes import Nodes
from probekit.uncertainty import Scatter

AREA = float(np.prod(bench_field.SIZE))


def pattern(p: np.ndarray) -> np.ndarray:
    """What all parts of the process have in common [mm]."""
    return 0.014 * np.sin(p[:, 0] / 11.0 + 0.5) * np.cos(p[:, 1] / 14.0) + 0.010 * (p[:, 1] / 80.0) ** 2


def other(p: np.ndarray) -> np.ndarray:
    """That of another process [mm]."""
    return 0.014 * np.cos(p[:, 0] / 9.0) * np.sin(p[:, 1] / 12.0) + 0.010 * (p[:, 0] / 120.0) ** 2


def own(rng: np.random.Generator):
    """What a part has of its own: a form and an offset."""
    field, offset = bench_field.cosines(rng, 28.0, 1.5), 0.004 * rng.standard_normal()
    return lambda p: 0.005 * field(p) + offset


def made(common, form):
    """A part: what all have in common, and its own."""
    return lambda p: common(p) + form(p)


def noise(n: int) -> Scatter:
    return Scatter(np.full(n, 0.002), np.full((n, 1), 0.0015), ("ball",))


def earlier_parts(parts: int, touches: int, rng: np.random.Generator) -> pd.DataFrame:
    """The table of earlier parts."""
    where = bench_field.even(touches, rng)
    places, normals = bench_field.saddle(where)
    tables = []
    for name in range(parts):
        table = pd.DataFrame(np.hstack([places, normals]), columns=["x0", "y0", "z0", "i", "j", "k"])
        y = pattern(where) + own(rng)(where) + noise(touches).draw(1, rng)[0]
        tables.append(table.assign(part=f"P{name}", touch=np.arange(1, touches + 1), deviation=y))
    return pd.concat(tables, ignore_index=True)


def run(parts: int, counts: Sequence[int], nodes: int, *, common=pattern, seed: int = 1) -> Iterator[dict]:
    """A row for each number of touches and way."""
    rng = np.random.default_rng(seed)
    flat, dense = bench_field.even(nodes, rng), rng.random((4000, 2)) * bench_field.SIZE
    at = Nodes(*bench_field.saddle(flat), np.zeros(nodes, dtype=int), AREA)
    forms = [made(common, own(rng)) for _ in range(parts)]
    truth = np.array([np.abs(form(np.vstack([dense, flat]))).max() for form in forms])
    zone = float(np.median(truth))
    learned = learn_prior(earlier_parts(25, 60, rng), noise(60), area=AREA, zone=zone)
    for count in counts:
        even = bench_field.even(count, rng)
        best = touch_first(learned, at, (-zone, zone), count=count, u=0.0025)[["x0", "y0"]].to_numpy()
        for way, where, prior in (
            ("alone", even, None),
            ("earlier", even, learned),
            ("earlier, planned", best, learned),
        ):
            p, n = bench_field.saddle(where)
            worst, noticed, told = [], 0, 0
            for form, true in zip(forms, truth, strict=True):
                y = form(where) + noise(count).draw(1, rng)[0]
                belief = learn(p, n, y, noise(count), area=AREA, zone=zone, earlier=prior)
                noticed += prior is not None and belief.earlier is None
                said = surface(belief, at, (-zone, zone), rng)
                told += np.isfinite(said.probability)
                inner = np.maximum(np.abs(said.fields).max(axis=1), np.abs(said.touched).max(axis=1))
                worst.append((float(true), inner, float(np.abs(y).max()), belief.unresolved))
            yield {
                "touches": count,
                "way": way,
                **bench_field.summary(worst, zone),
                "unlike": noticed / parts,
                "told": told / parts,
            }


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=24)
    parser.add_argument("--nodes", type=int, default=800)
    parser.add_argument("--touches", type=int, nargs="*", default=[12, 20, 40])
    given = parser.parse_args()
    for title, common in (("parts like the earlier ones", pattern), ("strangers", other)):
        print(title)
        for row in run(given.parts, given.touches, given.nodes, common=common):
            print(
                "  ".join(f"{key} {v if isinstance(v, str | int) else round(v, 2)}" for key, v in row.items()),
                flush=True,
            )


if __name__ == "__main__":
    main()
