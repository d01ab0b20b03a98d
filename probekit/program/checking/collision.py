"""Whether the probe comes too near to the model along its moves."""

from __future__ import annotations

import math

import numpy as np

from ...plan.access.poses import pose_frame
from ..reading.steps import IN_WORDS, Step
from ..reading.walk import waypoints
from .case import ROUNDING, Case, known_place
from .contacts import contacts_of
from .findings import Finding, NotMade, gathered

__all__ = ["collision", "probe_paths"]

#: How far [mm] a probing move may pass beside the place where the ball should touch.
_ASIDE = 0.05


def collision(case: Case) -> list[Finding] | NotMade:
    """The probe keeps its distance from the model along every move, and touches only where it is to touch."""
    if case.clear is None:
        return NotMade("no model to keep clear of was given")
    steps, starts, ends, axes, least = probe_paths(case)
    if not steps:
        return []
    distance = np.asarray(case.clear(starts, ends, axes), dtype=float)
    if distance.shape != (len(steps),):
        return NotMade(f"the clearance of {len(steps)} moves has the shape {distance.shape}")
    worst: dict[tuple[int, str], float] = {}
    for step, found, wanted in zip(steps, distance.tolist(), least, strict=True):
        if not found >= wanted:  # also where it is NaN
            key = (step.line, step.kind)
            worst[key] = min(worst.get(key, math.inf), found) if math.isfinite(found) else worst.get(key, math.nan)
    hit = [
        (line, f"the probe enters the model in {IN_WORDS[kind]}") for (line, kind), found in worst.items() if found < 0
    ]
    near = [
        (line, f"the probe comes closer than the margin {case.margin:g} mm to the model in {IN_WORDS[kind]}")
        for (line, kind), found in worst.items()
        if found >= 0
    ]
    unclear = [
        (line, f"the clearance is not known for {IN_WORDS[kind]}")
        for (line, kind), found in worst.items()
        if math.isnan(found)
    ]
    deepest = min((found for found in worst.values() if found < 0), default=0.0)
    todo = (
        f"Plan the way again (deepest {-deepest:.3f} mm); check that work offset, model and probe are the right ones."
    )
    return (
        gathered(hit, "stop", todo)
        + gathered(near, "stop", "Plan the way again with more room.")
        + gathered(unclear, "look", "Check this move by hand.")
        + _aim(case)
    )


def probe_paths(case: Case) -> tuple[list[Step], np.ndarray, np.ndarray, np.ndarray, list[float]]:
    """Straight pieces of the moves of the probe whose place is known.

    Returns
    -------
    steps : list of Step
        The step of each piece.
    starts, ends : (n, 3) float
        Centres of the reference ball, in the part frame [mm].
    axes : (n, 3) or (n, 3, 3) float
        Tool axis in the part frame; of a probe with further tips its whole attitude.
    least : list of float
        Least clearance asked for [mm].
    """
    steps, starts, ends, axes, least = [], [], [], [], []
    turned = case.probe is None or case.probe.turned
    contacts = _contacts(case)
    stopped: np.ndarray | None = None  # just before the contact of the probing move before
    for step in case.probe_moves():
        after, stopped = stopped, None
        if not known_place(step):
            continue
        wanted, start, end = case.margin, after, None
        if after is not None:  # it leaves from contact
            wanted = 0.0 if step.kind in ("feed", "arc") else case.margin
            if step.kind == "feed" and np.array_equal(after, step.start):  # not known where it stopped
                wanted = -case.overtravel
        if step.kind == "probe" and step.angles_start == step.angles_end:
            way = np.array([step.start if start is None else start, step.end], dtype=float)
            (_, end), wanted = _until_contact(way, contacts.get(id(step)), case)
            stopped = end
        points, angles, between = waypoints(step, start, end)
        length = case.probe.tool_length if case.probe is not None else 0.0
        part = np.array([case.kinematics.to_part(p, a, length=length) for p, a in zip(points, angles, strict=True)])
        steps += [step] * (len(part) - 1)
        starts.append(part[:-1])
        ends.append(part[1:])
        axes += [case.kinematics.tool_axis(a) if turned else pose_frame(case.kinematics, a) for a in between]
        least += [wanted] * (len(part) - 1)
    if not steps:
        return [], np.empty((0, 3)), np.empty((0, 3)), np.empty((0, 3)), []
    return steps, np.concatenate(starts), np.concatenate(ends), np.array(axes), least


def _contacts(case: Case) -> dict[int, np.ndarray]:
    """Where the reference ball should be at contact, in program coordinates, by the id of a recorded probing move."""
    return {id(case.steps[row]): at for row, at in contacts_of(case.steps, case.probe, case.kinematics).items()}


def _until_contact(points: np.ndarray, contact: np.ndarray | None, case: Case) -> tuple[np.ndarray, float]:
    """The way of a probing move to just before contact, and the clearance asked for there."""
    start, way = points[0], points[-1] - points[0]
    length = float(np.linalg.norm(way))
    if contact is None or length == 0.0:
        return points, -case.overtravel
    along = min(max(float((contact - start) @ way) / length - case.near, 0.0), length)
    return np.array([start, start + way * along / length]), 0.0


def _aim(case: Case) -> list[Finding]:
    """Probing moves that pass beside their target, end before it, or go far beyond it."""
    contacts, aside, short, far = _contacts(case), [], [], []
    for step in case.probe_moves("probe"):
        contact = contacts.get(id(step))
        if contact is None or not known_place(step):
            continue
        way = np.subtract(step.end, step.start)
        length = float(np.linalg.norm(way))
        to = contact - np.array(step.start)
        along = float(to @ way) / length if length else 0.0
        if np.linalg.norm(to - way * (along / length if length else 0.0)) > _ASIDE:
            aside.append((step.line, "a probing move passes beside the target that its record line names"))
        elif along > length:
            short.append((step.line, "a probing move ends before the target that its record line names"))
        elif length - along > case.overtravel + ROUNDING:
            far.append((step.line, f"a probing move travels {length - along:.2f} mm beyond its target"))
    todo = "The record line does not match the move, or the radius or the kinematics are not those of the plan."
    limit = f"At most {case.overtravel:g} mm: without a trigger the probe is driven that far into the part."
    return (
        gathered(aside, "stop", todo)
        + gathered(short, "look", "On a nominal part it would miss.")
        + gathered(far, "stop", limit)
    )
