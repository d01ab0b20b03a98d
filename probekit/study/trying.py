"""A trial of a program: what becomes of it on the virtual machine if one thing is not as the plan takes it to be.

Each row is a scenario with the end that a program worth signing has: it runs to its end where the plan bears the fault,
and it stops by itself where it does not. A row that ends otherwise is a danger that the program does not catch, and
that a person must exclude. It is a model: a row that ends well proves nothing about any real machine.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import deviation, machine, plausibility, touches
from ..errors import ProbekitError
from ..geometry import apply_motion
from ..machine.errors import MissedTriggers, RotaryError, Stuck
from ..machine.results import MACHINE
from ..making import blaming
from ..plausibility.turning import by_pose
from ..show import shown
from .deciding_trial import copies_wrong, deciding_scenarios, largest_shift, not_lowered, untaken, untaken_measuring
from .preparation import machine_of
from .running import ran as run_all

if TYPE_CHECKING:
    from ..nominal import Nominal
    from .model import Study
    from .prepared import Plan, Program

__all__ = ["Trial", "trial"]

_HIGH = 1.0  # beyond standoff or overtravel, in the rows that the plan does not bear [mm]
_LENGTH, _OFFSET, _CLAMP = 10.0, 5.0, 5.0  # by how much H, work offset and clamps are wrong [mm]
_AXIS = 0.8  # by how much the axis of a table is beside its place [mm]
_LEAN = 0.2  # by how much the axis of a head leans [degree]

_HARMLESS, _NAMED = "completes or stops", "stops, or is named before the verdict"
#: How a run may end.
ENDS = ("completes", "completes, touches false", "stops", "runs into something")


@dataclass(frozen=True)
class _Scenario:
    name: str
    what: str
    expected: str
    changes: dict[str, Any]
    shift: tuple[float, ...] | None = None
    lowered: tuple[str, str, float, float] | None = None


@shown
@dataclass(frozen=True, eq=False)
class Trial:
    """What became of a program in each scenario.

    Attributes
    ----------
    table : DataFrame
        One row per scenario: ``scenario``, ``what`` is not as planned, ``expected`` and ``found`` end, ``as_expected``,
        ``touches`` recorded, ``missed`` of them, ``line`` of the program where it stopped, and what was ``said`` there.
        Where a program decides, ``decided``: lines and which way they went.
    untaken : tuple of str
        Ways of a program that decides which no scenario has gone.
    """

    table: pd.DataFrame
    untaken: tuple[str, ...] = ()

    @property
    def failed(self) -> tuple[str, ...]:
        """Scenarios that the plan bears, and in which the program does not run to its end."""
        own = self.table[~self.table["as_expected"] & (self.table["expected"] == "completes")]
        return tuple(own["scenario"])

    @property
    def uncaught(self) -> tuple[str, ...]:
        """Scenarios in which the program should stop by itself, and does not."""
        own = self.table[~self.table["as_expected"] & (self.table["expected"] != "completes")]
        return tuple(own["scenario"])

    @property
    def text(self) -> str:
        """The table as JSON."""
        rows = self.table.to_dict(orient="records")
        whole = {"what": MACHINE, "sentence": self.sentence, "untaken": list(self.untaken), "scenarios": rows}
        return json.dumps(whole, indent=1) + "\n"

    @property
    def sentence(self) -> str:
        """How many end as they should, and which do not, in one line."""
        count = int(self.table["as_expected"].sum())
        text = f"Trial: {count} of {len(self.table)} scenarios end as they should"
        text += f"; the program fails in: {', '.join(self.failed)}" if self.failed else ""
        text += f"; no scenario has gone these ways: {', '.join(self.untaken)}" if self.untaken else ""
        return text + (
            f"; it does not catch, and a person must exclude: {', '.join(self.uncaught)}" if self.uncaught else ""
        )

    @property
    def rows(self) -> list[tuple[str, str, str, str]]:
        """Scenario, what is wrong, the expected end, and what was found, for a sheet."""
        return [
            (
                row.scenario,
                row.what,
                row.expected,
                f"{'' if row.as_expected else 'NOT SO: '}{row.found}"
                + (f" at line {row.line}" if row.line else "")
                + (f": {row.said}" if row.said else "")
                + (f" ({row.decided})" if getattr(row, "decided", "") else ""),
            )
            for row in self.table.itertuples()
        ]


def trial(
    study: Study,
    planned: Plan,
    programmed: Program,
    ran: machine.results.Run,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> Trial:
    """Try a program out in every scenario.

    Parameters
    ----------
    study : Study
    planned : Plan
    programmed : Program
    ran : Run
        Of `probekit.study.simulate`: the first row.
    progress : callable, optional
        Told each scenario and the part done so far.

    Returns
    -------
    Trial

    Raises
    ------
    InputError
        If the virtual machine cannot run the program.
    """
    tell = progress or (lambda _step, _done: None)
    arguments = machine_of(study, planned, programmed)
    scenarios = list(_scenarios(planned, arguments, programmed.by_hand))
    stated = _Scenario("as stated", "part, clamps, stock and errors as in [simulate]", "completes", {})
    rows, taken = [_row(stated, ran, planned, programmed)], set(ran.decisions)
    with blaming(study.path, "simulate"):
        for number, one in enumerate(scenarios):
            tell(f"trying the program: {one.name}", number / len(scenarios))
            made = run_all(programmed, arguments | one.changes)
            rows.append(_row(one, made, planned, programmed))
            taken |= set(made.decisions)
    tell("done", 1.0)
    lost = untaken_measuring if programmed.dialect.language else untaken
    return Trial(pd.DataFrame(rows), tuple(lost(programmed.text, taken)))


def _scenarios(planned: Plan, arguments: dict[str, Any], by_hand: bool) -> Iterator[_Scenario]:
    """What may be wrong, with lengths by those of the plan; the part is the nominal, and only one thing is wrong."""
    targets = planned.route.targets
    standoff, overtravel = float(targets["standoff"].max()), float(targets["overtravel"].max())
    bears = 0.8 * min(float(targets["standoff"].min()), float(targets["overtravel"].min()), planned.margin)
    bears = min(bears, largest_shift(planned))
    part, fixtures = planned.part, arguments["fixtures"]
    good = {"made": machine.AsMade(part), "errors": (), "stock": None}
    yield _Scenario("nominal", "nothing is wrong", "completes", good)
    for name, what, expected, changed in deciding_scenarios(planned, by_hand=by_hand):
        shift, lowered = changed.pop("shift", None), changed.pop("lowered", None)
        if "shift_entered" in changed:
            changed["made"] = _shifted(part, changed.pop("shift_entered"))
        own = changed if shift is None else {"made": _shifted(part, shift)}
        yield _Scenario(name, what, expected, good | own, None if shift is None else tuple(shift), lowered)
    for name, shift in (("up", bears), ("down", -bears)):
        what = f"the part sits {abs(shift):.2f} mm too {'high' if shift > 0 else 'low'}"
        yield _Scenario(f"shift within, {name}", what, "completes", good | {"made": _shifted(part, (0, 0, shift))})
    way = np.array([1.0, 1.0, 0.0]) * bears / np.sqrt(2.0)
    what = f"the part sits {bears:.2f} mm aside, in X and Y"
    yield _Scenario("shift within, aside", what, "completes", good | {"made": _shifted(part, way)})
    for name, shift in (("up", standoff + _HIGH), ("down", -overtravel - _HIGH)):
        what = f"the part sits {abs(shift):.2f} mm too {'high' if shift > 0 else 'low'}"
        yield _Scenario(f"shift outside, {name}", what, "stops", good | {"made": _shifted(part, (0, 0, shift))})
    yield _Scenario(
        "oversize", f"{bears:.2f} mm are left on all faces", "completes", good | {"made": machine.AsMade(part, bears)}
    )
    more = standoff + _HIGH
    yield _Scenario("stock left", f"{more:.2f} mm are left", "stops", good | {"made": machine.AsMade(part, more)})
    yield _Scenario("missed", "the probe never triggers", "stops", good | {"errors": (MissedTriggers(1.0),)})
    yield _Scenario("probe stuck", "the probe signals all the time", "stops", good | {"errors": (Stuck(),)})
    for name, wrong in (("short", -_LENGTH), ("long", _LENGTH)):
        if "lengths" not in arguments:
            break  # a sensor is qualified, not entered
        lengths = {number: length + wrong for number, length in arguments["lengths"].items()}
        what = f"the tool table tells the probe {_LENGTH:g} mm too {name}"
        yield _Scenario(f"wrong H, too {name}", what, "stops", good | {"lengths": lengths})
    aside = (_OFFSET, 0.0, 0.0)
    moved = {"made": _shifted(part, aside), "fixtures": tuple(_moved(one, aside) for one in fixtures)}
    system = "work offset" if "lengths" in arguments else "coordinate system"
    yield _Scenario("wrong offset", f"X of the {system} is {_OFFSET:g} mm wrong", "stops", good | moved)
    for name, way in (("up", (0, 0, _CLAMP)), ("aside", (_CLAMP, 0, 0)), ("aside, the other way", (-_CLAMP, 0, 0))):
        if fixtures:
            moved = {"fixtures": tuple(_moved(one, way) for one in fixtures)}
            yield _Scenario(f"clamps moved, {name}", f"by {_CLAMP:g} mm", _HARMLESS, good | moved)
    for axis in planned.kinematics.axes if "lengths" in arguments else ():  # each pose has a sensor of its own
        across = np.linalg.svd(np.array(axis.direction)[None])[2][1]
        x, y, z = ((_AXIS if axis.moves == "table" else _LEAN) * across).tolist()
        table = axis.moves == "table"
        error = RotaryError(axis.letter, offset=(x, y, z)) if table else RotaryError(axis.letter, tilt=(x, y, z))
        what = f"it is {_AXIS:g} mm beside its place" if table else f"it leans by {_LEAN:g} degrees"
        yield _Scenario(f"axis {axis.letter} off", what, _NAMED, good | {"errors": (error,)})


def _shifted(part: Nominal, way: Any) -> machine.AsMade:
    motion = np.eye(4)
    motion[:3, 3] = way
    return machine.AsMade(part, motion=motion)


def _moved(one: Nominal, way: Any) -> Nominal:
    motion = np.eye(4)
    motion[:3, 3] = way
    return replace(one, vertices=apply_motion(motion, one.vertices), brep=None)


def _row(one: _Scenario, ran: machine.results.Run, planned: Plan, programmed: Program) -> dict[str, Any]:
    """One row of the table."""
    false = [words for words in ran.findings if "is false" in words]
    hit = any(words in ran.stopped for words in ("runs into", "touches before"))
    found = ENDS[3] if hit else ENDS[2] if ran.stopped else ENDS[1] if false else ENDS[0]
    said = ran.stopped or "; ".join(false[:1])
    fine = found in one.expected.split(" or ")
    if one.expected == _NAMED:
        named = [] if ran.stopped else _named(ran.table, planned)
        said, fine = said or "; ".join(named), found == "stops" or bool(named)
    if one.shift is not None and found == "completes":
        said = copies_wrong(planned, ran, one.shift, programmed.first_offset)
        fine = fine and not said
    if one.lowered is not None and found == "completes":
        said = not_lowered(ran, *one.lowered)
        fine = fine and not said
    ways = [f"line {line} {'yes' if held else 'no'}" for line, held in ran.decisions]
    return {
        "scenario": one.name,
        "what": one.what,
        "expected": one.expected,
        "found": found,
        "as_expected": bool(fine),
        "touches": len(ran.table),
        "missed": int((ran.table["reason"] != "").sum()),
        "line": ran.stopped_line or 0,
        "said": said,
        **({"decided": ", ".join(ways)} if planned.phases else {}),
    }


def _named(table: pd.DataFrame, planned: Plan) -> list[str]:
    """What the gate before the verdict says of the rotary axes, as clamped."""
    try:
        found = deviation.project(table, planned.part, stylus=touches.Stylus(planned.probe.ball_diameter))
    except ProbekitError:
        return []
    length = float(planned.probe.tool_length or 0.0)
    looks: list[plausibility.finding.Finding] = by_pose(found, planned.kinematics, None, length=length)
    return [one.what for one in looks if one.level == "look"]
