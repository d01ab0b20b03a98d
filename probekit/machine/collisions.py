"""What would stop a machine: the probe against what it was not to touch, a miss, a spindle that turns, a lost word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..plan.probe import Probe
from ..program.reading.modal import WATCHED
from ..program.reading.steps import MOVES, Step, first_touches
from .axes import Axes
from .contact import Ball, first_obstacle
from .surroundings import Surroundings
from .watch import Moves, body_meets, pieces_of

__all__ = ["Touching", "Watched", "first_collision"]

Stop = tuple[int, str]


@dataclass(frozen=True, eq=False)
class Touching:
    """What touched in each probing move.

    Attributes
    ----------
    way : (n,) float
        To the contact [mm]; NaN without one.
    touched : sequence of Ball
        That made the contact.
    early : (n,) float
        By how much it came before any ball would have [mm]; infinite where no ball would.
    stuck : (n,) bool
        Whether the probe signals before the move begins.
    """

    way: np.ndarray
    touched: Sequence[Ball]
    early: np.ndarray
    stuck: np.ndarray


@dataclass(frozen=True, eq=False)
class Watched:
    """What a run is watched with: surroundings, axes, balls, the whole probe if it is known, and the clock (n + 1,)."""

    world: Surroundings
    axes: Axes
    balls: Sequence[Ball]
    probe: Probe | None
    seconds: np.ndarray

    @property
    def sentence(self) -> str:
        """What of the probe is watched against what, in words."""
        if self.probe is None:
            return "only the ball is watched: the probe is given by its diameter, without stem and body"
        others = len(self.world.others)
        against = f"part and {others} fixture{'s' * (others != 1)}" if others else "part, without any fixture"
        if self.world.obstacles is None:
            return "balls and stems are watched, the body not: the artefact has no facets"
        top = max(self.probe.tool_length, *(piece.end[2] for piece in self.probe.outline()))
        return f"the probe is watched up to {top:g} mm above its ball, against {against}; nothing above that is known"


def first_collision(
    steps: Sequence[Step],
    moved: np.ndarray,
    touching: Touching,
    watched: Watched,
    *,
    known: frozenset[str] = frozenset(),
    goes_on: bool = False,
    waits: bool = True,
) -> tuple[Stop | None, tuple[str, ...]]:
    """The step at which the machine would stop, and what else should be known.

    Parameters
    ----------
    steps : sequence of Step
    moved : (n, 3) float
        Origin of each step less that of the part [mm]; NaN where it is not known.
    touching : Touching
    watched : Watched
    known : frozenset of str
        Words that are not executed and change nothing.
    goes_on : bool
        Whether the control goes on after a probing move without a trigger.
    waits : bool
        Whether a person continues the program at a stop.

    Returns
    -------
    stop : (int, str) or None
        Place in `steps` and reason.
    findings : tuple of str
        Up to there.
    """
    probing = [row for row, step in enumerate(steps) if step.kind == "probe"]
    tools = {steps[row].state.tool for row in probing}
    with_probe = [row for row, step in enumerate(steps) if step.state.tool in tools and step.kind in MOVES]
    turning = (row for row in with_probe if steps[row].state.turning)
    stops = [(row, "the spindle turns with the probe in it") for row in turning][:1]
    findings: list[Stop] = []
    for number, row in enumerate(probing):
        reached, stuck = float(touching.way[number]), bool(touching.stuck[number])
        who = touching.touched[number].name if touching.touched[number].stem else "the ball"
        if stuck:
            stops.append((row, "the probe signals before the probing move begins: the control ends with an error"))
        elif reached == 0.0:
            stops.append((row, f"{who} touches before the probing move begins"))
        elif steps[row].detail is None:
            depth = float(np.linalg.norm(np.subtract(steps[row].end, steps[row].start))) - reached
            driven = f"{who} was driven {depth:.3f} mm past the contact" if reached == reached else "no contact"
            if goes_on:
                findings.append((row, f"no trigger: {driven}"))
            else:
                stops.append((row, f"no trigger, {driven}: the control ends the program with an error"))
    stops += _not_executed(steps, with_probe, moved, known)
    moves = pieces_of(steps, with_probe, moved, watched.seconds, watched.axes)
    stops += _balls_meet(steps, moves, watched)
    if watched.probe is not None:
        stops += body_meets(steps, moves, watched.world, watched.probe)
    findings += _unrecorded(steps, probing) + _by_another_part(steps, probing, touching)
    stops += _safe_stops(steps)
    waiting = [row for row, step in enumerate(steps) if step.kind == "stop"]
    if waiting and not waits:
        stops.append((waiting[0], f"{steps[waiting[0]].detail}: the program waits for a person"))
    stop = min(stops, key=lambda one: one[0], default=None)
    last = len(steps) if stop is None else stop[0]
    told = [f"line {steps[row].line}: {words}" for row, words in sorted(findings) if row < last]
    passed = [steps[row] for row in waiting if row < last]
    if passed:
        told.append(
            f"line {passed[0].line}: {passed[0].detail}, continued by a person (stops of this kind: {len(passed)})"
        )
    return stop, tuple(told)


def _not_executed(
    steps: Sequence[Step], with_probe: Sequence[int], moved: np.ndarray, known: frozenset[str]
) -> list[Stop]:
    """The first word that this machine does not execute, and the first move of the probe from an unknown origin."""
    words = ((row, step) for row, step in enumerate(steps) if step.kind == "unknown" and step.detail not in known)
    lost = (row for row in with_probe if np.isnan(moved[row]).any())
    stops = [(row, f"not executed here: {step.detail}, in {step.text.strip()}") for row, step in words][:1]
    return stops + [(row, _lost(steps[row])) for row in lost][:1]


def _safe_stops(steps: Sequence[Step]) -> list[Stop]:
    """The first place at which the program itself decides to end."""
    said = [row for row, step in enumerate(steps) if step.kind == "message"]
    for row, following in pairwise([*said, len(steps)]):
        if str(steps[row].detail).upper() == "PROBEKIT SAFE STOP":
            why = str(steps[following].detail) if following < len(steps) else "without a reason"
            return [(row, f"a safe stop of the program itself: {why}")]
    return []


def _lost(step: Step) -> str:
    """Why it is not known from where a move of the probe counts."""
    if np.isnan(step.origin).any():
        return f"the origin of {step.state.offset} is not known here"
    number = step.state.length_offset
    return f"H{number} is not in the tool table" if number else "no length offset is in force (G49)"


def _unrecorded(steps: Sequence[Step], probing: Sequence[int]) -> list[Stop]:
    """Probing moves that no record line writes down."""
    out = []
    fast = first_touches(steps)
    for row, following in zip(probing, [*probing, len(steps)][1:], strict=True):
        if row not in fast and not any(step.kind == "record" for step in steps[row:following]):
            out.append((row, "the touch is not recorded"))
    return out


def _by_another_part(steps: Sequence[Step], probing: Sequence[int], touching: Touching) -> list[Stop]:
    """Probing moves whose contact a stem made, or another tip than the one that the record line names."""
    out = []
    for number, (row, following) in enumerate(zip(probing, [*probing, len(steps)][1:], strict=True)):
        reached, ball, early = touching.way[number], touching.touched[number], touching.early[number]
        meant = next((step.detail.tip for step in steps[row:following] if step.kind == "record"), None)
        if np.isnan(reached):
            continue
        if ball.stem:
            by = "where no ball would have" if np.isinf(early) else f"{early:.3f} mm before a ball would have"
            out.append((row, f"{ball.name} touched, {by}: what is recorded there is false"))
        elif meant is not None and meant != ball.tip:
            out.append((row, f"{ball.name} met the part, but the record line names tip {meant}"))
    return out


def _balls_meet(steps: Sequence[Step], moves: Moves, watched: Watched) -> list[Stop]:
    """The first move that is no probing move and on which a ball runs into something."""
    own = np.flatnonzero([steps[row].kind != "probe" for row in moves.row])
    length = np.linalg.norm(moves.move[own], axis=1)
    direction = moves.move[own] / np.maximum(length, 1e-300)[:, None]
    stops: list[Stop] = []
    for ball in watched.balls:
        start = moves.origin[own] + moves.frame[own] @ ball.place

        def path(chosen: np.ndarray, way: np.ndarray, start: np.ndarray = start) -> np.ndarray:
            return start[chosen] + way[:, None] * direction[chosen]

        hit = first_obstacle(watched.world, path, length, ball.radius, leaving=moves.leaves[own])
        for n in np.flatnonzero(np.isfinite(hit))[:1]:
            step = steps[moves.row[own[n]]]
            of = "" if ball.tip == 0 else f" of {ball.name}"
            what = watched.world.what(start[n] + hit[n] * direction[n])
            turns = step.angles_start != step.angles_end
            if step.state.motion == WATCHED and not turns:
                told = f"the ball{of} touches {what} on the way there, which is watched: the control stops"
                stops.append((int(moves.row[own[n]]), told))
                continue
            feed = f" at {step.feed:g} mm/min" if step.feed else ""
            way = "while the rotary axes turn" if turns else f"{hit[n]:.2f} mm along a {step.kind} move{feed}"
            stops.append((int(moves.row[own[n]]), f"the ball{of} runs into {what} {way}"))
    return stops
