"""Each measured point of a DMIS program beside the touch that was planned, and each of its moves beside the plan's."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..checking.findings import Finding, gathered
from .case import SAME, MeasuringCase
from .plan_of import Wanted
from .state import Measured

__all__ = ["nothing_left_out", "touches_as_planned", "ways_as_planned"]

_DIRECTION = 1e-5  # components of a direction: rounded to six decimals
_TODO = "Write the program again, or plan again what is to be touched otherwise."


def touches_as_planned(case: MeasuringCase) -> list[Finding]:
    """Each planned touch is made once, in its order: label, place, direction, sensor, distances and rate."""
    planned, made = {one.label: one for one in case.wanted}, case.reading.touches
    wrong = [(one.line, "a touch that is not planned") for one in made if one.label not in planned]
    for one in made:
        if one.label in planned:
            wrong += ((one.line, what) for what in _differing(planned[one.label], one))
    own = [one for one in made if one.label in planned]
    order = [label for label in planned if label in {one.label for one in own}]
    first = next((one for one, label in zip(own, order, strict=True) if one.label != label), None)
    if first is not None:
        wrong.append((first.line, "from here on touches are made in another order than planned"))
    found = gathered(wrong, "stop", _TODO)
    missing = [str(planned[label].touch.touch) for label in planned if label not in order]
    if missing:
        listed = ", ".join(missing[:10]) + (f" and {len(missing) - 10} more" if len(missing) > 10 else "")
        what = f"{len(missing)} planned touches are not made: {listed}"
        found.append(Finding(0, "stop", what, "Their features would be judged without them: plan again."))
    return found


def _differing(plan: Wanted, one: Measured) -> Iterator[str]:
    """What differs from the plan."""
    touch, now = plan.touch, one.setting
    for values, told in ((one.nominal, "a feature has"), (one.asked, "a touch is made at")):
        if not (_near(values[:3], touch.target, SAME) and _near(values[3:], touch.normal, _DIRECTION)):
            yield f"{told} another place or direction than planned"
    sensor = now.sensor
    assert sensor is not None
    if sensor.tip != touch.tip or not _near(sensor.angles or (), plan.angles, SAME):
        yield f"a touch is made by the sensor {sensor.label}, which is not the planned one"
    for name, said, meant in (
        ("APPRCH", now.approach, plan.approach),
        ("SEARCH", now.search, plan.search),
        ("RETRCT", now.retract, plan.retract),
    ):
        if said is None or abs(said - meant) > SAME:
            yield f"SNSET/{name} is {said or 0.0:g} mm at a touch, planned are {meant:.4g}"
    if now.measuring is None or not math.isclose(now.measuring, touch.feed, rel_tol=0.01):
        yield f"a touch is made at {now.measuring or 0.0:g} mm/min, planned are {touch.feed:g}"
    if one.moved > 2 * SAME:
        yield f"the machine goes {one.moved:.3f} mm by itself to where a touch begins: the planned way there is missing"
    if now.positioning is not None and now.positioning > plan.positioning * 1.01:
        yield f"the way to a touch is made at {now.positioning:g} mm/min, planned are {plan.positioning:g}"


def ways_as_planned(case: MeasuringCase) -> list[Finding]:
    """Moves of the probe go from where to where the plan has them go, or straight up."""
    places = np.array([place for way in case.planned_ways.values() for place in way])
    before = np.vstack([np.full((1, 3), np.nan), places[:-1, :3]]) if len(places) else places[:, :3]
    back = {one.line for one in case.reading.touches}  # from a touch, wherever the part was found
    wrong, begun = [], False
    for step, _ in case.in_force("feed"):
        first, begun = not begun, True
        up = step.start[:2] == step.end[:2] and step.end[2] >= step.start[2]
        if up or _same(step.start, step.end):
            continue
        there = (np.abs(places - (*step.end, *step.angles_end)) <= 2 * SAME).all(axis=1)
        from_here = (np.abs(before - step.start) <= 2 * SAME).all(axis=1)
        from_here[:1] |= first
        if not there.any():
            wrong.append((step.line, "a move of the probe to where the plan has none"))
        elif not (there & from_here).any() and step.line not in back:
            wrong.append((step.line, "a move of the probe from where the plan does not go there"))
    return gathered(wrong, "stop", "Take it out, or plan again.")


def nothing_left_out(case: MeasuringCase) -> list[Finding]:
    """The way to each touch goes by all places that the plan has it go by."""
    planned, made = case.planned_ways, case.made_ways
    wrong = []
    for label, places in planned.items():
        if label not in made:
            continue  # it is told that the touch is missing
        line, own = made[label]
        rest = iter(own)
        lost = sum(not any(_same(place, one) for one in rest) for place in places)
        if lost:
            wrong.append((line, "the way to here leaves out a place of the plan"))
    return gathered(wrong, "stop", "Even where the model is clear of it: what else stands on the machine is not known.")


def _same(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return _near(a, b, 2 * SAME)


def _near(a: tuple[float, ...], b: tuple[float, ...], within: float) -> bool:
    return len(a) == len(b) and bool((np.abs(np.subtract(a, b)) <= within).all())
