"""The whole probe in a trial: stem, body, clamps of its own, the tool table. Each expected number is a closed form."""

import math

import numpy as np
import pytest
import shapes
from machine.probing_text import probing_text, targets_at
from trimesh import creation

from probekit import nominal
from probekit.errors import InputError
from probekit.machine import AsMade, ReferenceSphere, run
from probekit.machine.errors import Repeatability, Stuck
from probekit.plan import Kinematics, Probe, RotaryAxis

PROBE = Probe(6.0, 4.0, 50.0, body=((50, 25), (120, 25), (120, 62), (170, 62)), tool_length=170.0)
HEAD = "G21 G90 G94 G17\nM5 M9\nT9 M6\nG43 H9\n"
TOP = targets_at([[0.0, 0, 10.0], [5.0, 0, 10.0]], [[0, 0, 1.0]] * 2, "top")


def block(low, high, name="block", turn=None):
    mesh = creation.box(bounds=[low, high])
    vertices = mesh.vertices if turn is None else mesh.vertices @ turn.T
    return nominal.from_arrays(vertices, mesh.faces, name=name)


@pytest.fixture(scope="module")
def box():
    return shapes.box()  # its top is at z 10


class TestStem:
    """A wall, y from 10 on, leans over the stem by an angle: its lower face is touched deep below its upper edge."""

    LEAN = math.radians(5.0)
    DEEP = 40.0

    def wall(self):
        c, s = math.cos(self.LEAN), math.sin(self.LEAN)
        turn = np.array([[1.0, 0, 0], [0, c, -s], [0, s, c]])  # its top comes over towards -y
        return block([-100, 10, -80], [100, 60, 0], turn=turn), turn

    def ran(self, probe):
        wall, turn = self.wall()
        contact = turn @ [0.0, 10.0, -self.DEEP]
        normal = turn @ [0.0, -1.0, 0.0]
        centre = contact + 3.0 * normal
        text = HEAD + (
            f"G0 X0 Y{centre[1] - 8:.9f}\nG0 Z{centre[2]:.9f}\nG38.2 Y{centre[1] + 5:.9f} F60\n"
            f"(PROBEKIT RECORD 1 wall 0 {contact[1]:.9f} {contact[2]:.9f} 0 {normal[1]:.9f} {normal[2]:.9f})\n"
            f"G1 Y{centre[1] - 8:.9f} F1000\nG0 Z50\nM30\n"
        )
        # the ball would touch here, square to the wall; the edge, where the plane y = 10 ends at z = 0, meets the stem
        by_ball = centre[1]
        edge = (turn @ [0.0, 10.0, 0.0])[1]
        return run(text, wall, probe=probe, decimals=9), by_ball, edge - 2.0

    def test_a_stem_that_touches_first_triggers_and_is_told(self):
        result, by_ball, by_stem = self.ran(PROBE)
        assert result.table["y"].iloc[0] == pytest.approx(by_stem, abs=2e-5)
        assert by_ball - by_stem > 2.0
        assert result.stopped == ""
        assert any(
            "the stem of the stylus touched" in one and f"{by_ball - by_stem:.3f} mm before a ball" in one
            for one in result.findings
        )

    def test_a_ball_alone_would_have_said_nothing(self):
        result, by_ball, _ = self.ran(6.0)
        assert result.table["y"].iloc[0] == pytest.approx(by_ball, abs=1e-6)
        assert result.findings == ()
        assert "only the ball is watched" in result.sentence

    def test_a_stem_that_clears_changes_nothing(self):
        thin = Probe(6.0, 0.4, 50.0, body=PROBE.body, tool_length=170.0)
        wall = block([-100, 10, -80], [100, 60, 0])
        text = (
            HEAD
            + "G0 X0 Y0\nG0 Z-40\nG38.2 Y8 F60\n(PROBEKIT RECORD 1 wall 0 10 -40 0 -1 0)\nG1 Y0 F1000\nG0 Z50\nM30\n"
        )
        for probe in (PROBE, thin):
            result = run(text, wall, probe=probe, decimals=9)
            assert (result.stopped, result.findings) == ("", ())
            assert result.table["y"].iloc[0] == pytest.approx(7.0, abs=1e-6)


class TestBody:
    def test_body_into_a_clamp_that_no_plan_knows(self, box):
        """The clamp's side is at x 12: the body, radius 12.5, reaches 0.5 mm into it where it comes down to it."""
        clamp = block([12, -10, 0], [40, 10, 70], name="clamp right")
        text = probing_text(TOP)
        assert run(text, box, probe=PROBE).stopped == ""
        result = run(text, box, probe=PROBE, fixtures=[clamp])
        assert result.table["touch"].tolist() == []
        assert "the body of the probe runs into the fixture 'clamp right'" in result.stopped
        assert "the probe is watched up to 170 mm above its ball, against part and 1 fixture" in result.sentence
        lower = block([12, -10, 0], [40, 10, 59.9], name="clamp right")  # the body comes down to z 61
        assert run(text, box, probe=PROBE, fixtures=[lower]).stopped == ""

    def test_body_is_watched_in_a_probing_move_too(self, box):
        """The body comes down to 60 + 3 - overtravel: a clamp over the part, 62 high, is met in the probing move."""
        clamp = block([8, -10, 12], [40, 10, 64], name="bridge")
        result = run(probing_text(TOP[:1]), box, probe=PROBE, fixtures=[clamp])
        assert result.stopped_line == next(
            n for n, line in enumerate(probing_text(TOP[:1]).splitlines(), 1) if line.startswith("G38.2")
        )
        assert "the body of the probe runs into the fixture 'bridge'" in result.stopped

    def test_a_ball_that_touches_a_clamp_triggers_there(self, box):
        clamp = block([-2, -2, 10], [2, 2, 11], name="strap")
        result = run(probing_text(TOP[:1]), box, probe=PROBE, fixtures=[clamp], decimals=9)
        assert result.table["z"].tolist() == [14.0]

    def test_stock_that_is_still_on_stops_the_ball(self, box):
        result = run(probing_text(TOP), box, probe=PROBE, stock=block([-20, -20, 0], [20, 20, 30], name="stock"))
        assert "the ball runs into the stock" in result.stopped
        assert len(result.table) == 0

    def test_a_body_that_turns_into_a_clamp(self, box):
        """The pivot is 170 mm above the ball: the post is beside the body at 0 and at 85 degrees, not between."""
        head = Kinematics((RotaryAxis("B", "head", limits=(-90, 90)),), gauge=0.0)
        post = block([40, -5, 190], [50, 5, 210], name="post")
        text = HEAD + "G0 Z80\nG0 X0 Y0\nG0 B-85\nG0 B0\nG0 Z30\nG38.2 Z11 F60\n(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\n"
        result = run(text + "G0 Z80\nM30\n", box, probe=PROBE, kinematics=head, fixtures=[post])
        assert "the body of the probe runs into the fixture 'post'" in result.stopped
        assert result.stopped_line == text.splitlines().index("G0 B-85") + 1
        assert run(text + "G0 Z80\nM30\n", box, probe=PROBE, kinematics=head).stopped == ""

    def test_an_artefact_has_no_fixtures(self, box):
        with pytest.raises(InputError, match="artefact"):
            run(probing_text(TOP), ReferenceSphere(25.0), probe=PROBE, fixtures=[box])


class TestMadeSolid:
    def test_offsets_of_plane_faces_move_their_facets(self, box):
        solid = AsMade(box, offset=0.5).solid
        np.testing.assert_allclose(solid.bounds, box.bounds + np.array([[-0.5], [0.5]]), atol=1e-12)
        assert AsMade(box).solid.bounds.tolist() == box.bounds.tolist()

    def test_a_sphere_grows_by_its_offset(self):
        mesh = creation.icosphere(subdivisions=4, radius=20.0)
        ball = nominal.from_arrays(mesh.vertices, mesh.faces, name="ball")
        radius = np.linalg.norm(AsMade(ball, offset=0.3).solid.vertices, axis=1)
        assert np.abs(radius - 20.3).max() < 1e-3


class TestToolTable:
    def test_a_wrong_entry_raises_the_ball(self, box):
        """H9 says 172, the probe is 170 long: the spindle stands 2 mm too high, and Z reads 2 mm too low."""
        good = run(probing_text(TOP, overtravel=3.0), box, probe=PROBE, lengths={9: 170.0}, decimals=9)
        assert good.table["z"].tolist() == pytest.approx([13.0, 13.0], abs=1e-6)
        high = run(probing_text(TOP, overtravel=3.0), box, probe=PROBE, lengths={9: 172.0}, decimals=9)
        assert high.table["z"].tolist() == pytest.approx([11.0, 11.0], abs=1e-6)

    def test_a_number_that_the_table_does_not_hold_stops(self, box):
        result = run(probing_text(TOP), box, probe=PROBE, lengths={4: 170.0})
        assert "H9 is not in the tool table" in result.stopped
        assert len(result.table) == 0


def test_program_waits_at_a_stop(box):
    text = probing_text(TOP).replace("(PROBEKIT RECORD 1", "M0\n(PROBEKIT RECORD 1", 1)
    assert run(text, box, probe=PROBE).stopped == ""
    left = run(text, box, probe=PROBE, waits=False)
    assert left.stopped == "M0: the program waits for a person"
    assert left.stopped_line == text.splitlines().index("M0") + 1


def test_origins_are_state_of_the_machine(box):
    """Touch, move the origin of Z by what G54 was less 0.5, touch: 2.0 and 2.5."""
    text = (
        HEAD + "G0 X0 Y0\nG0 Z6\nG38.2 Z1 F60\n(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\nG0 Z6\nG10 L2 P1 Z[#5223-0.5]\n"
        "G0 Z6\nG38.2 Z1 F60\n(PROBEKIT RECORD 2 top 0 0 10 0 0 1)\nG0 Z6\nM30\n"
    )
    motion = np.eye(4)
    motion[2, 3] = -11.0  # the top is at z -1: the ball's centre at 2
    result = run(text, AsMade(box, motion=motion), probe=PROBE, decimals=9, errors=(Repeatability(0.0),))
    assert result.log["z"].tolist() == pytest.approx([2.0, 2.5], abs=1e-6)


def test_stuck_probe_is_an_error_at_the_first_touch(box):
    result = run(probing_text(TOP), box, probe=PROBE, errors=[Stuck()])
    assert "signals before the probing move begins" in result.stopped
    assert len(result.table) == 0
