"""One place touched in two poses: the program goes on only if both say the same; a table axis elsewhere is found out.

The table's C axis off by (d, 0): at C0 the place is where it was, at C180 the half turn has carried it 2 d aside (a
closed form), and the touch along x tells all of that.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import probekit as pk
from probekit.machine.errors import RotaryError
from probekit.program.checking.by_hand import by_hand
from probekit.program.checking.sheet_parts import confirmations, unproved_poses
from probekit.program.moves import (
    Agree,
    Approach,
    Away,
    Confirm,
    Index,
    Lift,
    Link,
    Move,
    Record,
    Retract,
    SpindleStop,
    ToolChange,
    Touch,
    WarmUp,
)
from probekit.study.agreeing import CHECK, pair_of
from probekit.study.preparation import machine_of

sys.path.insert(0, str(Path(__file__).parents[1]))
import tiny

TABLE = pk.plan.Kinematics(axes=(pk.plan.RotaryAxis("C", moves="table", limits=(-360.0, 360.0)),))
PROBE = pk.plan.Probe(6.0, 4.0, 50.0, tool_length=50.0)
TARGET, NORMAL = (20.0, 0.0, 5.0), (1.0, 0.0, 0.0)
LIMIT = 0.05


def touched(touch: int, angle: float) -> list[Move]:
    """The side at x 20, in a pose: down beside it, touched, and up again. Places are those of the part frame."""
    high, beside, end = (25.0, 0.0, 40.0), (25.0, 0.0, 5.0), (22.5, 0.0, 5.0)
    return [
        Index((angle,)),
        Link(high),
        Approach(beside, 2000.0),
        Touch(touch, "side", TARGET, NORMAL, end, 100.0),
        Record(touch, "side", TARGET, NORMAL),
    ]


def program_of(limit: float = LIMIT) -> tuple[list[Move], str]:
    first, second = (Confirm(touch, TARGET, NORMAL, 3.0, 1.0) for touch in (1, 2))
    up = [Retract((25.0, 0.0, 5.0), 2000.0), Retract((25.0, 0.0, 40.0), 2000.0), Lift(60.0)]
    moves = [SpindleStop(), Away(), ToolChange(20, 20), WarmUp(1.0), *touched(1, 0.0), *up, *touched(2, 180.0)]
    moves += [Agree(first, second, (0.0,), limit), *up, Index((0.0,))]
    return moves, pk.program.write(moves, "rs274", kinematics=TABLE, probe=PROBE, whole=True)


def made_part() -> pk.machine.AsMade:
    box = trimesh.creation.box(bounds=[(-20, -15, 0), (20, 15, 10)])
    return pk.machine.AsMade(pk.nominal.from_arrays(box.vertices, box.faces, name="box"))


@pytest.mark.parametrize(("off", "stops"), [(0.0, False), (0.02, False), (-0.02, False), (0.03, True), (-0.4, True)])
def test_a_table_axis_elsewhere_stops_the_program(off: float, stops: bool) -> None:
    _, text = program_of()
    errors = [RotaryError("C", offset=(off, 0.0, 0.0))]
    ran = pk.machine.run(text, made_part(), probe=PROBE, kinematics=TABLE, errors=errors, home=(0, 0, 200))
    assert ("SQRT" in ran.stopped) == stops, ran.stopped
    x = ran.table["x"].to_numpy()
    assert abs(x[1] - x[0]) == pytest.approx(2 * abs(off), abs=2e-4)


def test_what_is_compared_is_reckoned_in_each_pose_as_it_was_touched() -> None:
    """Read by hand from the text: both expressions are zero for the triggers of a nominal part."""
    _, text = program_of()
    steps = list(pk.program.run(text, kinematics=TABLE))
    ends = [np.array(step.end) for step in steps if step.kind == "probe"]
    nominal = [TABLE.to_program(np.array([23.0, 0.0, 5.0]), (angle,), length=50.0) for angle in (0.0, 180.0)]
    for name, end, at in zip(("100", "101"), ends, nominal, strict=True):
        formula = re.search(rf"^#{name}=(.*)$", text, re.MULTILINE)[1]
        places = [float(p) for p in re.findall(r"-\[([^\]]*)\]", formula)]
        normal = [float(n) for n in re.findall(r"\*\[([^\]]*)\]", formula)]
        assert places == pytest.approx(list(at), abs=1e-4)
        assert (end - places) @ normal == pytest.approx(-0.5, abs=1e-4)  # the overtravel


def test_the_checks_want_it_with_its_limit() -> None:
    moves, text = program_of()
    options = {"kinematics": TABLE, "probe": PROBE, "tool": 20, "moves": moves, "slots": (1001, 5000)}

    def stops(text: str) -> dict[str, str]:
        return {f.check: f.what for f in pk.program.check(text, **options).of("stop")}

    assert "confirmed" not in stops(text)
    assert "unknown_words" not in stops(text)
    assert "missing" in stops(re.sub(r"\(PROBEKIT AGREE.*\n", "", text))["confirmed"]
    assert "nothing stops" in stops(re.sub(r"#102=.*\n", "", text))["confirmed"]
    assert "nothing stops" in stops(text.replace("SQRT[0.05-", "SQRT[0.5-"))["confirmed"]
    assert "limit" in stops(text.replace("WITHIN 0.05)", "WITHIN 0.5)"))["confirmed"]


def test_two_touches_that_were_not_made_cannot_agree() -> None:
    moves, _ = program_of()
    without = [move for move in moves if getattr(move, "touch", 2) != 1]
    with pytest.raises(pk.InputError, match="not both were made"):
        pk.program.write(without, "rs274", kinematics=TABLE, probe=PROBE)


#: A table that tilts: the sides are reached at 45 degrees, one at either sense, and the top at both.
TILTED = """\
[machine]
axes = [{letter = "A", moves = "table", limits = [-120, 120]}]

[[plan]]
how = "pick"
feature = "sides"
points = [[50, 0, 10], [30, 40, 10]]

[reach]
poses = [[45], [-45]]
max_angle = 80
"""
ALONE = ('milling = "milling.nc"\nafter = "OPERATION 1"\n', "agree = 0.05\n")


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> SimpleNamespace:
    path = tiny.write(
        tmp_path_factory.mktemp("agree"), ("[reach]\n", TILTED), ALONE, ("spacing = 20.0", "spacing = 40.0")
    )
    study = pk.study.load(path)
    plan = pk.study.plan(study)
    return SimpleNamespace(study=study, plan=plan, programmed=pk.study.program(study, plan))


def test_a_plan_begins_with_one_place_in_two_poses(planned) -> None:
    route = planned.plan.route
    first, second = route.targets.iloc[0], route.targets.iloc[1]
    assert [first["feature"], second["feature"]] == ["top", CHECK]
    assert first[["x0", "y0", "z0", "i", "j", "k"]].tolist() == second[["x0", "y0", "z0", "i", "j", "k"]].tolist()
    assert first["direction"] != second["direction"]
    assert sorted(route.targets["touch"]) == list(range(1, len(planned.plan.targets) + 1))
    assert (route.targets["feature"] == CHECK).sum() == 1
    assert not any("agree" in note for note in planned.plan.notes)
    assert planned.programmed.findings.of("stop") == ()
    assert planned.programmed.dry_findings.of("stop") == ()


@pytest.mark.parametrize(
    ("off", "stops"), [(0.0, False), (0.034, False), (-0.034, False), (0.037, True), (-0.037, True)]
)
def test_the_planned_check_finds_the_table_off_before_the_rest(planned, off: float, stops: bool) -> None:
    """The top at 45 and -45 degrees, the axis off by d along Y: they differ by 2 sin(45) d, in closed form."""
    arguments = machine_of(planned.study, planned.plan, planned.programmed)
    errors = [RotaryError("A", offset=(0.0, off, 0.0))]
    ran = pk.machine.run(planned.programmed.text, **(arguments | {"errors": errors}))
    assert (abs(off) * 2 * np.sin(np.pi / 4) > 0.05) == stops
    assert ("SQRT" in ran.stopped) == stops
    assert len(ran.table) == (2 if stops else len(planned.plan.route.targets))


def test_a_place_that_tells_nothing_is_not_taken(planned) -> None:
    """A pair of poses that turns about the normal shows no error of the axis: (R1 n - R2 n) . d is zero."""
    judged = planned.plan.targets.copy()
    judged.attrs["poses"] = ((0.0,), (180.0,))
    top = judged[judged["feature"].isin(["top", CHECK])].reset_index(drop=True)
    top.attrs = judged.attrs
    assert pair_of(top, TABLE) is None
    assert pair_of(top, planned.plan.kinematics) is not None


def test_what_is_not_proved_is_told(planned) -> None:
    steps = list(pk.program.run(planned.programmed.text, kinematics=planned.plan.kinematics))
    assert "are of one place in two poses" in confirmations(steps)[0]
    without = re.sub(r"\(PROBEKIT AGREE.*\n", "", planned.programmed.text)
    bare = list(pk.program.run(without, kinematics=planned.plan.kinematics))
    assert confirmations(bare) == []
    assert (unproved_poses(steps), unproved_poses(bare)) == (0, 2)
    told = by_hand(bare, planned.plan.kinematics, planned.plan.probe, {20})
    assert "touches in 2 poses" in told[-1]
    assert "agree = 0.05" in told[-1]
    looks = {text: planned.plan.check(text).of("look") for text in (planned.programmed.text, without)}
    named = [[one for one in found if one.check == "rotary_proved"] for found in looks.values()]
    assert [len(found) for found in named] == [0, 1]
    assert "agree = 0.05" in named[1][0].todo


def test_where_no_place_tells_it_a_note_says_so(tmp_path) -> None:
    plan = pk.study.plan(pk.study.load(tiny.write(tmp_path, ALONE)))
    (note,) = plan.notes
    assert note.startswith("[program] agree has no effect")
    assert note.endswith("no place can be touched in two of its poses that tell it")
