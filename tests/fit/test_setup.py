"""Set-up from touches in machine coordinates: closed forms, and touching again with the new work offset."""

import json

import numpy as np
import pandas as pd
import pytest
import shapes
from scipy.spatial.transform import Rotation

from probekit import InputError, ProbekitWarning, deviation, touches
from probekit.demo import demo_folder
from probekit.fit import Datum, datum_frame, make_motion, move_touches, rigid, set_up
from probekit.fit.setup import work_offset_change
from probekit.geometry import apply_motion, invert_motion
from probekit.uncertainty import Scatter

X, Y, Z = np.eye(3)
#: Where the control takes the part frame to be, and how the part lies in it: by hand, as a motion of the part.
OFFSET = make_motion([512.0, -240.0, -310.0], [0.0, 0.0, 30.0])
OFF = make_motion([0.30, -0.20, 0.15], [0.10, -0.05, 0.40])
TILTED = [Datum("A", "plane", "top"), Datum("B", "plane", "left"), Datum("C", "plane", "front")]


def corner(ball=3.0):
    """Ball centres on the three planes of a corner, part coordinates; targets with them."""
    at = np.array([[5, 5, 0], [45, 8, 0], [20, 40, 0], [0, 8, -5], [0, 40, -6], [10, 0, -5], [40, 0, -9]], dtype=float)
    normals = np.array([Z, Z, Z, -X, -X, -Y, -Y])
    out = pd.DataFrame(
        np.hstack([at, normals, at + ball * normals]), columns=["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"]
    )
    out.insert(0, "feature", ["top"] * 3 + ["left"] * 2 + ["front"] * 2)
    out.insert(0, "touch", np.arange(1, 8))
    out.attrs["recorded"] = "centre"
    return out


def test_corner_in_a_turned_work_offset():
    measured = move_touches(corner(), OFFSET @ OFF)
    found = set_up(measured, TILTED, work_offset=OFFSET, ball=3.0, u=0.002)
    assert found.part_in_machine == pytest.approx(OFFSET @ OFF, abs=1e-9)
    turn = Rotation.from_euler("z", 30, degrees=True)  # the machine's axes against the part's, by scipy
    assert found.shift == pytest.approx(turn.apply([0.30, -0.20, 0.15]), abs=1e-9)
    assert found.rotation_deg == pytest.approx(turn.apply([0.10, -0.05, 0.40]), abs=1e-9)
    assert found.found == (True,) * 6
    # the new offset is the present one, turned about its origin and shifted
    new = make_motion(found.shift, found.rotation_deg, pivot=OFFSET[:3, 3]) @ OFFSET
    assert new == pytest.approx(found.part_in_machine, abs=1e-9)
    again = set_up(measured, TILTED, work_offset=new, ball=3.0)
    assert np.concatenate([again.shift, again.rotation_deg]) == pytest.approx([0] * 6, abs=1e-8)
    back = move_touches(measured, invert_motion(new))
    assert back[["x", "y", "z"]].to_numpy() == pytest.approx(corner()[["x", "y", "z"]].to_numpy(), abs=1e-9)


def test_signs_in_words():
    """A part 0.3 further along X than the control believes: add +0.3. Turned from X towards Y: a positive turn."""
    found = set_up(move_touches(corner(), make_motion([0.3, 0, 0], [0, 0, 0.2])), TILTED, ball=3.0, u=0.001)
    assert "Add to the work offset, along the machine's axes: X +0.3000 mm (u 0.00" in found.sentence
    assert "Z +0.2000 deg" in found.sentence
    assert "from X towards Y" in found.sentence
    assert "needs a machine that can tilt" not in found.sentence
    assert "new clamping" in set_up(move_touches(corner(), OFF), TILTED, ball=3.0, u=1e-4).sentence
    page = found._repr_html_()
    assert "Caution" in page
    assert "single block" in page
    assert "not known" in set_up(move_touches(corner(), OFF), TILTED, ball=3.0).sentence


@pytest.mark.parametrize("material", ["inside", "outside"])
def test_bore_or_boss_at_one_depth_finds_two_shifts(material):
    """Four touches square to each other about a bore: the centre is their mean; u of it is u / sqrt(2)."""
    sign = 1.0 if material == "inside" else -1.0
    centre = np.array([100.0, 50.0, -8.0])
    points = centre + (10.0 + sign * 3.0) * np.array([X, Y, -X, -Y])
    datum = Datum(
        "A", "cylinder", "hole", material=material, simulator="least_squares",
        nominal={"point": (20.0, 10.0, 0.0), "direction": Z, "radius": 10.0},
    )  # fmt: skip
    found = set_up({"hole": points}, [datum], work_offset=(80.2, 39.7, 0.0), free=("tx", "ty", "tz"), ball=3.0, u=0.002)
    assert found.origin == pytest.approx([80.0, 40.0, 0.0], abs=1e-9)
    assert found.shift == pytest.approx([-0.2, 0.3, 0.0], abs=1e-9)
    assert found.found == (True, True, False, False, False, False)
    assert found.uncertainty[:2] == pytest.approx([0.002 / np.sqrt(2)] * 2, rel=1e-6)
    assert "Not determined by these touches, unchanged: shift Z, turn about X" in found.sentence


def test_edge_slot_web_and_flat_face_find_one_shift_each():
    free = ("tx", "ty", "tz")
    edge = Datum("A", "plane", "edge", nominal={"point": (0, 0, 0), "direction": -X})
    found = set_up({"edge": np.array([[-2.7, 20.0, -5.0]])}, [edge], free=free, ball=3.0)
    assert found.shift == pytest.approx([0.3, 0, 0], abs=1e-12)
    assert found.found == (True, False, False, False, False, False)
    for material, reach in (("outside", 2.0), ("inside", 8.0)):
        middle = Datum(
            "A", "width", "s", material=material, nominal={"point": (0, 0, 0), "direction": Y, "width": 10.0}
        )
        walls = {"s": np.array([[3.0, reach + 0.07, -4.0], [3.0, -reach + 0.07, -4.0]])}
        found = set_up(walls, [middle], free=free, ball=3.0)
        assert found.shift == pytest.approx([0, 0.07, 0], abs=1e-12)
    top = Datum("A", "plane", "top", nominal={"point": (0, 0, 0), "direction": Z})
    face = set_up({"top": np.array([[0, 0, 3.1], [40, 0, 3.1], [0, 30, 3.1], [40, 30, 3.1]])}, [top], ball=3.0, u=0.002)
    assert face.shift == pytest.approx([0, 0, 0.1], abs=1e-12)
    assert face.found == (False, False, True, True, True, False)


def test_two_touches_on_an_edge_find_the_turn():
    """A side rises by 0.4 over 80 mm: turn by atan(0.4 / 80)."""
    side = Datum("A", "plane", "side", nominal={"point": (0, 0, 0), "direction": -Y})
    measured = {"side": np.array([[0.0, 0.0, -5.0], [80.0, 0.4, -5.0]])}
    found = set_up(measured, [side], free=("tx", "ty", "tz", "rz"), u=0.001)
    assert found.rotation_deg == pytest.approx([0, 0, np.degrees(np.arctan(0.4 / 80))], abs=1e-9)
    assert found.uncertainty[5] == pytest.approx(np.degrees(0.001 * np.sqrt(2) / 80), rel=1e-3)


def test_freeform_part_is_found_like_any_other():
    nominal = shapes.bumpy_ball()
    points, normals = shapes.sample(nominal, 60, np.random.default_rng(0))
    out = pd.DataFrame(np.hstack([points, normals, points]), columns=["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"])
    out.insert(0, "feature", "")
    out.insert(0, "touch", np.arange(60))
    out.attrs["recorded"] = "contact"
    measured = move_touches(out, OFFSET @ OFF)
    found = set_up(measured, nominal=nominal, work_offset=OFFSET)
    assert apply_motion(found.part_in_machine, points) == pytest.approx(apply_motion(OFFSET @ OFF, points), abs=1e-3)
    assert found.found == (True,) * 6


def test_freeform_as_a_datum_from_touches_as_they_come():
    """A face of the nominal as datum, ball centres not projected before: the motion by which the part was moved."""
    nominal, ball = shapes.bumpy_ball(), 3.0
    points, normals = shapes.sample(nominal, 60, np.random.default_rng(0))
    out = pd.DataFrame(
        np.hstack([points, normals, points + ball * normals]),
        columns=["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"],
    )
    out.insert(0, "feature", "skin")
    out.insert(0, "touch", np.arange(60))
    out.attrs["recorded"] = "centre"
    measured = move_touches(out, OFFSET @ OFF)
    found = set_up(measured, [Datum("A", "face", "skin")], nominal=nominal, work_offset=OFFSET, ball=ball, u=0.002)
    assert apply_motion(found.part_in_machine, points) == pytest.approx(apply_motion(OFFSET @ OFF, points), abs=1e-3)
    assert found.found == (True,) * 6
    free = set_up(measured, nominal=nominal, work_offset=OFFSET, ball=ball, u=0.002)
    assert found.shift == pytest.approx(free.shift, abs=1e-6)


def test_freeform_that_may_turn_says_so():
    bar = shapes.cylinder()
    points, _ = shapes.sample(bar, 60, np.random.default_rng(1), inner=0.5)
    table = deviation.project(points + 0.2 * X, bar)
    with pytest.warns(ProbekitWarning, match="held at zero"):
        found = set_up(table, nominal=bar, u=0.005)
    assert found.found == (True, True, False, True, True, False)
    assert found.shift[:2] == pytest.approx([0.2, 0], abs=5e-3)


def test_uncertainty_by_sampling():
    """Covariance of shift and turn against 150 set-ups with errors of the touches, least squares simulators."""
    datums = [
        Datum("A", "plane", "top", simulator="least_squares"),
        Datum("B", "plane", "left", simulator="least_squares"),
        Datum("C", "plane", "front", simulator="least_squares"),
    ]
    offset = make_motion([300.0, 200.0, 50.0], [5.0, -10.0, 30.0])
    measured = move_touches(corner(), offset @ make_motion([0.3, -0.2, 0.15], [2.0, -3.0, 4.0]))
    stated = set_up(measured, datums, work_offset=offset, ball=3.0, u=0.01)
    rng = np.random.default_rng(3)
    drawn = []
    for _ in range(150):
        noisy = measured.copy()
        noisy[["x", "y", "z"]] += 0.01 * rng.normal(size=(7, 3))  # across the normal errors do not matter
        one = set_up(noisy, datums, work_offset=offset, ball=3.0, u=0.01)
        drawn.append(np.concatenate([one.shift, one.rotation_deg]))
    scale = stated.uncertainty
    correlation = stated.covariance / np.outer(scale, scale)
    # 150 draws: 6 % on each spread, 0.08 on a correlation; four times that
    assert np.std(drawn, axis=0) == pytest.approx(scale, rel=0.24)
    assert np.cov(np.array(drawn).T) / np.outer(scale, scale) == pytest.approx(correlation, abs=0.35)


def test_demo_set_up_is_the_injected_one():
    """`motion_nominal_to_program` of data/foil/truth.json: where the part sits in the program's coordinates."""
    truth = json.loads((demo_folder() / "foil" / "truth.json").read_text())["motion_nominal_to_program"]
    measured = touches.read(demo_folder() / "foil" / "touches.csv")
    datums = [Datum("A", "plane", "base_top"), Datum("B", "cylinder", "bore"), Datum("C", "width", "slot")]
    found = set_up(measured, datums, ball=2.991)
    expected = np.array([*truth["translation"], *truth["rotation_vector_deg"]])
    got = np.concatenate([found.shift, found.rotation_deg])
    assert (np.abs(got - expected) < 3 * found.uncertainty).all()
    assert found.part_in_machine == pytest.approx(np.array(truth["matrix"]), abs=3e-3)


def test_any_alignment_can_set_up():
    nominal = shapes.box()
    points, _ = shapes.sample_box(nominal, 30, np.random.default_rng(0))
    fitted = rigid(apply_motion(OFF, points), nominal, pivot=(10, 20, 30), u=0.01)
    about_origin = rigid(apply_motion(OFF, points), nominal, u=0.01)
    found = work_offset_change(fitted, work_offset=OFFSET)
    assert found.part_in_machine == pytest.approx(OFFSET @ OFF, abs=1e-6)
    other = work_offset_change(about_origin, work_offset=OFFSET).covariance
    scale = np.sqrt(np.diag(other))
    assert scale.min() > 1e-4
    assert found.covariance / np.outer(scale, scale) == pytest.approx(other / np.outer(scale, scale), abs=1e-6)


@pytest.mark.parametrize(
    ("offset", "message"),
    [([1.0, 2.0], "an origin"), (np.diag([1, 1, -1, 1.0]), "not a rigid motion"), ([np.nan, 0, 0], "an origin")],
)
def test_a_work_offset_that_is_none(offset, message):
    with pytest.raises(InputError, match=message):
        set_up(corner(), TILTED, work_offset=offset, ball=3.0)


def test_freeform_needs_the_nominal():
    with pytest.raises(InputError, match="nominal="):
        set_up(corner(), ball=3.0)
    assert datum_frame(corner(), TILTED, ball=3.0).free == ()


def test_what_touches_share_moves_the_set_up():
    """A corner touched from one side of each plane: a radius error r, common to all, moves its origin by r along each
    axis, however many touches there are; own parts average over the three touches of the top."""
    scatter = Scatter(np.full(7, 0.001), np.full((7, 1), 0.004), ("radius",))
    measured = move_touches(corner(), OFFSET)
    alone = set_up(measured, TILTED, work_offset=OFFSET, ball=3.0, u=0.001)
    found = set_up(measured, TILTED, work_offset=OFFSET, ball=3.0, scatter=scatter)
    more = found.covariance[:3, :3] - alone.covariance[:3, :3]
    # moved by 0.004 along all three outward normals (Z, -X, -Y) of the part, which is turned by 30 degrees
    shift = OFFSET[:3, :3] @ (0.004 * (Z - X - Y))
    assert more == pytest.approx(np.outer(shift, shift), abs=1e-9)
    assert found.covariance[3:, 3:] == pytest.approx(alone.covariance[3:, 3:], abs=1e-12)
    with pytest.raises(InputError, match="one of them"):
        set_up(measured, TILTED, work_offset=OFFSET, ball=3.0, scatter=scatter, u=0.001)


def test_what_touches_share_moves_a_freeform_set_up():
    block = shapes.box()
    rng = np.random.default_rng(2)
    feet, normals = [], []
    for axis in range(3):
        at = rng.uniform(0.2, 0.8, (6, 3)) * block.vertices.max(axis=0)
        at[:, axis] = block.vertices[:, axis].max()
        feet.append(at)
        normals.append(np.tile(np.eye(3)[axis], (6, 1)))
    at, normal = np.vstack(feet), np.vstack(normals)
    table = pd.DataFrame(np.hstack([at, normal, at]), columns=["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"])
    table.insert(0, "feature", "all")
    table.insert(0, "touch", np.arange(18))
    table.attrs["recorded"] = "contact"
    scatter = Scatter(np.full(18, 0.001), np.full((18, 1), 0.004), ("radius",))
    alone, found = set_up(table, nominal=block, u=0.001), set_up(table, nominal=block, scatter=scatter)
    more = found.covariance - alone.covariance
    assert more[:3, :3] == pytest.approx(np.full((3, 3), 0.004**2), rel=1e-3)
