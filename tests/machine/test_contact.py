"""Contact of the ball with as-made parts: closed forms, the demo's own solver, dense sampling of the made surface."""

import sys
from pathlib import Path

import numpy as np
import pytest
import shapes
import trimesh
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from probekit.errors import InputError, ProbekitWarning
from probekit.machine import AsMade, Hill, ReferenceRing, ReferenceSphere
from probekit.machine.contact import first_contact, first_obstacle
from probekit.nominal import from_arrays, load

DATA = Path(__file__).parents[2] / "data"


def straight(start, direction):
    start, direction = np.asarray(start, float), np.asarray(direction, float)
    return lambda rows, way: start[rows] + way[:, None] * direction[rows]


def moved(shift, degrees):
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(degrees, degrees=True).as_matrix()
    motion[:3, 3] = shift
    return motion


@pytest.fixture(scope="module")
def box():
    return shapes.box()


class TestClosedForms:
    def test_plane_offset_and_tilt(self, box):
        """A ball of radius r comes down on the plane h + offset, tilted by t about x: centre at (h + r) / cos t."""
        top = box.bounds[1, 2]
        for offset, tilt in ((0.0, 0.0), (0.05, 0.0), (-0.03, 2.0)):
            made = AsMade(box, offset={"top": offset}, motion=moved((0, 0, 0), (tilt, 0, 0)))
            start = np.array([[1.0, 0.0, top + 10.0]])
            way, normal = first_contact(made, straight(start, [[0, 0, -1.0]]), np.array([12.0]), 3.0)
            turn = np.radians(tilt)
            assert top + 10.0 - way[0] == pytest.approx((top + offset + 3.0) / np.cos(turn), abs=1e-7)
            np.testing.assert_allclose(normal[0], [0, -np.sin(turn), np.cos(turn)], atol=1e-9)

    def test_sphere_beside_the_middle(self):
        """Law of cosines: a ball coming down at a distance b beside the axis stops at sqrt((R + r)^2 - b^2)."""
        sphere = ReferenceSphere(20.0, (1.0, 2.0, 3.0))
        beside = np.linspace(0.0, 12.9, 14)
        start = np.column_stack([1.0 + beside, np.full(14, 2.0), np.full(14, 20.0)])
        way, normal = first_contact(sphere, straight(start, np.tile([0, 0, -1.0], (14, 1))), np.full(14, 30.0), 3.0)
        expected = 17.0 - np.sqrt(13.0**2 - beside**2)
        np.testing.assert_allclose(way, expected, atol=2e-6)  # at 12.9 the path only grazes
        np.testing.assert_allclose(normal[:, 0], beside / 13.0, atol=1e-6)

    def test_offset_sphere_of_facets(self):
        """A sphere moved outward by a constant is a sphere: within the facets' own error of it."""
        ball = trimesh.creation.icosphere(subdivisions=5, radius=10.0)
        part = from_arrays(ball.vertices, ball.faces)
        normals = np.random.default_rng(1).normal(size=(200, 3))
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        way, _ = first_contact(AsMade(part, 0.2), straight(20.0 * normals, -normals), np.full(200, 9.0), 2.0)
        sag = 10.0 - np.linalg.norm(ball.triangles_center, axis=1).min()
        assert np.abs(20.0 - way - 12.2).max() < sag + 1e-6

    def test_ring(self):
        ring = ReferenceRing(50.0, (0.5, 0.0, 0.0))
        way, normal = first_contact(ring, straight([[0.5, 0, 0]], [[0, 1.0, 0]]), np.array([30.0]), 3.0)
        assert way[0] == pytest.approx(22.0, abs=1e-7)
        np.testing.assert_allclose(normal, [[0, -1, 0]], atol=1e-9)

    def test_no_contact_and_contact_from_the_start(self):
        sphere = ReferenceSphere(20.0)
        start = [[0, 0, 20.0], [0, 0, 20.0], [0, 0, 12.0], [13.0001, 0, 20.0]]
        way, normal = first_contact(
            sphere, straight(start, np.tile([0, 0, -1.0], (4, 1))), np.array([6.9, 7.1, 5.0, 40.0]), 3.0
        )
        assert np.isnan(way[0])
        assert way[1] == pytest.approx(7.0, abs=1e-7)
        assert way[2] == 0.0
        assert np.isnan(way[3])
        assert np.isnan(normal[[0, 3]]).all()


class TestAgainstOtherSolvers:
    def test_the_demo_as_made(self):
        """`data/foil_made.py` solves u, v and the travel by a general root finder, with its own surface code."""
        pytest.importorskip("OCP")
        sys.path.insert(0, str(DATA))
        import foil_made as fm
        import foil_shape as fs

        def ridge(points, normals):
            (low, high), (x_0, x_3), (x_1, x_2) = fm.RIDGE["z"], fm.RIDGE["x_any"], fm.RIDGE["x_full"]
            up = np.clip(1 - ((points[:, 2] - (low + high) / 2) / ((high - low) / 2)) ** 2, 0, None) ** 3
            before = np.clip((x_1 - points[:, 0]) / (x_1 - x_0), 0, 1)
            behind = np.clip((points[:, 0] - x_2) / (x_3 - x_2), 0, 1)
            hill = fm.RIDGE["height"] * up * (1 - before**2) ** 3 * (1 - behind**2) ** 3
            return np.where((normals[:, 1] > 0) & (points[:, 2] > 1e-6), hill, 0.0)

        gouge = Hill(tuple(fm.gouge_centre()), fm.GOUGE["radius"], -fm.GOUGE["depth"], tuple(fs.skin_normal(0.75, 0.6)))
        made = AsMade(
            load(DATA / "foil" / "foil.step"), {"skin": fm.OFFSET}, (gouge,), further=ridge, motion=fm.motion()
        )
        features, points, normals, parameters = fm.targets()
        inverse = np.linalg.inv(fm.motion())
        theirs = np.array(
            [
                fm._travel(*line)
                for line in zip(
                    features,
                    points @ inverse[:3, :3].T + inverse[:3, 3],
                    normals @ inverse[:3, :3].T,
                    parameters,
                    strict=True,
                )
            ]
        )
        r = fm.BALL_RADIUS
        way, _ = first_contact(made, straight(points + (r + 3) * normals, -normals), np.full(len(points), 6.0), r)
        assert np.abs(r + 3 - way - theirs).max() < 1e-6  # found 1e-7 mm

    def test_hills_against_dense_samples(self):
        """The made surface as a cloud of points: no point of it lies in the ball at contact, and one lies on it."""
        part = shapes.plane_patch(size=40.0, n=4)
        hills = (Hill((1.0, 0.5, 0.0), 6.0, 0.4), Hill((-6.0, 4.0, 0.0), 5.0, -0.3))
        made = AsMade(part, 0.1, hills)
        rng = np.random.default_rng(3)
        start = np.column_stack([rng.uniform(-9, 9, (300, 2)), np.full(300, 12.0)])
        down = rng.normal(size=(300, 3)) * [0.3, 0.3, 0.0] - [0, 0, 1.0]
        down /= np.linalg.norm(down, axis=1, keepdims=True)
        way, normal = first_contact(made, straight(start, down), np.full(300, 20.0), 3.0)
        centre = start + way[:, None] * down
        axis = np.arange(-14.0, 14.0, 0.02)
        x, y = (a.ravel() for a in np.meshgrid(axis, axis, indexing="ij"))
        flat, up = np.column_stack([x, y, 0 * x]), np.tile([0, 0, 1.0], (len(x), 1))
        cloud = np.column_stack([x, y, 0.1 + sum(hill(flat, up) for hill in hills)])
        inside = (np.abs(centre[:, :2] - normal[:, :2] * 3.0) < 13).all(axis=1)
        nearest, which = cKDTree(cloud).query(centre[inside])
        assert inside.sum() > 280
        # the nearest sample is at most half a diagonal beside the contact, seen under the ball's and hill's curvature
        assert nearest.min() > 3.0 - 1e-7
        assert nearest.max() < 3.0 + 0.0142**2 / 2 * (1 / 3 + 0.2)
        np.testing.assert_allclose((centre[inside] - cloud[which]) / 3.0, normal[inside], atol=0.01)


class TestObstacles:
    def test_free_blocked_and_leaving(self, box):
        top, made = box.bounds[1, 2], AsMade(box)
        start = np.array([[0, 0, top + 3.2], [0, 0, top + 3.2], [0, 0, top + 2.99], [0, 0, top + 2.99]])
        way = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 0, 1.0], [0, 0, -1.0]])
        hit = first_obstacle(made, straight(start, way), np.full(4, 2.0), 3.0, leaving=np.array([0, 0, 1, 1], bool))
        assert np.isnan(hit[[0, 2]]).all()
        assert 0.2 <= hit[1] < 0.26
        assert hit[3] < 0.06

    def test_a_retract_that_leaves_and_then_runs_into_another_wall(self):
        ring = ReferenceRing(20.0)
        hit = first_obstacle(
            ring, straight([[7.1, 0, 0]], [[-1.0, 0, 0]]), np.array([20.0]), 3.0, leaving=np.array([True])
        )
        assert hit[0] == pytest.approx(14.1, abs=0.06)


class TestInput:
    def test_field_sharper_than_the_ball_warns(self):
        made = AsMade(shapes.plane_patch(), hills=(Hill((0, 0, 0), 1.0, -2.0),))
        with pytest.warns(ProbekitWarning, match="did not converge"):
            made.distance(np.array([[0.2, 0.1, 4.0], [0.3, 0.0, 3.0], [0.1, 0.2, 5.0]]))

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"offset": {"lid": 0.1}}, "no face with that name"),
            ({"offset": {"top": np.nan}}, "not a number"),
            ({"offset": True}, "not a number"),
            ({"motion": np.diag([1, 1, -1, 1.0])}, "not a rigid motion"),
            ({"motion": np.diag([2.0, 2, 2, 1])}, "not a rigid motion"),
            ({"motion": moved((np.nan, 0, 0), (0, 0, 0))}, "not a number"),
        ],
    )
    def test_as_made(self, box, change, words):
        with pytest.raises(InputError, match=words):
            AsMade(box, **change)

    @pytest.mark.parametrize(
        "hill", [((0, 0), 1, 1), ((0, 0, np.inf), 1, 1), ((0, 0, 0), 0, 1), ((0, 0, 0), 1, np.nan)]
    )
    def test_hill(self, hill):
        with pytest.raises(InputError, match="the hill is not usable"):
            Hill(*hill)

    @pytest.mark.parametrize("diameter", [0, -1.0, np.nan, np.inf, "20", True])
    def test_artefacts(self, diameter):
        for kind in (ReferenceSphere, ReferenceRing):
            with pytest.raises(InputError, match="no usable diameter"):
                kind(diameter)
