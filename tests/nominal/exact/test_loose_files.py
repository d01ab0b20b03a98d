"""Files whose coordinates are written with few digits: edges lie off their faces, and signs there stay right."""

from __future__ import annotations

import re

import numpy as np
import pytest
from thorough import some

pytest.importorskip("OCP")

import exact_shapes as es
from hard_shapes import HARD

from probekit.errors import InputError
from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.step import read_step
from probekit.nominal.facets import AMBIGUOUS

POINT = re.compile(r"CARTESIAN_POINT\('',\(([^)]*)\)\)")


def with_digits(path, digits):
    """The same file with its points rounded to some digits behind the point [mm]."""

    def short(found):
        return f"CARTESIAN_POINT('',({','.join(f'{float(x):.{digits}f}' for x in found.group(1).split(','))}))"

    loose = path.with_name(f"loose_{digits}.step")
    loose.write_text(POINT.sub(short, path.read_text()))
    return loose


@pytest.mark.parametrize(
    ("name", "digits"),
    [
        ("crossing bores", 6),
        ("crossing bores", 4),
        ("cone cut through its apex", 4),
        ("cone cut aslant", 6),
        ("plate", 6),
    ],
)
def test_a_loose_file_gives_the_deviations_of_the_sound_one(name, digits, tmp_path):
    """Rounding moves a face by half the last digit, and an edge between faces that meet at a small angle by more."""
    shape = es.moved((HARD | es.SHAPES)[name](), (1, 2, 3), 0.7, (5, 6, 7))
    path = es.write(shape, tmp_path / "sound.step")
    sound, loose = read_step(path), read_step(with_digits(path, digits))
    assert loose.gap >= sound.gap
    points = es.touches(shape, 3000, 5, (0.003, 0.01, 0.1, 1.0, 3.0))
    known, found = ExactEngine(sound).feet(points), ExactEngine(loose).feet(points, ambiguity=0.001)
    clear = np.abs(known.distance) > 30.0 * 10.0**-digits
    np.testing.assert_allclose(found.distance[clear], known.distance[clear], rtol=0, atol=6.0 * 10.0**-digits)
    assert (found.flags[clear] & AMBIGUOUS == 0).any()


def with_vertices_off(path, by, seed):
    """The same file with its vertices moved by about `by` [mm], and nothing else."""
    text, rng = path.read_text(), np.random.default_rng(seed)
    for number in sorted(set(re.findall(r"VERTEX_POINT\('',#(\d+)\)", text)), key=int):
        moved = re.search(rf"#{number} = {POINT.pattern}", text)
        place = np.array([float(x) for x in moved.group(1).split(",")]) + rng.normal(scale=by, size=3)
        text = text.replace(moved.group(0), f"#{number} = CARTESIAN_POINT('',({','.join(f'{x:.9f}' for x in place)}))")
    off = path.with_name(f"off_{seed}.step")
    off.write_text(text)
    return off


@pytest.mark.parametrize("name", some(["paraboloid", "drop"]))
def test_vertices_off_their_surface_turn_no_sign(name, tmp_path):
    """By 10 nm, so that a revolved profile may go over its axis, where the same surface has the other normal."""
    shape = es.moved((HARD | es.SHAPES)[name](), (1, 2, 3), 0.7, (5, 6, 7))
    path = es.write(shape, tmp_path / "sound.step")
    points = es.touches(shape, 800, 5, (0.003, 0.01, 0.1, 1.0, 3.0))
    known = ExactEngine(read_step(path)).feet(points)
    clear = np.abs(known.distance) > 1e-3
    for seed in range(4):
        found = ExactEngine(read_step(with_vertices_off(path, 1e-5, seed))).feet(points)
        np.testing.assert_allclose(found.distance[clear], known.distance[clear], rtol=0, atol=2e-4)


def with_a_plane_off(path, by):
    """The same file with one of its planes moved along its normal [mm], and nothing else."""
    text = path.read_text()
    position = re.search(r"PLANE\('',#(\d+)\)", text).group(1)
    point, normal = re.search(rf"#{position} = AXIS2_PLACEMENT_3D\('',#(\d+),#(\d+),", text).groups()
    own = re.search(rf"#{point} = {POINT.pattern}", text)
    way = re.search(rf"#{normal} = DIRECTION\('',\(([^)]*)\)\)", text).group(1)
    place = [float(x) + by * float(y) for x, y in zip(own.group(1).split(","), way.split(","), strict=True)]
    off = path.with_name("plane_off.step")
    off.write_text(text.replace(own.group(0), f"#{point} = CARTESIAN_POINT('',({','.join(map(str, place))}))"))
    return off


def test_a_face_beside_its_own_edges_is_refused_or_told(tmp_path):
    """Deviations are from its surface; edges elsewhere mean that one of both is wrong."""
    path = es.write(es.BRepPrimAPI_MakeBox(60, 40, 25).Shape(), tmp_path / "box.step")
    assert not any("off its surface" in note for note in read_step(path).notes)
    with pytest.raises(InputError, match=r"edges of face 1 do not lie on its surface.*up to 1\.2 mm off it"):
        read_step(with_a_plane_off(path, 1.2))
    notes = read_step(with_a_plane_off(path, 0.03)).notes
    assert sum("the edges of face 1 lie up to 0.03 mm off its surface" in note for note in notes) == 1
