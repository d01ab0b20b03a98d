"""What is undecided because of its datum: said with the datum, and deciding as promised when it is done."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import shapes

from probekit.action import suggest
from probekit.deviation import project
from probekit.fit import rigid
from probekit.tolerance import profile
from probekit.verdict import classify, proved

PATCH, U = shapes.plane_patch(size=120.0), 0.003


def job(seed: int, *, each: int = 1, off: float = 0.075, rock: float = 0.0) -> tuple[str, list[str]]:
    """A plane that a small datum pad in a corner places, judged 100 mm away: its word, and what is said of it."""
    rng = np.random.default_rng(seed)
    pad = np.array([(x, y) for x in (-55, -35) for y in (-55, -35)] * each, dtype=float)
    far = np.array([(x, y) for x in (0, 25, 50) for y in (0, 25, 50)], dtype=float)
    table = pd.DataFrame(np.vstack([pad, far]), columns=["x", "y"])
    table["z"] = rng.normal(scale=U, size=len(table))
    table.loc[: len(pad) - 1, "z"] += rock * np.tile([1.0, -1.0, -1.0, 1.0], each)
    table.loc[len(pad) :, "z"] += off
    table["feature"] = ["pad"] * len(pad) + ["far"] * len(far)
    table.insert(0, "touch", np.arange(len(table)))
    found = project(table, PATCH, stylus=0.0)
    alignment = rigid(found, PATCH, features=["pad"], free=("tz", "rx", "ry"), u=U)
    found = project(alignment.apply(found), PATCH)
    verdict = classify(found, profile(found, 0.2, features=["far"]), u=U, rule=proved(), alignment=alignment)
    said = suggest(verdict, PATCH, alignment=alignment).suggestions
    return verdict.part, [text for text in said if text.startswith("Undecided")]


def test_more_touches_on_the_datum_are_named_and_decide():
    """Counted over 40 parts 0.025 mm within: what is undecided is decided by as many datum touches as were named."""
    promised = kept = 0
    for seed in range(40):
        word, said = job(seed)
        if word != "undecided":
            continue
        (text,) = said
        assert "% of u² is that of the alignment or datum frame, most of it by the 4 touches on pad" in text
        assert "touching there again does not decide it" in text
        number = re.search(r"About (\d+) touches on pad in place of 4", text)
        if number is None:
            continue
        promised += 1
        kept += job(1000 + seed, each=-(-int(number[1]) // 4))[0] == "conforms"
    assert promised >= 5
    assert kept >= 0.6 * promised


def test_datums_that_do_not_agree_are_not_sent_for_more_touches():
    word, (text,) = job(1, off=0.05, rock=0.02)
    assert word == "undecided"
    assert re.search(r"taken to scatter by 0\.\d+ mm, for they lie as far off, where 0.0030 mm is stated", text)
    assert "More touches do not mend that" in text
    assert "About" not in text
