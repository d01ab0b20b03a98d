"""What would stop a machine: the ball against the part where no touch was meant, or a spindle that turns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..program.reading.steps import MOVES, Step, path_of
from .axes import Axes
from .clock import headings
from .contact import Ball, first_obstacle
from .errors import Place
from .made import Made

__all__ = ["first_collision"]

_TURN_STEP = 1.0  # between looks at a rotary move [degree]

Stop = tuple[int, str]


def first_collision(
    steps: Sequence[Step],
    moved: np.ndarray,
    way: np.ndarray,
    touched: Sequence[Ball],
    made: Made,
    axes: Axes,
    balls: Sequence[Ball],
    seconds: np.ndarray,
    *,
    known: frozenset[str] = frozenset(),
    goes_on: bool = False,
) -> tuple[Stop | None, tuple[str, ...]]:
    """The step at which the machine would stop, and what else should be known.

    Parameters
    ----------
    steps : sequence of Step
    moved : (n, 3) float
        Origin of each step less that of the part [mm]; NaN where it is not known.
    way : (n_probing,) float
        Way of each probing move to the contact with the part [mm]; NaN without one.
    touched : sequence of Ball
        That made the contact, one per probing move.
    made : Made
    axes : Axes
    balls : sequence of Ball
        Of the probe.
    seconds : (n + 1,) float
        When each step begins.
    known : frozenset of str
        Words that are not executed and change nothing.
    goes_on : bool
        Whether the control goes on after a probing move without a trigger.

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
    stops: list[Stop] = []
    findings: list[Stop] = []
    for row in with_probe:
        if steps[row].state.turning:
            stops.append((row, "the spindle turns with the probe in it"))
            break
    for row, reached in zip(probing, way.tolist(), strict=True):
        if reached == 0.0:
            stops.append((row, "the ball touches before the probing move begins"))
        elif steps[row].detail is None:
            depth = float(np.linalg.norm(np.subtract(steps[row].end, steps[row].start))) - reached
            driven = f"the ball was driven {depth:.3f} mm past the contact" if reached == reached else "no contact"
            if goes_on:
                findings.append((row, f"no trigger: {driven}"))
            else:
                stops.append((row, f"no trigger, {driven}: the control ends the program with an error"))
    stops += _not_executed(steps, with_probe, moved, known)
    for ball in balls:
        stops += _obstacles(steps, moved, with_probe, made, axes, ball, seconds)
    findings += _unrecorded(steps, probing) + _by_another_tip(steps, probing, way, touched)
    stop = min(stops, default=None)
    last = len(steps) if stop is None else stop[0]
    told = [f"line {steps[row].line}: {words}" for row, words in sorted(findings) if row < last]
    waits = [step for step in steps[:last] if step.kind == "stop"]
    if waits:
        told.append(
            f"line {waits[0].line}: {waits[0].detail}, continued by a person (stops of this kind: {len(waits)})"
        )
    return stop, tuple(told)


def _not_executed(
    steps: Sequence[Step], with_probe: Sequence[int], moved: np.ndarray, known: frozenset[str]
) -> list[Stop]:
    """The first word that this machine does not execute, and the first move of the probe from an unknown origin."""
    words = ((row, step) for row, step in enumerate(steps) if step.kind == "unknown" and step.detail not in known)
    lost = (row for row in with_probe if np.isnan(moved[row]).any())
    stops = [(row, f"not executed here: {step.detail}, in {step.text.strip()}") for row, step in words][:1]
    stops += [(row, f"the origin of {steps[row].state.offset} is not known here") for row in lost][:1]
    return stops


def _unrecorded(steps: Sequence[Step], probing: Sequence[int]) -> list[Stop]:
    """Probing moves that no record line writes down."""
    out = []
    for row, following in zip(probing, [*probing, len(steps)][1:], strict=True):
        if not any(step.kind == "record" for step in steps[row:following]):
            out.append((row, "the touch is not recorded"))
    return out


def _by_another_tip(
    steps: Sequence[Step], probing: Sequence[int], way: np.ndarray, touched: Sequence[Ball]
) -> list[Stop]:
    """Probing moves whose contact another tip made than the one that the record line names."""
    out = []
    for row, following, reached, ball in zip(probing, [*probing, len(steps)][1:], way, touched, strict=True):
        meant = next((step.detail.tip for step in steps[row:following] if step.kind == "record"), None)
        if reached == reached and meant is not None and meant != ball.tip:
            out.append((row, f"{ball.name} met the part, but the record line names tip {meant}"))
    return out


def _obstacles(
    steps: Sequence[Step],
    moved: np.ndarray,
    with_probe: Sequence[int],
    made: Made,
    axes: Axes,
    ball: Ball,
    seconds: np.ndarray,
) -> list[Stop]:
    """The first move that is no probing move and on which a ball meets the part."""
    the_ball = "the ball" if ball.tip == 0 else f"the ball of {ball.name}"
    turned = headings(steps)
    rows, starts, ends, leaving = [], [], [], []
    looks_at, looks_angles, looks_rows = [], [], []
    for row in with_probe:
        step = steps[row]
        if step.kind == "probe":
            continue
        points = path_of(step) + moved[row]
        if not np.isfinite(points).all():
            continue
        if step.angles_start != step.angles_end:
            count = 2 + int(max(np.abs(np.subtract(step.angles_end, step.angles_start))) / _TURN_STEP)
            part = np.linspace(0.0, 1.0, count)[:, None]
            looks_at.append(points[0] + part * (points[-1] - points[0]))
            looks_angles.append(np.array(step.angles_start) + part * np.subtract(step.angles_end, step.angles_start))
            looks_rows += [row] * count
            continue
        if len(points) < 2 or (np.array_equal(points[0], points[-1]) and len(points) == 2):
            continue
        rows += [row] * (len(points) - 1)
        starts.append(points[:-1])
        ends.append(points[1:])
        leaving += [_follows_a_touch(steps, row)] + [False] * (len(points) - 2)
    stops: list[Stop] = []
    if rows:
        start, end, of = np.concatenate(starts), np.concatenate(ends), np.array(rows)
        angles = np.array([steps[row].angles_start for row in rows], dtype=float).reshape(len(rows), -1)
        length = np.linalg.norm(end - start, axis=1)
        direction = (end - start) / np.maximum(length, 1e-300)[:, None]

        def path(chosen: np.ndarray, way: np.ndarray) -> np.ndarray:
            at = start[chosen] + way[:, None] * direction[chosen]
            return axes.ball(Place(at, turned[of[chosen]], seconds[of[chosen]]), angles[chosen], ball.place)

        hit = first_obstacle(made, path, length, ball.radius, leaving=np.array(leaving))
        stops += [
            (rows[n], f"{the_ball} runs into the part {hit[n]:.2f} mm along a {steps[rows[n]].kind} move")
            for n in np.flatnonzero(np.isfinite(hit))[:1]
        ]
    if looks_rows:
        at, angles, of = np.concatenate(looks_at), np.concatenate(looks_angles), np.array(looks_rows)
        distance, _ = made.distance(axes.ball(Place(at, turned[of], seconds[of]), angles, ball.place))
        blocked = np.flatnonzero(distance < ball.radius)
        stops += [(looks_rows[n], f"{the_ball} meets the part while the rotary axes turn") for n in blocked[:1]]
    return stops


def _follows_a_touch(steps: Sequence[Step], row: int) -> bool:
    """Whether the move before this one was a probing move, so that this one starts in contact."""
    before = next((place for place in range(row - 1, -1, -1) if steps[place].kind in MOVES), None)
    return before is not None and steps[before].kind == "probe"
