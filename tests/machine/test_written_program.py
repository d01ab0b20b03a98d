"""From the plan's own targets to results: plan, program text, merged into milling, virtual machine, alignment."""

from pathlib import Path

import numpy as np
import pytest
import shapes
from scipy.spatial.transform import Rotation

from probekit import deviation, fit, plan, program
from probekit.machine import AsMade, run
from probekit.machine.errors import Backlash, Lobing, Repeatability
from probekit.nominal import load
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.plan.probe import Probe
from probekit.program.moves import Approach, Index, Lift, Link, Record, Retract, SpindleStop, ToolChange, Touch

DATA = Path(__file__).parents[2] / "data"
TRUNNION = Kinematics(
    (RotaryAxis("A", "table", (0.0, 5.0, -3.0), (-110.0, 110.0)), RotaryAxis("C", "table", (2.0, 1.0, 0.0)))
)
PROBE = Probe(6.0, 4.0, 50.0, tool_length=120.0)
MILLING = "G21 G90 G94 G17\n(ROUGH)\nT1 M6\nG43 H1\nS9000 M3\nG0 X0 Y0 Z250\nG1 Z120 F900\nG0 Z250\nM5\n(END)\nM30\n"


def moves(kinematics):
    """Five touches on a box, at three poses of the table."""
    out, touch = [SpindleStop(), Lift(250.0), ToolChange(9, 9, "probe")], 0
    for pose, places in (
        ((0.0, 0.0), [((10, 5, 10), (0, 0, 1)), ((30, 5, 2), (1, 0, 0))]),
        ((-90.0, 0.0), [((5, 20, 3), (0, 1, 0))]),
        ((-30.0, 180.0), [((5, -20, 3), (0, -1, 0)), ((-5, 3, 10), (0, 0, 1))]),
    ):
        out += [Lift(250.0), Index(pose)]
        for point, normal in places:
            touch += 1
            point, normal = np.array(point, float), np.array(normal, float)
            away = kinematics.to_program(point + 60 * normal, pose)
            over = kinematics.to_part(np.array([away[0], away[1], 250.0]), pose)
            start, end = tuple(point + 5 * normal), tuple(point + 1 * normal)
            named = (touch, "box", tuple(point), tuple(normal))
            out += [
                *(Link(tuple(over)), Link(tuple(point + 60 * normal)), Approach(start, 1000.0)),
                *(Touch(*named, end, 60.0), Record(*named), Retract(start, 1000.0), Link(tuple(point + 60 * normal))),
                Lift(250.0),
            ]
    return (*out, Lift(250.0), Index((0.0, 0.0)))


def test_every_touch_of_a_written_program_is_where_it_was_asked_for():
    text = program.write(moves(TRUNNION), "rs274", kinematics=TRUNNION, probe=PROBE, whole=True)
    result = run(text, shapes.box(), probe=PROBE, kinematics=TRUNNION)
    assert (result.stopped, result.findings) == ("", ())
    table = result.table
    asked = table[["x0", "y0", "z0"]].to_numpy() + 3.0 * table[["i", "j", "k"]].to_numpy()
    np.testing.assert_allclose(table[["x", "y", "z"]], asked, atol=2e-4)  # the text has four decimals
    np.testing.assert_array_equal(table[["angle_a", "angle_c"]].drop_duplicates(), [[0, 0], [-90, 0], [-30, 180]])


def test_merging_with_milling_changes_no_result():
    probing = program.write(moves(TRUNNION), "rs274", kinematics=TRUNNION, probe=PROBE)
    merged = program.merge(MILLING, probing, after="ROUGH", kinematics=TRUNNION)
    alone, together = (run(text, shapes.box(), probe=PROBE, kinematics=TRUNNION) for text in (probing, merged.text))
    assert together.stopped == ""
    assert together.seconds > alone.seconds
    assert alone.table.drop(columns="seconds").equals(together.table.drop(columns="seconds"))


@pytest.mark.slow
def test_the_demo_part_all_the_way():
    """Spread targets on the foil, find poses, order, write, run with a set-up error: the alignment finds it."""
    pytest.importorskip("OCP")
    nominal = load(DATA / "foil" / "foil.step")
    probe = Probe(6.0, 4.0, 75.0, body=((75.0, 30.0), (140.0, 60.0)))
    wanted = plan.blue_noise(nominal, 60, np.random.default_rng(1), faces=["skin", "base_top", "bore"], margin=4.0)
    obstacles = plan.Obstacles(nominal)
    poses = plan.poses(TRUNNION, step=30.0, tilt=60.0)
    reached = plan.reach(wanted, nominal, probe, kinematics=TRUNNION, poses=poses, obstacles=obstacles)
    route = plan.order(reached, probe, TRUNNION, poses, obstacles=obstacles)
    text = program.write(
        program.moves_of(route, probe, TRUNNION, tool=9), "rs274", kinematics=TRUNNION, probe=probe, whole=True
    )
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec((0.03, -0.02, 0.05), degrees=True).as_matrix()
    motion[:3, 3] = (0.15, -0.1, 0.05)
    made = AsMade(nominal, {"skin": 0.030}, motion=motion)
    errors = (Lobing(0.008), Repeatability(0.001), Backlash(0.001, 0.001, 0.001))
    result = run(text, made, probe=probe, kinematics=TRUNNION, errors=errors, rng=2, home=(0, 0, 900.0))
    assert result.stopped == ""
    assert len(result.table) == len(route.targets)
    assert len(result.table) > 40
    found = deviation.project(result.table, nominal, stylus=2.992, allowance={"skin": 0.030})
    back = np.linalg.inv(fit.rigid(found, nominal).motion)
    np.testing.assert_allclose(back[:3, 3], motion[:3, 3], atol=0.004)
    np.testing.assert_allclose(
        Rotation.from_matrix(back[:3, :3]).as_rotvec(degrees=True), (0.03, -0.02, 0.05), atol=0.006
    )
