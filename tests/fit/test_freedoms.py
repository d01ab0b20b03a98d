"""Degrees of freedom: held, undetermined and named in words, held; and the pivot about which they are taken."""

import re
from itertools import combinations

import numpy as np
import pytest
import shapes

from probekit import ProbekitWarning, UndeterminedError
from probekit.fit import FREEDOMS, make_motion, rigid
from probekit.fit.motion import free_basis
from probekit.fit.undetermined import describe_motions, undetermined_motions
from probekit.geometry import apply_motion, motion_parameters
from probekit.nominal import Nominal

SUBSETS = [frozenset(s) for k in range(6) for s in combinations(FREEDOMS, k)]  # held: none to all but one
PIVOT = np.array([12.0, -8.0, 5.0])


def all_but(held) -> tuple[str, ...]:
    return tuple(name for name in FREEDOMS if name not in held)


def box_touches(n: int = 40) -> np.ndarray:
    points, normals = shapes.sample_box(shapes.box(), n, np.random.default_rng(0))
    points = points + normals * np.random.default_rng(1).normal(scale=0.02, size=(n, 1))
    return apply_motion(make_motion([0.1, -0.2, 0.15], [0.2, 0.1, -0.15]), points)


@pytest.mark.parametrize("method", ["least_squares", "minimax"])
def test_every_subset_held(method):
    """All 63 sets that leave something free: held parameters are zero; freeing one more never makes it worse."""
    nominal, points = shapes.box(), box_touches()
    fits = {held: rigid(points, nominal, free=all_but(held), method=method, pivot=PIVOT) for held in SUBSETS}
    assert len(fits) == 63
    for held, found in fits.items():
        values = dict(zip(FREEDOMS, [*found.translation, *found.rotation_deg], strict=True))
        assert max((abs(values[name]) for name in held), default=0.0) < 1e-12
        if method == "least_squares":
            assert min(abs(values[name]) for name in FREEDOMS if name not in held) > 1e-6
        assert found.free == all_but(held)
        for name in held:
            assert fits[held - {name}].objective <= found.objective + (3e-6 if method == "minimax" else 1e-9)
        zero = [k for k, name in enumerate(FREEDOMS) if name in held]
        assert not found.covariance[zero].any()
        assert ("held at zero: " + ", ".join(n for n in FREEDOMS if n in held) in found.sentence) == bool(held)
    assert fits[frozenset()].objective < 0.5 * fits[frozenset(FREEDOMS[:5])].objective


def test_pivot_changes_numbers_not_the_motion():
    nominal, points = shapes.box(), box_touches()
    plain, other = rigid(points, nominal), rigid(points, nominal, pivot=PIVOT)
    assert other.motion == pytest.approx(plain.motion, abs=1e-9)
    assert other.rotation_deg == pytest.approx(plain.rotation_deg, abs=1e-9)
    assert make_motion(other.translation, other.rotation_deg, pivot=PIVOT) == pytest.approx(other.motion, abs=1e-12)
    assert other.translation == pytest.approx(apply_motion(plain.motion, PIVOT[None])[0] - PIVOT, abs=1e-9)


def test_translation_is_least_uncertain_about_the_middle_of_the_touches():
    nominal, points = shapes.box(), box_touches()
    near, far = (rigid(points, nominal, pivot=p) for p in (points.mean(axis=0), [1000, 0, 0]))
    assert far.uncertainty[1] > 10 * near.uncertainty[1]
    turn = np.radians(near.uncertainty[5])
    assert far.uncertainty[1] == pytest.approx(1000 * turn, rel=0.05)  # the far pivot swings by arm times turn


def test_locked_translation_holds_the_pivot():
    found = rigid(box_touches(), shapes.box(), free=("tz", "rx", "ry", "rz"), pivot=PIVOT)
    assert (apply_motion(found.motion, PIVOT[None])[0] - PIVOT)[:2] == pytest.approx([0, 0], abs=1e-12)
    elsewhere = rigid(box_touches(), shapes.box(), free=("tz", "rx", "ry", "rz"))
    assert np.abs(apply_motion(elsewhere.motion, PIVOT[None])[0] - PIVOT)[:2].max() > 1e-3


def helicoid() -> Nominal:
    """A spiral ramp: it may screw about z by 8 mm a radian."""
    return shapes.grid(
        lambda r, a: (r * np.cos(a), r * np.sin(a), 8.0 * a), np.linspace(10, 30, 41), np.linspace(0, 4.5, 121)
    )


#: Shape -> the motions left, in words without numbers, and the locks that take them away. All axes are z.
LEFT = {
    "plane": (shapes.plane_patch, ["slide in the plane normal to", "turn about the axis"], ("tx", "ty", "rz")),
    "cylinder": (shapes.cylinder, ["slide along", "turn about the axis"], ("tz", "rz")),
    "cone": (shapes.cone, ["turn about the axis"], ("rz",)),
    "ball": (shapes.ball, ["turn about any axis through"], ("rx", "ry", "rz")),
    "prism": (shapes.prism, ["slide along"], ("tz",)),
    "turned": (lambda: shapes.turned(lambda z: 15 + 3 * np.sin(z / 12)), ["turn about the axis"], ("rz",)),
    "helicoid": (helicoid, ["screw about the axis"], ("rz",)),
    "box top": (
        lambda: one_face(shapes.box(), 5),
        ["slide in the plane normal to", "turn about the axis"],
        ("tx", "ty", "rz"),
    ),
}


def one_face(part: Nominal, face: int) -> Nominal:
    own = part.facets[part.facet_face == face]
    return Nominal(np.array(part.vertices), own, np.zeros(len(own), dtype=np.int32), ("face",))


def placed(part: Nominal, motion: np.ndarray) -> Nominal:
    return Nominal(apply_motion(motion, part.vertices), part.facets, part.facet_face, part.face_names)


def numbers(words: str) -> list[np.ndarray]:
    return [np.array([float(v) for v in group.split(",")]) for group in re.findall(r"\(([^)]*)\)", words)]


@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (50.0, -30.0, 20.0)], ids=["upright", "tilted"])
@pytest.mark.parametrize("shape", LEFT)
def test_motions_left_are_named(shape, turn):
    """By the symmetry of each shape; where it stands and how it is tilted is seen in the axis."""
    make, expected, _ = LEFT[shape]
    motion = make_motion([40.0, 10.0, -20.0], turn)
    nominal = placed(make(), motion)
    points, normals = shapes.sample(nominal, 90, np.random.default_rng(1))
    points = points + normals * np.random.default_rng(2).normal(scale=0.01, size=(90, 1))
    with pytest.raises(UndeterminedError, match="the touches do not fix the part: it could") as caught:
        rigid(points, nominal)
    assert [words.split(" (")[0] for words in caught.value.motions] == expected
    origin = motion[:3, 3]
    for words in caught.value.motions:
        vector, *through = numbers(words)
        if shape == "ball":
            assert vector == pytest.approx(origin, abs=0.05)  # the one point that is named
            continue
        axis = motion[:3, 2]
        assert np.abs(vector @ axis) == pytest.approx(1, abs=2e-4)
        if through and shape not in ("plane", "box top"):  # those may turn about any axis along the normal
            assert np.linalg.norm(np.cross(through[0] - origin, axis)) < 0.2
    assert "Touch more faces, leave those degrees of freedom out of free=" in str(caught.value)


@pytest.mark.parametrize("method", ["least_squares", "tukey", "minimax"])
@pytest.mark.parametrize("shape", LEFT)
def test_holding_takes_the_undetermined_away(shape, method):
    make, _, held = LEFT[shape]
    nominal = make()
    points, _ = shapes.sample(nominal, 90, np.random.default_rng(1), inner=0.6)
    free = [k for k, name in enumerate(FREEDOMS) if name not in held]
    put_in = np.zeros(6)
    put_in[free] = np.array([0.05, -0.04, 0.03, 0.05, -0.06, 0.04])[free]
    points = apply_motion(make_motion(put_in[:3], put_in[3:]), points)
    found = rigid(points, nominal, free=all_but(held), method=method)
    assert np.abs(found.residuals).max() < 5e-5  # chord error
    assert found.condition < 500


@pytest.mark.parametrize("method", ["least_squares", "huber", "tukey", "minimax"])
def test_hold_warns_and_holds(method):
    """A plane: what it cannot tell stays zero about the middle of the touches, the rest as if it were not free."""
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(-25, 25, (50, 2)), 0.1 + rng.normal(scale=0.01, size=50)])
    middle = points.mean(axis=0)
    with pytest.warns(ProbekitWarning, match=r"held at zero.*slide in the plane normal to \(0.000, 0.000, 1.000\)"):
        held = rigid(points, shapes.plane_patch(), undetermined="hold", method=method, pivot=middle)
    assert np.abs([*held.translation[:2], held.rotation_deg[2]]).max() < 1e-9
    assert [words.split()[0] for words in held.undetermined] == ["slide", "turn"]
    assert "not fixed by the touches, held at zero: slide" in held.sentence
    fewer = rigid(points, shapes.plane_patch(), free=("tz", "rx", "ry"), method=method, pivot=middle)
    assert held.motion == pytest.approx(fewer.motion, abs=1e-6)
    if method != "minimax":
        assert held.uncertainty == pytest.approx(fewer.uncertainty, abs=1e-6)


def test_hold_says_nothing_when_all_is_fixed():
    found = rigid(box_touches(), shapes.box(), undetermined="hold")  # a warning would be an error
    assert found.undetermined == ()


def test_hold_a_bore():
    nominal = placed(shapes.cylinder(), make_motion([0, 0, 0], [20, 35, 0]))
    points, _ = shapes.sample(nominal, 60, np.random.default_rng(4), inner=0.6)
    axis = make_motion([0, 0, 0], [20, 35, 0])[:3, 2]
    side = np.cross(axis, [1, 0, 0])
    middle = points.mean(axis=0)
    with pytest.warns(ProbekitWarning, match="slide along .*turn about the axis"):
        found = rigid(points + 0.1 * side, nominal, undetermined="hold", pivot=middle)
    shift, turn = motion_parameters(found.motion, pivot=middle)
    assert abs(shift @ axis) < 1e-4
    assert abs(turn @ axis) < 1e-3
    assert np.abs(found.residuals).max() < 1e-4


def test_few_touches_leave_motions():
    points, _ = shapes.sample_box(shapes.box(), 4, np.random.default_rng(5))
    with pytest.raises(UndeterminedError) as caught:
        rigid(points, shapes.box())
    assert len(caught.value.motions) >= 1


def test_sensitivity_is_per_millimetre():
    """Of a lone tilted direction: its cosine, whatever the number of touches."""
    rows = np.tile([[0.6, 0.8]], (7, 1))
    null, sensitivity = undetermined_motions(rows, below=1e-3)
    assert sensitivity == pytest.approx([1.0, 0.0], abs=1e-12)
    assert np.abs(null[:, 0] @ [0.8, -0.6]) == pytest.approx(1.0)
    assert undetermined_motions(np.eye(3), below=1e-3)[0].shape == (3, 0)


def test_words_of_pure_motions():
    free, centre = np.ones(6, dtype=bool), np.array([10.0, 20.0, 30.0])
    slides = np.vstack([np.eye(3), np.zeros((3, 3))])
    assert describe_motions(slides, free, centre, 25.0) == ["slide in any direction"]
    about = np.zeros((6, 1))
    about[4] = 1.0
    assert describe_motions(about, free, centre, 25.0) == [
        "turn about the axis (0.000, 1.000, 0.000) through (10.00, 20.00, 30.00)"
    ]
    basis = free_basis(np.array([True, False, False, False, False, True]), 25.0)
    assert basis.shape == (6, 2)
    only_tx = describe_motions(np.array([[1.0], [0.0]]), np.array([1, 0, 0, 0, 0, 1], dtype=bool), centre, 25.0)
    assert only_tx == ["slide along (1.000, 0.000, 0.000)"]
