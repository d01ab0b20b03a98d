"""What earlier parts are worth: fewer touches at equal risk, and what happens if the next part is not like them.

Invented processes on the saddle of `bench_field`: all parts of one have a pattern in common, and each has a form of
its own. For each process some populations are made, each with earlier parts of its own (60 touches each) and new parts
with few touches, alone and with the earlier ones, at even places or where `touch_first` puts them. The zone is such
that half of the new parts are good. In each row: share of parts whose worst deviation lies below the stated 90 %
quantile (0.90 is honest, more is on the safe side), what is true where about 0.9 is said, accepted parts and the bad
ones among them, how many were found not to be like the earlier ones, and `told`, the share of parts for which the
library gives a number at all (alone, and for a part unlike the earlier ones, none below thirty touches). Shares are of
what would be said.

`--shift S` moves the process of the new parts: a smooth change of S mm rms that the earlier ones do not show, such as a
tool change. What is not noticed is then judged by a pattern that is wrong by that.

`--alarms 0 0.004 0.008` asks alone how often parts moved by so many mm rms are found not to be like the earlier ones;
of parts that are not moved 1 in 100 is meant to be.

Peaks that nodes do not see make the answer too sure: with nodes 3.5 mm apart and none on the edges of the face, the
median part was 3 % worse than its worst node, one in ten 9 %. Some 2 minutes of an idle core for a process.

    python tests/benchmarks/bench_earlier.py [--parts 12] [--populations 4] [--earlier 24] [--nodes 800]
        [--touches 12 20 40] [--processes waves ...] [--shift 0] [--alarms 0 0.004]
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from itertools import product

import numpy as np
import pandas as pd

try:
    import bench_field
except ModuleNotFoundError:  # run as a module of the tests
    from benchmarks import bench_field

from probekit.field import learn, learn_prior, surface, touch_first
from probekit.field.belief import UNLIKE
from probekit.field.kernel import six
from probekit.uncertainty import Scatter

AREA = float(np.prod(bench_field.SIZE))
WAYS = ("alone", "earlier", "earlier, planned")
Form = Callable[[np.ndarray], np.ndarray]


def pattern(p: np.ndarray) -> np.ndarray:
    """What all parts of the first process have in common [mm]."""
    return 0.014 * np.sin(p[:, 0] / 11.0 + 0.5) * np.cos(p[:, 1] / 14.0) + 0.010 * (p[:, 1] / 80.0) ** 2


def other(p: np.ndarray) -> np.ndarray:
    """That of another process [mm]."""
    return 0.014 * np.cos(p[:, 0] / 9.0) * np.sin(p[:, 1] / 12.0) + 0.010 * (p[:, 0] / 120.0) ** 2


def own(rng: np.random.Generator) -> Form:
    """What a part has of its own: a form and an offset."""
    field, offset = bench_field.cosines(rng, 28.0, 1.5), 0.004 * rng.standard_normal()
    return lambda p: 0.005 * field(p) + offset


def scaled(size: float, family: Callable) -> Callable[[np.random.Generator], Form]:
    """A family of `bench_field`, smaller."""

    def made_of(rng: np.random.Generator) -> Form:
        form = family(rng)
        return lambda p: size * form(p)

    return made_of


def modes(rng: np.random.Generator) -> Callable[[np.random.Generator], Form]:
    """A process whose parts differ by three forms, each of a size of its own, and a little more."""
    fixed = [bench_field.cosines(rng, 40.0, 2.5) for _ in range(3)]

    def form_of(rng: np.random.Generator) -> Form:
        size, rest = rng.standard_normal(3) * (0.005, 0.004, 0.003), bench_field.cosines(rng, 20.0, 1.5)
        return lambda p: sum(a * f(p) for a, f in zip(size, fixed, strict=True)) + 0.0015 * rest(p)

    return form_of


def heavy(rng: np.random.Generator) -> Form:
    """Most parts differ little, some much: Student's t with four degrees."""
    field, size = bench_field.cosines(rng, 28.0, 1.5), 0.004 * np.sqrt(4.0 / rng.chisquare(4))
    return lambda p: size * field(p)


#: Of each process: what parts have in common, and what each has of its own, both drawn for a population.
PROCESSES = {
    "waves": lambda _: (pattern, own),
    "mix": lambda rng: (scaled(0.9, bench_field.matern)(rng), scaled(0.5, bench_field.mix)),
    "modes": lambda rng: (scaled(1.0, bench_field.mix)(rng), modes(rng)),
    "wear": lambda rng: (bench_field.wear(rng), scaled(0.6, bench_field.wear)),
    "heavy": lambda rng: (bench_field.step(rng), heavy),
}


def made(*forms: Form) -> Form:
    """The sum of forms: what all parts have in common, and a part's own."""
    return lambda p: sum(form(p) for form in forms)


def noise(n: int) -> Scatter:
    return Scatter(np.full(n, 0.002), np.full((n, 1), 0.0015), ("ball",))


def earlier_parts(parts: int, touches: int, rng: np.random.Generator, common=pattern, of_its_own=own) -> pd.DataFrame:
    """The table of earlier parts."""
    where = bench_field.even(touches, rng)
    places, normals = bench_field.saddle(where)
    tables = []
    for name in range(parts):
        table = pd.DataFrame(np.hstack([places, normals]), columns=["x0", "y0", "z0", "i", "j", "k"])
        y = common(where) + of_its_own(rng)(where) + noise(touches).draw(1, rng)[0]
        tables.append(table.assign(part=f"P{name}", touch=np.arange(1, touches + 1), deviation=y))
    return pd.concat(tables, ignore_index=True)


def population(
    process: str,
    parts: int,
    earlier: int,
    counts: Sequence[int],
    nodes: int,
    ways: Sequence[str],
    shift: float,
    seed: int,
) -> Iterator[tuple[int, str, dict]]:
    """For each number of touches, way and part: what was said of it and what is true, as parts of its zone."""
    rng = np.random.default_rng(seed)
    common, of_its_own = PROCESSES[process](rng)
    at, dense = bench_field.judged_at(nodes, rng), rng.random((4000, 2)) * bench_field.SIZE
    everywhere = np.vstack([dense, at.places[:, :2]])
    table = earlier_parts(earlier, 60, rng, common, of_its_own)
    change = bench_field.cosines(rng, 30.0, 2.5)
    forms = [made(common, of_its_own(rng), lambda p: shift * change(p)) for _ in range(parts)]
    truth = [float(np.abs(form(everywhere)).max()) for form in forms]
    zone = float(np.median(truth))
    learned = learn_prior(table, noise(60), area=AREA, zone=zone)
    for count in counts:
        even = bench_field.even(count, rng)
        best = touch_first(learned, at, (-zone, zone), count=count, u=0.0025)[["x0", "y0"]].to_numpy()
        for way in ways:
            where = best if way == WAYS[2] else even
            p, n = bench_field.saddle(where)
            for form, true in zip(forms, truth, strict=True):
                y = form(where) + noise(count).draw(1, rng)[0]
                prior = None if way == WAYS[0] else learned
                belief = learn(p, n, y, noise(count), area=AREA, zone=zone, earlier=prior)
                said = surface(belief, at, (-zone, zone), rng)
                inner = np.maximum(np.abs(said.fields).max(axis=1), np.abs(said.touched).max(axis=1))
                yield (
                    count,
                    way,
                    {
                        "worst": (true / zone, inner / zone, float(np.abs(y).max()) / zone, belief.unresolved),
                        "unlike": way != WAYS[0] and belief.earlier is None,
                        "told": bool(np.isfinite(said.probability)),
                    },
                )


def run(
    process: str, *, parts: int, populations: int, earlier: int, counts: Sequence[int], nodes: int,
    ways: Sequence[str] = WAYS, shift: float = 0.0, seed: int = 1,
) -> list[dict]:  # fmt: skip
    """A row for each number of touches and way, over all parts of all populations."""
    found: dict[tuple[int, str], list[dict]] = {}
    for k in range(populations):
        for count, way, one in population(process, parts, earlier, counts, nodes, ways, shift, seed + k):
            found.setdefault((count, way), []).append(one)
    return [
        {
            "touches": count,
            "way": way,
            "parts": len(some),
            **bench_field.summary([one["worst"] for one in some], 1.0),
            **{what: float(np.mean([one[what] for one in some])) for what in ("unlike", "told")},
        }
        for (count, way), some in found.items()
    ]


def alarms(
    process: str, *, parts: int, populations: int, earlier: int, counts: Sequence[int], shifts: Sequence[float],
    seed: int = 1,
) -> list[dict]:  # fmt: skip
    """How often new parts, moved by so much, are found not to be like the earlier ones, for each number of touches."""
    found: dict[tuple[int, float], list[bool]] = {}
    for k in range(populations):
        rng = np.random.default_rng(seed + k)
        common, of_its_own = PROCESSES[process](rng)
        learned = learn_prior(earlier_parts(earlier, 60, rng, common, of_its_own), noise(60), area=AREA, zone=0.03)
        for count, shift in product(counts, shifts):
            where = bench_field.even(count, rng)
            points, change = six(*bench_field.saddle(where)), bench_field.cosines(rng, 30.0, 2.5)(where)
            mean, unsure = learned.pattern(points)
            for _ in range(parts):
                y = common(where) + of_its_own(rng)(where) + shift * change + noise(count).draw(1, rng)[0]
                whole = noise(count).covariance() + unsure
                alike = learned.alike(points, y - mean, whole, np.ones((count, 1)))
                found.setdefault((count, shift), []).append(alike < UNLIKE)
    return [
        {"touches": count, "shift": shift, "parts": len(some), "unlike": float(np.mean(some))}
        for (count, shift), some in found.items()
    ]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=12)
    parser.add_argument("--populations", type=int, default=4)
    parser.add_argument("--earlier", type=int, default=24)
    parser.add_argument("--nodes", type=int, default=800)
    parser.add_argument("--touches", type=int, nargs="*", default=[12, 20, 40])
    parser.add_argument("--processes", nargs="*", default=list(PROCESSES), choices=list(PROCESSES))
    parser.add_argument("--ways", nargs="*", default=list(WAYS), choices=list(WAYS))
    parser.add_argument("--shift", type=float, default=0.0)
    parser.add_argument("--alarms", type=float, nargs="*", default=[])
    given = parser.parse_args()
    for process in given.processes if given.alarms else []:
        for row in alarms(
            process, parts=given.parts, populations=given.populations, earlier=given.earlier, counts=given.touches,
            shifts=given.alarms,
        ):  # fmt: skip
            print(f"{process:6s}", "  ".join(f"{key} {v:.3g}" for key, v in row.items()), flush=True)
    for process in [] if given.alarms else given.processes:
        for row in run(
            process, parts=given.parts, populations=given.populations, earlier=given.earlier, counts=given.touches,
            nodes=given.nodes, ways=given.ways, shift=given.shift,
        ):  # fmt: skip
            said = "  ".join(f"{key} {v if isinstance(v, str | int) else round(v, 2)}" for key, v in row.items())
            print(f"{process:6s}", said, flush=True)


if __name__ == "__main__":
    main()
