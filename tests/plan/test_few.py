"""One pose per feature where one will do, from tries that are made once."""

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import plan
from probekit.plan.access.few import mixed_features

MACHINE = plan.Kinematics((plan.RotaryAxis("A", "table", limits=(-110, 30)), plan.RotaryAxis("C", "table")))
PROBE = plan.Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (60.0, 40.0), (110.0, 40.0)))
POSES = ((0.0, 0.0), *((-60.0, c) for c in (-90.0, 0.0, 90.0, 180.0)))


def rows(feature, normal, points):
    table = pd.DataFrame({"touch": 0, "feature": feature, "face": ""}, index=range(len(points)))
    table[["x0", "y0", "z0"]] = np.array(points, dtype=float)
    table[["i", "j", "k"]] = np.array(normal, dtype=float)
    return table


@pytest.fixture(scope="module")
def box():
    return shapes.box()


@pytest.fixture(scope="module")
def targets(box):
    (x0, y0, _), (x1, y1, z1) = box.bounds
    x, y, z = (x0 + x1) / 2, (y0 + y1) / 2, z1 - 4.0
    found = pd.concat(
        [
            rows("top", (0, 0, 1), [(x0 + 6, y, z1), (x, y, z1), (x1 - 6, y, z1)]),
            rows("right", (1, 0, 0), [(x1, y - 3, z), (x1, y + 3, z)]),
            # the steep poses reach one of these walls only, the upright one both
            rows("across", (1, 0, 0), [(x1, y, z)]),
            rows("across", (-1, 0, 0), [(x0, y, z)]),
        ],
        ignore_index=True,
    )
    return found.assign(touch=range(1, len(found) + 1))


def reached(box, targets, poses, **more):
    return plan.reach(targets, box, PROBE, kinematics=MACHINE, poses=poses, **more)


def test_each_feature_has_one_pose_and_it_is_as_good_as_that_pose_alone(box, targets):
    found = reached(box, targets, POSES, fewest=True)
    assert found["reachable"].all()
    assert (found.groupby("feature")["direction"].nunique() == 1).all()
    assert mixed_features(found) == ""
    for (feature, direction), own in found.groupby(["feature", "direction"]):
        alone = reached(box, targets, [found.attrs["poses"][direction]])
        same = alone[alone["feature"] == feature]
        for name in ("clearance", "approach_angle", "tip", "ti", "tj", "tk"):
            np.testing.assert_allclose(own[name], same[name], atol=1e-9)


def test_a_feature_that_no_pose_reaches_wholly_is_said(box, targets):
    steep = [pose for pose in POSES if abs(MACHINE.tool_axis(pose)[0]) > 0.5]
    found = reached(box, targets, steep, fewest=True)
    own = found[found["feature"] == "across"]
    assert own["reachable"].all()
    assert own["direction"].nunique() == 2
    assert "across in 2" in mixed_features(found)
    assert found.loc[found["feature"] == "right", "direction"].nunique() == 1


def test_nothing_is_lost_by_few_poses_and_reasons_stay_those_of_all(box, targets):
    hidden = rows("below", (0, 0, -1), [(0.0, 0.0, box.bounds[0, 2])]).assign(touch=99)
    both = pd.concat([targets, hidden], ignore_index=True)
    every, few = (reached(box, both, POSES, fewest=one) for one in (False, True))
    assert few["reachable"].tolist() == every["reachable"].tolist()
    assert few["reason"].tolist() == every["reason"].tolist()
    assert len(few.attrs["poses"]) < len(POSES)
    assert all(0 <= d < len(few.attrs["poses"]) for d in few.loc[few["reachable"], "direction"])


def test_progress_goes_up(box, targets):
    told = []
    reached(box, targets, POSES, fewest=True, progress=told.append)
    assert len(told) > 5
    assert told == sorted(told)
    assert 0 <= told[0] <= told[-1] <= 1
