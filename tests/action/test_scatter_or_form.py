"""Scatter that one feature alone shows is told from form where touches tell it, and where they do not that is said."""

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit.action import suggest
from probekit.deviation import project
from probekit.tolerance import flatness, profile
from probekit.verdict import classify, proved

PATCH, U = shapes.plane_patch(size=120.0), 0.003


def said(seed: int, kind: str, *, each: int = 7, again: bool = False) -> list[str]:
    """Of a face whose form or scatter is beyond both of its tolerances, or within."""
    rng = np.random.default_rng(seed)
    x, y = (a.ravel() for a in np.meshgrid(*[np.linspace(-50, 50, each)] * 2))
    n = len(x)
    table = pd.DataFrame({"touch": np.arange(n), "feature": "top", "x": x, "y": y, "x0": x, "y0": y, "z0": 0.0})
    form = {
        "good": 0 * x,
        "scatter": rng.normal(scale=0.03, size=n),
        "spot": 0.1 * (x == x[n // 2]) * (y == y[n // 2]),
        "wave": 0.06 * np.sin(x / 25) * np.cos(y / 25),
    }
    table["z"] = form[kind] + rng.normal(scale=U, size=n)
    if again:
        more = table.iloc[:3].assign(touch=[n, n + 1, n + 2])
        table = pd.concat([table, more], ignore_index=True)
    table[["i", "j", "k"]] = (0.0, 0.0, 1.0)
    found = project(table, PATCH, stylus=0.0)
    judged = [profile(found, 0.06, name="skin"), flatness(found, 0.05, name="flat")]
    verdict = classify(found, *judged, u=U, rule=proved())
    return [text for text in suggest(verdict, PATCH).suggestions if text.startswith("Form or scatter")]


@pytest.mark.parametrize(("kind", "told"), [("good", 0), ("scatter", 10), ("wave", 0), ("spot", 0)])
def test_counted(kind, told):
    """Of 10 faces each; a wave of the same size follows the surface, and is form."""
    found = [said(seed, kind) for seed in range(10)]
    assert sum(map(bool, found)) == told
    for (text,) in (one for one in found if one):
        assert text.startswith("Form or scatter (skin, flat): the touches on top scatter by 0.0")
        assert "0.0030 mm is stated" in text
        assert "touched again" in text


def test_few_touches_tell_even_less():
    (text,) = said(0, "scatter", each=3)
    assert "scatter by" in text


def test_nothing_where_places_were_touched_again():
    assert not said(0, "scatter", again=True)
