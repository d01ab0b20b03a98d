"""Side tips all the way: reach, order, moves, text, checks, the virtual machine, and deviations of zero."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from thorough import some
from undercut import BODY, MACHINES, STAR, clear_of, planned, routed, t_slot, targets

from probekit import deviation, plan, program, touches
from probekit.errors import InputError
from probekit.machine import AsMade, run
from probekit.machine.errors import Lobing
from probekit.plan import Tip
from probekit.program.reading.steps import MOVES

RADII = (2.0, 2.0, 2.0, 1.5)


def stops(text, kinematics, clear, route=None, probe=STAR):
    heights = {} if route is None else {"safe_height": route.clear_height - 1e-3, "turn_height": route.height - 1e-3}
    found = program.check(text, kinematics=kinematics, probe=probe, tool=7, clear=clear, margin=0.49, **heights)
    return found.of("stop")


def test_only_side_tips_reach_under_the_edges():
    part = t_slot()
    straight = plan.reach(targets(part), part, replace(STAR, tips=()))
    assert straight["reachable"].tolist() == [False] * 6 + [True] * 5


def others(findings: tuple[str, ...]) -> tuple[str, ...]:
    """What a run says beside the stop at which a person turns the spindle: these stars are oriented by hand."""
    return tuple(one for one in findings if "M0, continued by a person" not in one)


@pytest.mark.parametrize("machine", MACHINES)
def test_a_slot_with_undercuts_is_measured_with_deviations_of_zero(machine, tmp_path):
    kinematics, _ = MACHINES[machine]
    route, _, text, clear = planned(machine)
    assert route.left_out.empty
    assert len(set(route.targets["tip"]) - {0}) >= 2
    assert list(stops(text, kinematics, clear, route)) == []
    result = run(text, t_slot(), probe=STAR, kinematics=kinematics, decimals=9)
    assert (result.stopped, others(result.findings)) == ("", ())
    assert result.table["tip"].tolist() == route.targets["tip"].tolist()
    assert result.table["touch"].tolist() == route.targets["touch"].tolist()
    result.write(tmp_path / "run.csv")
    read = touches.read(tmp_path / "run.csv")
    assert read["tip"].tolist() == route.targets["tip"].tolist()
    for tip, own in read.groupby("tip"):  # the balls are not all of one size
        own.attrs = read.attrs
        found = deviation.project(own, t_slot(), stylus=RADII[tip])
        assert np.abs(found["deviation"]).max() < 1e-6


def test_what_is_left_on_comes_back_with_its_lobing():
    """0.05 mm left on everywhere; lobing 0.010 makes every trigger 0.010 late, whichever tip touches."""
    _, _, text, _ = planned("three axes")
    result = run(text, AsMade(t_slot(), 0.05), probe=STAR, errors=(Lobing(0.010),), decimals=9)
    assert result.stopped == ""
    found = deviation.project(result.table, t_slot(), stylus=2.0 - 0.010)
    np.testing.assert_allclose(found["deviation"], 0.05, atol=1e-6)


def swapped(text):
    return re.sub(r" TIP ([12])\)", lambda found: f" TIP {3 - int(found[1])})", text)


def test_a_record_line_with_another_tip_is_found_by_check_and_machine():
    route, _, text, clear = planned("three axes")
    wrong = swapped(text)
    assert any("passes beside" in finding.what for finding in stops(wrong, None, clear, route))
    result = run(wrong, t_slot(), probe=STAR)
    found = others(result.findings)
    assert len(found) == (route.targets["tip"] > 0).sum()
    assert all("but the record line names tip" in finding for finding in found)
    stranger = text.replace(" TIP 2)", " TIP 8)")
    assert any("names tip 8" in finding.what for finding in stops(stranger, None, clear, route))
    with pytest.raises(InputError, match="names a tip that the probe does not have"):
        run(stranger, t_slot(), probe=STAR)
    with pytest.raises(InputError, match="names a tip that the probe does not have"):
        run(text, t_slot(), probe=4.0)


def test_another_star_than_the_one_of_the_plan_is_found_by_check_and_machine():
    route, _, text, _ = planned("three axes")
    longer = replace(STAR, tips=(replace(STAR.tips[0], length=14.0), *STAR.tips[1:]))
    part = t_slot()
    what = {f.what for f in stops(text, None, clear_of(plan.Obstacles(part), longer), route, longer)}
    assert any("the probe enters the model" in words for words in what)
    assert "the ball of right runs into the part" in run(text, part, probe=longer).stopped


def in_star(rng, n):
    """Points (n, 3) anywhere in the star, from its sizes alone, in probe coordinates."""
    points = []
    for tip in (Tip(4.0, 2.0, 10.0, (0, 0, -1)), *STAR.tips):
        unit = rng.normal(size=(n, 3))
        unit /= np.linalg.norm(unit, axis=1)[:, None]
        along, hub = np.array(tip.direction), np.array([0, 0, STAR.hub])
        points.append(hub + tip.length * along + tip.ball_diameter / 2 * unit)
        square = np.cross(along, unit)
        points.append(hub + rng.random((n, 1)) * tip.length * along + tip.stem_diameter / 2 * square)
    turn = rng.random(n) * 2 * np.pi
    height = rng.uniform(STAR.hub, 110.0, n)
    radius = np.interp(height, [10, 60, 60.0001, *(z for z, _ in BODY[1:])], [1, 1, 15, *(d / 2 for _, d in BODY[1:])])
    points.append(np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height]))
    return np.vstack(points)


def in_slot(points):
    """Whether points (n, 3) are in the T-slot's block, in closed form."""
    x, y, z = np.abs(points[:, 0]), np.abs(points[:, 1]), points[:, 2]
    block = (x < 40) & (y < 25) & (z < 0) & (z > -50)
    return block & ~((x <= 16) & (z >= -40)) & ~((x <= 24) & (z >= -40) & (z <= -8))


def near_contact(step):
    """Where a probing move is stopped: 0.01 mm before the nominal."""
    way = np.subtract(step.end, step.start)
    return np.array(step.start) + 2.99 * way / np.linalg.norm(way)


@pytest.mark.parametrize("machine", some(MACHINES))
@settings(max_examples=2, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(seed=st.integers(0, 2**32 - 1))
def test_no_link_enters_the_model_with_a_star(machine, seed):
    kinematics, poses = MACHINES[machine]
    rng, part = np.random.default_rng(seed), t_slot()
    wanted = plan.blue_noise(part, 9, rng, margin=2.5)
    route, _, text = routed(part, wanted, kinematics, poses)
    assert sorted([*route.targets["touch"], *route.left_out["touch"]]) == sorted(wanted["touch"])
    star = in_star(rng, 60)
    links = 0
    for step in program.run(text, kinematics=kinematics, start=(0, 0, 500.0), trigger=near_contact):
        if step.kind not in MOVES:
            continue
        links += 1
        for t in np.linspace(0, 1, 12):
            at, angles = (
                (1 - t) * np.array(a) + t * np.array(b)
                for a, b in ((step.start, step.end), (step.angles_start, step.angles_end))
            )
            heads = [axis.turned(a) for axis, a in zip(kinematics.axes, angles, strict=True) if axis.moves == "head"]
            held = star @ (heads[0] if heads else np.eye(3)).T + at
            assert not in_slot(kinematics.to_part(held, angles, length=STAR.tool_length)).any(), step
    assert links >= 3 * len(route.targets)
