"""From targets on a model to checked text, with the real clearance."""

import numpy as np
import pytest

from probekit import plan, program
from probekit.nominal import from_arrays
from probekit.plan.access.few import few_poses

CORNERS = np.array([[x, y, z] for x in (-30, 30) for y in (-20, 20) for z in (-15, 15)], dtype=float)
FACETS = np.array([[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
                   [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]])  # fmt: skip
PROBE = plan.Probe(4.0, 2.0, 40.0, body=((40.0, 20.0), (60.0, 40.0), (100.0, 40.0)))


@pytest.mark.parametrize("letters", ["", "AC"])
def test_a_box_is_planned_written_and_passes_the_checks(letters):
    part = from_arrays(CORNERS, FACETS, name="box")
    axes = {"A": plan.RotaryAxis("A", "table", (0, 0, -50), (-100, 100)), "C": plan.RotaryAxis("C", "table")}
    kinematics = plan.Kinematics(tuple(axes[letter] for letter in letters), travel=((-400, 400),) * 3)
    sides = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1]])
    points = np.array([side * [30, 20, 15] + (1 - np.abs(side)) * [x, y, z]
                       for side in sides for x, y, z in ((9, -8, 2), (-11, 6, 5), (3, 7, 8))])  # fmt: skip
    targets = plan.place(part, points, feature="box (all sides)")
    obstacles = plan.Obstacles(part)
    found = plan.reach(targets, part, PROBE, kinematics=kinematics, obstacles=obstacles)
    poses = few_poses(found, found.attrs["poses"])
    found = plan.reach(targets, part, PROBE, kinematics=kinematics, poses=poses, obstacles=obstacles)
    assert found["reachable"].all()

    route = plan.order(found, PROBE, kinematics, poses, obstacles=obstacles)
    assert len(route.targets) == 15
    moves = program.moves_of(route, PROBE, kinematics, tool=7)
    text = program.write(moves, "rs274", kinematics=kinematics, probe=PROBE, whole=True)

    def stops(obstacles):
        findings = program.check(
            text, kinematics=kinematics, probe=PROBE, tool=7, clear=obstacles.clear_of(PROBE, 1.0), margin=0.49,
            safe_height=route.clear_height - 0.001, turn_height=route.height - 0.001,
        )  # fmt: skip
        return [finding for finding in findings.found if finding.severity == "stop"]

    assert stops(obstacles) == []
    larger = plan.Obstacles(from_arrays(CORNERS * 1.3, FACETS, name="another box"))
    assert stops(larger)
