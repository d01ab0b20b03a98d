"""Hard shapes against brute force: size, sign and flags of touches beside faces, edges, corners and medial axes.

The benchmark `bench_shapes.py` does the same with thousands of touches for each shape.
"""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from brute_force import BruteForce, hard_touches, judge
from hard_shapes import HARD, for_brute_force
from harder_shapes import HARDER
from thorough import count, some

from probekit.nominal.exact import HOW, ExactEngine
from probekit.nominal.exact.step import read_step
from probekit.nominal.feet import AMBIGUOUS

#: The kernel joins edges and faces to 1e-6 mm and better [mm].
CLOSE = 2e-6

#: Facets [mm] of shapes with a cusp on their axis, where the kernel makes a hundred thousand of finer ones.
COARSER = {"apple": 0.2, "lemon": 0.2}


@pytest.mark.parametrize("name", some(HARD, every=3))
def test_every_touch(name, tmp_path):
    path = es.write(HARD[name](), tmp_path / "hard.step")
    engine, shape = (
        ExactEngine(read_step(path, deflection=COARSER.get(name, 0.05), body="*")),
        for_brute_force(name, es.read(path)),
    )
    truth = BruteForce(shape, float(np.linalg.norm(np.ptp(engine.brep.vertices, axis=0))))
    points = hard_touches(shape, truth, count(40, 120), 3, (1e-4, 0.01, 0.3, 3.0))
    found = engine.feet(points, ambiguity=0.001)
    unsettled = found.how == HOW.index("facet")
    judged = judge(points, found.foot, found.distance, unsettled | (found.flags & AMBIGUOUS > 0), truth, close=CLOSE)
    assert judged.wrong == 0, f"{judged.wrong} wrong, {judged.silent} without a flag, worst {judged.worst:.2g} mm"
    assert not unsettled.any()


@pytest.mark.parametrize("name", some(name for name in HARDER if name != "bent pipe"))  # which takes ten seconds
def test_touches_of_more_shapes(name, tmp_path):
    """With coarse facets. A tip that the kernel cut through is as exact as its edges there; no touch of it is sure."""
    path = es.write(HARDER[name](), tmp_path / "harder.step")
    engine, shape = ExactEngine(read_step(path, deflection=0.2, body="*")), es.read(path)
    truth = BruteForce(shape, float(np.linalg.norm(np.ptp(engine.brep.vertices, axis=0))))
    points = hard_touches(shape, truth, 40, 3, (1e-4, 0.01, 0.3, 3.0))
    found = engine.feet(points, ambiguity=0.001)
    unsettled = found.how == HOW.index("facet")
    judged = judge(points, found.foot, found.distance, unsettled | (found.flags & AMBIGUOUS > 0), truth, close=CLOSE)
    assert judged.silent == 0, f"{judged.silent} wrong without a flag, worst {judged.worst:.2g} mm"
    assert judged.wrong == 0 or name == "cut apple"
    assert not unsettled.any()
