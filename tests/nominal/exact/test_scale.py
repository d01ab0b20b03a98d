"""The same part at other sizes and in other units gives the same, and a loose file what it leaves open.

Scaled by the CAD kernel; nothing but the size may change. What is as near as rounding decides is left out.
"""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from hard_shapes import HARD, scaled

from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.step import read_step

SIZES = [pytest.param(1 / 30, "MM", id="1/30"), pytest.param(30.0, "MM", id="30"), pytest.param(1.0, "INCH", id="inch")]


def feet(shape, path, points, size=1.0, unit="MM"):
    path = es.write(shape if size == 1.0 else scaled(shape, size), path, unit=unit)
    body = read_step(path, deflection=0.03 * size)
    return ExactEngine(body).feet(points * size), body.gap


@pytest.fixture(scope="module", params=["filleted", "rational", "revolved", "5 x 1"])
def part(request, tmp_path_factory):
    """A shape, touches of it from 10 nm to 1 mm, and their feet."""
    shape = (es.SHAPES | HARD)[request.param]()
    points = es.touches(shape, 300, 5, (1e-5, 0.003, 0.1, 1.0))
    return shape, points, feet(shape, tmp_path_factory.mktemp("scale") / "part.step", points)[0]


@pytest.mark.parametrize(("size", "unit"), SIZES)
def test_feet_scale_with_the_part(part, size, unit, tmp_path):
    shape, points, one = part
    found, gap = feet(shape, tmp_path / "part.step", points, size, unit)
    # the kernel itself joins edges to 1e-7 mm at any size
    np.testing.assert_allclose(found.distance / size, one.distance, rtol=0, atol=1e-8 + gap / size)
    assert (found.flags != one.flags).mean() < 0.03  # 4 to 20 % with lengths that do not scale
    assert (found.how == one.how).mean() > 0.995


def test_an_apex_that_the_file_states_off_its_cone(tmp_path):
    """By 5 um: touches above it keep their sign, and feet beside it their place.

    The reference is the sound file.
    """
    import re

    shape = es.moved(es.SHAPES["cone"](), (1, 2, 3), 0.7, (5, 6, 7))
    path = es.write(shape, tmp_path / "sound.step")
    text = path.read_text()
    rounded = re.compile(r"CARTESIAN_POINT\('',\(([^)]*)\)\)")

    def short(found):
        return f"CARTESIAN_POINT('',({','.join(f'{float(x):.5f}' for x in found.group(1).split(','))}))"

    loose = tmp_path / "loose.step"
    loose.write_text(rounded.sub(short, text))
    sound, found = read_step(path, deflection=0.03), read_step(loose, deflection=0.03)
    (apex,) = next(face.poles for face in sound.faces if face.poles)
    way = np.random.default_rng(2).normal(size=(200, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    points = apex + way * np.resize([0.003, 0.1, 0.5], 200)[:, None]
    known, now = ExactEngine(sound).feet(points), ExactEngine(found).feet(points)
    clear = np.abs(known.distance) > 1e-4
    np.testing.assert_allclose(now.distance[clear], known.distance[clear], rtol=0, atol=5e-5)
