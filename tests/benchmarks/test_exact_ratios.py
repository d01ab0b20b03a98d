"""Exact projection must not fall far behind; the numbers wanted are measured by `bench_exact.py`, these are lenient."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from benchmarks.bench_exact import least, spread

import probekit as pk


@pytest.mark.parametrize(("name", "faster"), [("plate", 25), ("filleted", 5)])
def test_exact_against_kernel_and_facets(tmp_path: Path, name: str, faster: float) -> None:
    model = es.make(name, tmp_path)
    part = pk.nominal.load(model.path)
    points = spread(part, 20_000, 0.03)
    exact = least(lambda: part.engine.feet(points), 3) / len(points)
    facets = least(lambda: part.engine.seeds.feet(points), 3) / len(points)
    some = points[::200]
    kernel = least(lambda: es.kernel_distances(some, model.shape), 1) / len(some)
    assert exact < 10 * facets
    assert kernel > faster * exact
