"""The whole probe on every move of a trial: what stem and body run into, and where the stem touches before the ball.

Stem and body are the convex pieces of `Probe.outline`, moved as the machine really moves, against the facets of part,
clamps and stock: the same geometry as plan and checks use. Facets are off the surfaces by their chord error, so what
is less deep than that is not told. Contacts of a stem in a probing move are found on the made surface itself, as those
of balls are: a stem is the balls of its radius along its axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.access.clearance import swept
from ..plan.probe import Probe, Segment
from ..program.reading.steps import IN_WORDS, Step
from ..program.reading.walk import waypoints
from .axes import Axes
from .clock import headings
from .contact import Ball, Path, first_contact
from .errors import Place
from .surroundings import Surroundings

__all__ = ["Moves", "body_meets", "pieces_of", "stem_contacts", "stems_of"]

_ROOM = 0.1  # clearances from here on need not be known [mm]
_OFF = 0.05  # a move that leaves a contact is judged from here on [mm]
_NEAR = 0.3  # a stem that stays further from the facets than this does not touch [mm]
_FINER = 4  # searches for the place of the first contact along a stem, each finer than the last


@dataclass(frozen=True, eq=False)
class Moves:
    """Straight pieces of moves as the machine really makes them.

    Attributes
    ----------
    row : (n,) int
        Place of the move in the steps.
    frame : (n, 3, 3) float
        Rotation from probe coordinates to the part frame.
    origin, move : (n, 3) float
        Reference ball's centre at the start, in the part frame, and how it goes on [mm].
    leaves : (n,) bool
        Whether it begins where a probing move ended.
    """

    row: np.ndarray
    frame: np.ndarray
    origin: np.ndarray
    move: np.ndarray
    leaves: np.ndarray


def body_meets(steps: Sequence[Step], moves: Moves, world: Surroundings, probe: Probe) -> list[tuple[int, str]]:
    """The first move on which stem or body of the probe runs into anything.

    Parameters
    ----------
    steps : sequence of Step
    moves : Moves
    world : Surroundings
    probe : Probe

    Returns
    -------
    list of (int, str)
        Place in `steps` and what happens there; empty if nothing does.
    """
    solids = world.obstacles
    if solids is None or not len(moves.row):
        return []
    length = np.linalg.norm(moves.move, axis=1)
    skipped = np.where(moves.leaves, np.minimum(_OFF / np.maximum(length, _OFF), 1.0), 0.0)[:, None]
    origin, move = moves.origin + skipped * moves.move, (1.0 - skipped) * moves.move
    probing = np.array([steps[row].kind == "probe" for row in moves.row])
    found: list[tuple[int, float, str]] = []
    for segment in probe.outline():
        if segment.part == "ball":
            continue
        own = np.flatnonzero(~probing) if segment.part == "stem" else np.arange(len(probing))
        distance, facet = solids.least(swept(segment, moves.frame[own], origin[own], move[own]), enough=_ROOM)
        deep = -(distance + solids.chord)  # not less the chord error: what is not sure is not told
        for n in np.flatnonzero((facet >= 0) & (deep >= 0))[:1]:
            row = int(moves.row[own[n]])
            what = f"{_named(probe, segment)} runs into {solids.what(int(facet[n]))}"
            found.append((row, float(deep[moves.row[own] == row].max()), what))
    if not found:
        return []
    row, deepest, words = min(found, key=lambda one: (one[0], -one[1]))
    about = f", about {deepest:.1f} mm deep," if deepest > 0.05 else ""
    return [(row, f"{words}{about} in {IN_WORDS[steps[row].kind]}")]


def _named(probe: Probe, segment: Segment) -> str:
    return "the body of the probe" if segment.part == "body" else f"the stem of the {_tip(probe, segment.tip)}"


def _tip(probe: Probe, tip: int) -> str:
    return "stylus" if probe.turned else probe.tip_name(tip)


def pieces_of(steps: Sequence[Step], rows: Sequence[int], moved: np.ndarray, seconds: np.ndarray, axes: Axes) -> Moves:
    """Moves as straight pieces in the part frame; those whose place is not known are left out.

    Parameters
    ----------
    steps : sequence of Step
        Probing moves end at their triggers.
    rows : sequence of int
        Moves of the probe.
    moved : (n, 3) float
        Origin of each step less that of the part [mm].
    seconds : (n + 1,) float
        When each step begins.
    axes : Axes

    Returns
    -------
    Moves
    """
    turned = headings(steps)
    of, points, angles, between, begins, leaves = [], [], [], [], [], []
    after_touch = False
    for row in rows:
        step, first = steps[row], after_touch
        after_touch = step.kind == "probe"
        if not np.isfinite([*step.start, *step.end, *moved[row]]).all():
            continue
        at, turn, half = waypoints(step)
        of += [row] * len(at)
        points.append(at + moved[row])
        angles.append(turn)
        between.append(half)
        begins += [True] * len(half) + [False]
        leaves += [first] + [False] * (len(half) - 1)
    if not of:
        return Moves(np.empty(0, dtype=int), np.empty((0, 3, 3)), *(np.empty((0, 3)),) * 2, np.empty(0, dtype=bool))
    row, start = np.array(of), np.flatnonzero(begins)
    centre = axes.ball(Place(np.concatenate(points), turned[row], seconds[row]), np.concatenate(angles), np.zeros(3))
    frame = axes.turns(np.concatenate(between), really=True).transpose(0, 2, 1)
    return Moves(row[start], frame, centre[start], centre[start + 1] - centre[start], np.array(leaves))


def stems_of(probe: Probe | float) -> tuple[tuple[Segment, Ball], ...]:
    """The stems of the tips that can touch, each with a ball that stands for it in results."""
    if not isinstance(probe, Probe):
        return ()
    stems = [piece for tip in probe.choices for piece in probe.outline(tip) if piece.part == "stem"]
    return tuple(
        (piece, Ball(piece.tip, f"the stem of the {_tip(probe, piece.tip)}", probe.offset(piece.tip), 0.0, stem=True))
        for piece in stems
    )


def stem_contacts(
    world: Surroundings, segment: Segment, path: Path, length: np.ndarray, frame: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """First contact of a stem on each probing move.

    Parameters
    ----------
    world : Surroundings
    segment : Segment
        The stem, in probe coordinates.
    path : callable
        Of the reference ball's centre, as `first_contact` takes it.
    length : (n,) float
        Of the moves [mm].
    frame : (n, 3, 3) float
        Attitude of the probe.

    Returns
    -------
    way, normal
        As of `first_contact`.
    """
    n, everything = len(length), np.arange(len(length))
    way, normal, rows = np.full(n, np.nan), np.full((n, 3), np.nan), everything
    low, high = np.array(segment.start), np.array(segment.end)
    if world.obstacles is not None and n:
        origin = path(everything, np.zeros(n))
        pieces = swept(segment, frame, origin, path(everything, length) - origin)
        rows = np.flatnonzero(world.obstacles.least(pieces, enough=_NEAR)[0] < _NEAR)
    count = 2 + int(2 * np.linalg.norm(high - low) / segment.start_radius)
    middle, span = np.full(len(rows), 0.5), 0.5
    for _ in range(1 + _FINER):
        if not len(rows):
            break
        part = np.clip(middle[:, None] + span * np.linspace(-1.0, 1.0, count), 0.0, 1.0)
        of = np.repeat(rows, count)
        beside = np.einsum("nij,nj->ni", frame[of], low + part.reshape(-1, 1) * (high - low))

        def at(m: np.ndarray, s: np.ndarray, of: np.ndarray = of, beside: np.ndarray = beside) -> np.ndarray:
            return path(of[m], s) + beside[m]

        met, facing = first_contact(world, at, length[of], segment.start_radius)
        best = np.nan_to_num(met.reshape(-1, count), nan=np.inf).argmin(axis=1) + count * np.arange(len(rows))
        way[rows], normal[rows] = met[best], facing[best]
        touching = np.isfinite(met[best])
        rows, middle = rows[touching], part.ravel()[best][touching]
        span, count = 2 * span / (count - 1), 9
    return way, normal
