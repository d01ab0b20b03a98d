"""Exact projection must not fall behind: the numbers that `bench_exact.py` measures, relaxed for a busy machine."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from benchmarks.bench_closest_point import least_times
from benchmarks.bench_exact import spread

import probekit as pk


@pytest.mark.parametrize(("name", "faster"), [("plate", 80), ("filleted", 35)])
def test_exact_against_kernel_and_facets(tmp_path: Path, name: str, faster: float) -> None:
    """20 k touches; wanted are 50 times the kernel's speed and 3 times the facets' time, on a quiet machine."""
    model = es.make(name, tmp_path)
    part = pk.nominal.load(model.path)
    points = spread(part, 20_000, 0.03)
    some = points[::200]
    ways = {
        "exact": lambda: part.engine.feet(points),
        "facets": lambda: part.engine.seeds.feet(points),
        "kernel": lambda: es.kernel_distances(some, model.shape),
    }
    least = least_times(ways, 5)
    assert least["exact"] < 4 * least["facets"]
    assert least["kernel"] / len(some) > faster * least["exact"] / len(points)
