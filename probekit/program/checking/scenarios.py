"""Touches that make a program decide one way or the other: just within each of its limits, and just beyond.

Every comparison of a program has a length at which it turns over. For ways in which touches may deviate (the part off
along each direction of an estimate, one touch alone, one end of a plane up) that length is found, and the program is
followed a little on either side of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...errors import InputError
from ..deciding.decisions import Decide, Reprobe, Step, linear
from ..deciding.estimates import Estimate
from ..deciding.expressions import Expression, Let, Name, Operation, Value, leaves, value_of
from ..deciding.phases import cut_again
from ..moves import Touch
from .findings import Finding, gathered

__all__ = ["AGAIN", "Event", "Scenario", "differences", "scenarios_of", "unlike"]

AGAIN = "Write the program again: it decides otherwise than the plan that was signed."

_BESIDE = 1e-3  # by so much of a limit a program is followed on either side of it
_ROUNDED = 2e-6  # and at least by so much more than numbers of a program are rounded [mm, degree]
_MOST = 400
_SAME = 1e-4  # of origins [mm]
_ENOUGH = 5  # differences from its plan, and it is not the planned program: more of the same helps nobody
_ALONE = "all that "


@dataclass(frozen=True)
class Scenario:
    """How touches deviate [mm], by their number, and whether only when they are made for the first time."""

    what: str
    deviations: Mapping[int, float]
    once: bool = False

    def __call__(self, touch: int, time: int) -> float:
        """The deviation of a touch that is made for the nth time, from 0."""
        return 0.0 if self.once and time else self.deviations.get(touch, 0.0)


@dataclass(frozen=True)
class Event:
    """What a program comes to: a touch, a result, an end; in which system it counts, and where the origin of that lies.

    Where the origin is not told, none is compared.
    """

    what: str
    system: str = ""
    origin: tuple[float, ...] = ()
    line: int = 0

    def words(self, system: str) -> str:
        """What it is; `system` says where, with a place for its name and one for its origin."""
        origin = ", ".join(f"{value:z.4f}" for value in self.origin)
        return self.what + (" " + system.format(self.system, origin) if self.origin else "")

    def same(self, other: Event) -> bool:
        """Whether both come to the same, in the same system at the same place; what is not known is equal."""
        near = len(self.origin) == len(other.origin) and np.allclose(
            self.origin, other.origin, rtol=0, atol=_SAME, equal_nan=True
        )
        return (self.what, self.system) == (other.what, other.system) and bool(near)


def unlike(event: Event, expected: Iterator[Event], system: str) -> str:
    """How an event differs from the next one that is planned, "" if it does not.

    Parameters
    ----------
    event : Event
    expected : iterator of Event
    system : str
        As for `Event.words`.
    """
    wanted = next(expected, None)
    if wanted is not None and wanted.same(event):
        return ""
    planned = "nothing more" if wanted is None else wanted.words(system)
    return f"the program comes to {event.words(system)}, planned is {planned}"


def differences(steps: Sequence[Step], differs: Callable[[Scenario], tuple[int, str] | None]) -> list[Finding]:
    """Where a program does otherwise than its plan, just within or beyond one of its limits; each line told once.

    Parameters
    ----------
    steps : sequence of Step
        The plan.
    differs : callable
        Scenario -> the line at which the program differs, and how; None if it does not.
    """
    wrong: list[tuple[int, str]] = []
    for scenario in scenarios_of(steps):
        found = differs(scenario)
        if found is not None:
            wrong.append(found)
        if len(wrong) >= _ENOUGH:
            break
    return gathered(list({line: (line, what) for line, what in reversed(wrong)}.values()), "stop", AGAIN)


def scenarios_of(steps: Sequence[Step]) -> list[Scenario]:
    """Scenarios that together turn every comparison of a program over.

    Parameters
    ----------
    steps : sequence of Step
    """
    normals = {one.touch: np.array(one.normal) for one in linear(steps) if isinstance(one, Touch)}
    estimates, compared = list(_estimates(steps)), list(_compared(steps))
    names = {one.by for one in cut_again(steps)}
    cuts = [one for one in estimates if any(one.name in _named(let.to) for let in _lets(steps) if let.name in names)]
    found = [Scenario("a part as planned", {}), _mixed(estimates, normals)]
    for what, way in (*_ways(estimates, normals), *_alone(cuts)):
        lengths = [_length(steps, way, one, limit) for one, limit in compared]
        reached = [length for length in lengths if length is not None]
        if not reached:
            continue
        # beyond the first limit a program stops, unless it then cuts again up to the next one
        turned = sorted(set(reached)) if what.startswith(_ALONE) else [min(reached)]
        sides = [(least, side, word) for least in turned for side, word in ((-1, "within"), (1, "beyond"))]
        for least, sign, side in sides:
            length = least * (1 + sign * _BESIDE) + sign * _ROUNDED
            told = {touch: length * share for touch, share in way.items()}
            found.append(Scenario(f"{what} by {length:.5g} mm, just {side} a limit", told))
            if side == "beyond" and any(isinstance(one, Reprobe) for one in _within(steps)):
                found.append(Scenario(f"{what} by {length:.5g} mm, only the first time", told, once=True))
    return found[:_MOST]


def _mixed(estimates: Sequence[Estimate], normals: Mapping[int, np.ndarray]) -> Scenario:
    """Every touch deviates otherwise, by a tenth of a micrometre to some: a value taken from another touch shows."""
    rows = {touch: row for row, touch in enumerate(normals)}
    used = {touch for one in estimates for touch in one.used}
    return Scenario(
        "every touch a little different",
        {touch: 0.002 + 0.004 * ((row * 0.6180339887) % 1.0) for touch, row in rows.items() if touch in used},
    )


def _ways(estimates: Sequence[Estimate], normals: Mapping[int, np.ndarray]) -> Iterator[tuple[str, dict[int, float]]]:
    """Ways in which touches may deviate, as shares of one length."""
    told: list[tuple[float, ...]] = []
    for one in estimates:
        if one.direction not in told:
            told.append(one.direction)
            along = np.array(one.direction)
            name = "({:g}, {:g}, {:g})".format(*one.direction)
            for sign, word in ((1.0, "along"), (-1.0, "against")):
                yield f"the part off {word} {name}", {t: sign * float(n @ along) for t, n in normals.items()}
        if one.kind == "angle":
            for sign, word in ((1.0, "up"), (-1.0, "down")):
                yield f"one end {word} for {one.name}", dict.fromkeys(one.groups[1], sign)
    if len(told) > 1:
        whole = np.sum([np.array(one) for one in told], axis=0)
        yield "the part off along all of them", {t: float(n @ whole) for t, n in normals.items()}
    for touch in dict.fromkeys(touch for one in estimates for touch in one.used):
        yield f"touch {touch} alone off", {touch: 1.0}
        yield f"touch {touch} alone off inwards", {touch: -1.0}


def _alone(estimates: Sequence[Estimate]) -> Iterator[tuple[str, dict[int, float]]]:
    """What one estimate tells off, and nothing else, as where material is left."""
    for one in estimates:
        if one.kind == "height":
            for sign, word in ((1.0, "high"), (-1.0, "low")):
                yield f"{_ALONE}{one.name} is reckoned of {word}", dict.fromkeys(one.used, sign)


def _lets(steps: Sequence[Step]) -> Iterator[Let]:
    return (one for one in linear(steps) if isinstance(one, Let))


def _named(tree: Expression) -> set[str]:
    return {leaf.name for leaf in leaves(tree) if isinstance(leaf, Name)}


def _length(steps: Sequence[Step], way: Mapping[int, float], one: Expression, limit: float) -> float | None:
    """The length at which a comparison turns over, None if it does not."""
    length = limit
    for _ in range(40):
        given = _value(steps, {touch: length * share for touch, share in way.items()}, one)
        if given is None or given <= 1e-12:
            return None
        if abs(given - limit) <= 1e-12 * limit:
            return length
        length *= limit / given
    return length


def _value(steps: Sequence[Step], deviations: Mapping[int, float], one: Expression) -> float | None:
    """What a tree gives if touches deviate so, whatever path is taken."""
    names: dict[str, float] = {}
    try:
        for let in linear(steps):
            if isinstance(let, Let):
                names[let.name] = value_of(let.to, names, _Zero(deviations))
        return value_of(one, names, _Zero(deviations))
    except InputError:
        return None


class _Zero(dict[int, float]):
    """Deviations; none where nothing is said."""

    def __contains__(self, _touch: object) -> bool:
        return True

    def __missing__(self, _touch: int) -> float:
        return 0.0


def _within(steps: Sequence[Step]) -> Iterator[Step]:
    """All steps, those within decisions too."""
    for one in steps:
        yield one
        if isinstance(one, Decide):
            yield from _within((*one.then, *one.otherwise))
        elif isinstance(one, Reprobe):
            yield from _within(one.steps)


def _estimates(steps: Sequence[Step]) -> Iterator[Estimate]:
    return (one for one in _within(steps) if isinstance(one, Estimate))


def _compared(steps: Sequence[Step]) -> Iterator[tuple[Expression, float]]:
    """What is compared with a number in any condition, and that number."""
    found: list[tuple[Expression, float]] = []

    def take(tree: Expression) -> None:
        if not isinstance(tree, Operation):
            return
        a, b = tree.of[0], tree.of[-1]
        if tree.word in ("<", "<=", ">", ">=") and isinstance(b, Value) and b.number > 0 and list(leaves(a)):
            if (a, float(b.number)) not in found:
                found.append((a, float(b.number)))
        for one in tree.of:
            take(one)

    for one in _within(steps):
        if isinstance(one, Decide):
            take(one.condition)
        elif isinstance(one, Reprobe):
            take(one.until)
    return iter(found)
