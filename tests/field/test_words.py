"""The sentences between the touches: a probability never without its condition and the blind spot, in one sentence."""

from __future__ import annotations

import re

import numpy as np
import pytest
from benchmarks import bench_earlier, bench_field

from probekit.field import Defects, learn, learn_prior, surface
from probekit.field.nodes import Nodes
from probekit.field.words import CONDITION, MAY, NEVER, blind_spot_said

AREA = bench_earlier.AREA
FELT = r"is felt at (half of all|\d+ of 100) places|unfelt"


def judged(count: int, size: float, limits: tuple[float, float], *, defects=None, earlier=None, length: float = 40.0):
    rng = np.random.default_rng(5)
    places, normals = bench_field.saddle(bench_field.even(count, rng))
    y = size * bench_field.cosines(rng, length, 2.5)(places[:, :2])
    on = bench_field.saddle(bench_field.even(120, rng))
    at = Nodes(*on, np.zeros(120, dtype=int), AREA)
    noise = bench_earlier.noise(count)
    belief = learn(places, normals, y, noise, area=AREA, zone=limits[1], earlier=earlier)
    return surface(belief, at, limits, rng, defects=defects, fields=100)


CASES = {
    "sure": (36, 0.004, (-0.05, 0.05)),
    "not decided": (36, 0.012, (-0.03, 0.03)),
    "out": (36, 0.02, (-0.01, 0.01)),
    "few": (14, 0.004, (-0.05, 0.05)),
    "one-sided": (36, 0.004, (-np.inf, 0.05)),
}


@pytest.mark.parametrize("name", [*CASES, "defects", "unlike", "too far apart"])
def test_every_sentence_holds_condition_and_blind_spot(name):
    if name == "defects":
        said = judged(36, 0.004, (-0.05, 0.05), defects=Defects(1.0, (6.0, 14.0), (0.02, 0.04))).sentence
    elif name == "unlike":
        rng = np.random.default_rng(3)
        learned = learn_prior(bench_earlier.earlier_parts(20, 30, rng), bench_earlier.noise(30), area=AREA, zone=0.05)
        said = judged(36, 0.012, (-0.05, 0.05), earlier=learned).sentence
        assert "not like the earlier parts" in said
    elif name == "too far apart":
        said = judged(30, 0.03, (-0.04, 0.04), length=5.0).sentence
    else:
        said = judged(*CASES[name]).sentence
    assert ". " not in said, "one sentence: no part of it is read alone"
    assert re.search(FELT, said), said
    if "changes faster" not in said:
        assert CONDITION in said, "words, too: very likely in its zone"
    assert not re.search(r"probability of (1|0)\.00", said)


def test_a_touch_made_again_is_no_further_place():
    """18 places touched twice: 36 touches, and no number, which takes 30 places; here there was one."""
    rng = np.random.default_rng(5)
    places, normals = bench_field.saddle(bench_field.even(18, rng))
    y = 0.004 * bench_field.cosines(rng, 60.0, 2.5)(places[:, :2])
    on = bench_field.saddle(bench_field.even(120, rng))
    at = Nodes(*on, np.zeros(120, dtype=int), AREA)
    one, twice = (np.tile(values, (2, 1)) for values in (places, normals))
    again = np.tile(y, 2) + 0.0005 * rng.standard_normal(36)
    belief = learn(one, twice, again, bench_earlier.noise(36), area=AREA, zone=0.05)
    said = surface(belief, at, (-0.05, 0.05), rng, fields=100)
    assert said.told
    assert np.isnan(said.probability)
    assert f"36 touches at 18 places, one per {np.sqrt(AREA / 18):.3g} mm" in said.sentence
    assert "18 touched places are too few for a number, which takes 30" in said.sentence


def test_a_large_blind_spot_is_no_power_of_ten():
    rng = np.random.default_rng(5)
    at = Nodes(*bench_field.saddle(bench_field.even(120, rng)), np.zeros(120, dtype=int), AREA)
    said = blind_spot_said(at, at.places[:1], at.normals[:1], 0.005, 0.05)
    assert re.search(r"radius is \d+ mm; from \d\d\d mm", said), said


def test_the_page_of_words_says_why():
    assert all(MAY.values())
    assert all(NEVER.values())
    claims = [claim for claim in MAY if "probability" in claim]
    assert len(claims) == 1
    assert CONDITION in claims[0]
    assert "of 100 places" in claims[0]


def test_a_hill_that_no_touch_tells_from_its_uncertainty_is_said_to_be_unfelt():
    places, normals = bench_field.saddle(bench_field.even(30, np.random.default_rng(1)))
    at = Nodes(places, normals, np.zeros(30, dtype=int), AREA)
    assert "unfelt, whatever its size" in blind_spot_said(at, places, normals, 0.01, 0.03)
    assert "felt at half of all places" in blind_spot_said(at, places, normals, 0.003, 0.1)
    assert "8 mm radius" in blind_spot_said(at, places, normals, 0.003, 0.1, {"radius": 8.0, "height": 0.05})
