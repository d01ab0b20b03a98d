"""Nearest points of exact models against the CAD kernel's own, to 1e-6 mm, on freeform, trimmed and closed faces.

The reference is Open CASCADE: `BRepExtrema_DistShapeShape` for distances, `BRepClass3d_SolidClassifier` for signs.
Where they are known to err (see `exact_shapes.kernel_projections`, `inside_by_rays`), it is asked in another way.
"""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from thorough import count, some

from probekit.nominal.exact import HOW, ExactEngine
from probekit.nominal.exact.step import read_step

#: The requirement [mm].
CLOSE = 1e-6

#: Shapes with a crease inside a face; the kernel is given them divided there, or it stops beside the crease.
CREASED = ("drop", "creased_skin")

#: Shapes that the kernel knows better in another form: an apex is hard on its B-splines.
EQUAL = {"cone_spline": "cone"}

#: Shapes on which the kernel takes long.
LONG = ("rational", "freeform_filleted", "lofted", "drop", "turned_cluster", "offset_skin", "creased_skin", "plate")
LONG += tuple(name for name in es.SHAPES if name.endswith("_spline"))

#: Touches for each shape: more than 20 000 in all in a long run.
MANY = dict.fromkeys(es.SHAPES, count(300, 1500)) | dict.fromkeys(LONG, count(100, 600))


@pytest.fixture(scope="module", params=some(es.SHAPES))
def case(request, tmp_path_factory):
    """Name, engine, and the shape as the kernel reads it back."""
    name = request.param
    model = es.make(name, tmp_path_factory.mktemp("step"))
    reference = model.shape
    if name in EQUAL:
        reference = es.make(EQUAL[name], tmp_path_factory.mktemp("step")).shape
    elif name in CREASED:
        reference = es.without_creases(model.shape)
    return name, ExactEngine(read_step(model.path, deflection=0.03, body="*")), model, reference


def differences(distance, points, reference):
    """Our distances less the kernel's, and how many it had to be asked for twice."""
    theirs, _ = es.kernel_distances(points, reference)
    difference = np.abs(distance) - theirs
    again = np.flatnonzero(difference < -CLOSE)
    if len(again):
        theirs[again] = np.minimum(theirs[again], es.kernel_projections(points[again], reference))
    return np.abs(distance) - theirs, len(again)


@pytest.mark.slow
def test_every_touch(case):
    name, engine, model, reference = case
    points = es.touches(model.shape, MANY[name], seed=1)
    found = engine.feet(points)
    difference, twice = differences(found.distance, points, reference)
    assert np.abs(difference).max() <= CLOSE
    assert twice <= 0.02 * MANY[name], "the kernel's own extrema are the reference, not the second way"
    assert not np.isin(found.how, [HOW.index(""), HOW.index("facet")]).any(), "every one settled"
    # the foot is where the distance says
    away = np.linalg.norm(points - found.foot, axis=1)
    np.testing.assert_allclose(np.abs(found.distance), away, rtol=0, atol=1e-7)
    clear = away > 1e-6
    along = found.normal[clear] * found.distance[clear, None]
    np.testing.assert_allclose(along, (points - found.foot)[clear], rtol=0, atol=1e-6)
    np.testing.assert_allclose(np.linalg.norm(found.normal, axis=1), 1.0, atol=1e-9)
    # outside is positive
    outside = ~es.kernel_inside(points, reference)
    wrong = np.flatnonzero((np.abs(found.distance) > 1e-7) & ((found.distance > 0) != outside))
    assert len(wrong) <= 0.02 * MANY[name]
    if len(wrong):
        np.testing.assert_array_equal(found.distance[wrong] > 0, ~es.inside_by_rays(points[wrong], reference))


@pytest.mark.slow
def test_far_touches(case):
    _, engine, _, reference = case
    points = es.touches(reference, 60, seed=2, distances=(20.0,))
    difference, _ = differences(engine.feet(points).distance, points, reference)
    assert np.abs(difference).max() <= CLOSE


@pytest.mark.slow
def test_each_face_alone(case):
    name, engine, model, reference = case
    if name in CREASED:
        pytest.skip("the kernel's faces are divided there")
    faces = es.parts(reference, es.FACE)
    rng = np.random.default_rng(3)
    points = es.touches(model.shape, 300, seed=3)
    for k in rng.permutation(len(faces))[:6]:
        one, facets = engine.of_face(int(k))
        some = points[rng.permutation(len(points))[:25]]
        # on a face alone a touch may be far off and have several nearest points: keep to what is near
        theirs, _ = es.kernel_distances(some, faces[k])
        near = some[theirs <= 4.0]
        found = one.feet(near)
        difference, _ = differences(found.distance, near, faces[k])
        assert np.abs(difference).max(initial=0.0) <= CLOSE
        assert set(np.unique(found.face)) <= {k}
        assert (engine.brep.facet_face[facets] == k).all()


def test_the_set_has_all_kinds(tmp_path):
    kinds = set()
    for name in ("plate", "rational", "filleted", "cone", "revolved", "offset_skin"):
        kinds |= {face.kind for face in read_step(es.make(name, tmp_path).path, body="*").faces}
    assert kinds == {"plane", "cylinder", "cone", "sphere", "torus", "spline", "extrusion", "revolution", "offset"}
    assert sum(MANY.values()) >= count(4_000, 20_000)


def test_ways_of_settling(tmp_path):
    for name, way in (
        ("sphere", "formula"),
        ("bezier", "newton"),
        ("offset_skin", "newton"),
        ("cone", "edge"),
    ):
        model = es.make(name, tmp_path)
        found = ExactEngine(read_step(model.path)).feet(es.touches(model.shape, 60, seed=4))
        assert HOW.index(way) in found.how, name
