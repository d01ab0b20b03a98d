"""How often a correction is suggested where there is none to make: perfect parts, and nothing but noise.

    python tests/benchmarks/bench_actions.py [--quick]

Each part is a box or a skin, touched with scatter, clamped where the program takes it to be. Prints how many of the
parts got a suggestion (at most 2 of 200), by alignment and decision rule, and the seconds of each part.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

import shapes

from probekit.action import suggest
from probekit.deviation import project
from probekit.fit import rigid
from probekit.tolerance import profile
from probekit.verdict import classify, proved, simple

SIGMA = 0.003
PARTS = {"box": (shapes.box(), shapes.sample_box), "skin": (shapes.saddle(n=60), None)}


def noise_part(seed: int, n: int, width: float, how: str, told: bool, part: str = "box") -> list[str]:
    """What is suggested for a perfect part that only noise makes different from its nominal."""
    nominal, sample = PARTS[part]
    rng = np.random.default_rng(seed)
    points, normals = sample(nominal, n, rng) if sample else shapes.sample(nominal, n, rng, inner=0.8)
    table = pd.DataFrame({"touch": np.arange(n), "feature": "x"})
    table[["x", "y", "z"]] = points + normals * rng.normal(scale=SIGMA, size=(n, 1))
    found, alignment = project(table, nominal, stylus=0.0), None
    u = SIGMA if told else None
    if how:
        alignment = rigid(found, nominal, method=how, **({"u": SIGMA} if told else {}))
        found = project(alignment.apply(found), nominal)
    verdict = classify(found, profile(found, width), u=u, rule=proved() if told else simple(), alignment=alignment)
    return corrections_in(suggest(verdict, nominal, alignment=alignment).suggestions)


def corrections_in(suggestions: tuple[str, ...]) -> list[str]:
    """Suggestions that would have something moved, changed, cut or granted."""
    quiet = ("Carry on", "Nothing to do", "The set-up needs no change", "Undecided", "In doubt", "Missed")
    return [text for text in suggestions if not text.startswith(quiet)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="200 parts in all")
    quick = parser.parse_args().quick
    cases = [
        (n, width, how, told, part)
        for part, n, width in (("box", 60, 0.2), ("box", 12, 0.05), ("box", 60, 0.02), ("skin", 40, 0.02))
        for how in (("", "least_squares", "minimax") if part == "box" else ("",))
        for told in (True, False)
    ]
    each, all_, said = 10 if quick else 200, 0, 0
    for n, width, how, told, part in cases:
        began = time.perf_counter()
        found = [noise_part(seed, n, width, how, told, part) for seed in range(each)]
        hits = [one for one in found if one]
        all_, said = all_ + each, said + len(hits)
        seconds = (time.perf_counter() - began) / each
        what = f"{part} {n} touches, width {width:.2f}, {how or 'no alignment'}, u {'stated' if told else 'unknown'}"
        print(f"{what:<60} {len(hits)} of {each} parts with a suggestion; {seconds:.2f} s each", flush=True)
        for text in [text for one in hits for text in one][:2]:
            print(f"    {text[:110]}")
    print(f"in all {said} of {all_} parts")


if __name__ == "__main__":
    main()
