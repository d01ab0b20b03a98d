"""Where the probing moves of a run trigger, all of one pass at once, and whether two passes agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from ..errors import InputError
from ..plan.probe import Segment
from ..program.reading.steps import MOVES, Step
from .axes import Axes
from .collisions import Touching
from .contact import Ball, first_contact
from .errors import Contact, MachineError, Place
from .surroundings import Surroundings
from .watch import stem_contacts

__all__ = ["PASSES", "Probing", "agree", "check_parts", "seeds_of", "told_until", "triggers_of"]

#: So often a program is run at most until its triggers agree with themselves.
PASSES = 200

_SAME = 1e-9  # change of a trigger that counts as none [mm]


@dataclass(frozen=True, eq=False)
class Probing:
    """All probing moves of one pass, as programmed: scales' positions, angles, feed, heading, time of the start, and by
    how much the origin lies off that of the part.
    """

    start: np.ndarray
    end: np.ndarray
    angles: np.ndarray
    feed: np.ndarray
    heading: np.ndarray
    seconds: np.ndarray
    moved: np.ndarray

    @property
    def length(self) -> np.ndarray:
        """(n,) how long each is [mm]."""
        return np.linalg.norm(self.end - self.start, axis=1)


def triggers_of(
    probing: Probing,
    world: Surroundings,
    axes: Axes,
    parts: tuple[Sequence[Ball], Sequence[tuple[Segment, Ball]]],
    seeds: Sequence[tuple[int, int, int]],
) -> tuple[list[tuple[float, ...] | None], Touching]:
    """Program coordinates of each trigger (None: no trigger), and what touched; `parts` are balls and stems."""
    length = probing.length
    direction = (probing.end - probing.start) / np.maximum(length, 1e-300)[:, None]

    def path(tip: np.ndarray, rows: np.ndarray, way: np.ndarray) -> np.ndarray:
        feed = probing.feed[rows]
        passed = np.divide(60.0 * way, feed, out=np.zeros_like(way), where=feed > 0)
        place = Place(
            probing.start[rows] + way[:, None] * direction[rows], probing.heading[rows], probing.seconds[rows] + passed
        )
        return axes.ball(place, probing.angles[rows], tip)

    balls, stems = parts
    met = [first_contact(world, partial(path, ball.place), length, ball.radius) for ball in balls]
    frame = axes.turns(probing.angles, really=True).transpose(0, 2, 1)
    met += [stem_contacts(world, segment, partial(path, np.zeros(3)), length, frame) for segment, _ in stems]
    first = np.argmin([np.nan_to_num(way, nan=np.inf) for way, _ in met], axis=0)
    each = np.arange(len(length))
    way, normal = (np.stack(values)[first, each] for values in zip(*met, strict=True))
    by_ball = np.min([np.nan_to_num(way, nan=np.inf) for way, _ in met[: len(balls)]], axis=0)
    seen = np.einsum("nij,nj->ni", axes.turns(probing.angles), np.nan_to_num(normal))
    total, failed, stuck = way.copy(), np.isnan(way), np.zeros(len(way), dtype=bool)
    for error, seed in zip(axes.errors, seeds, strict=True):
        # the same in every pass, however many touches there are
        contact = Contact(seen, probing.feed, np.random.default_rng(seed).random(len(way)))
        total = total + error.travel(contact)
        failed |= error.fails(contact)
        stuck |= error.signals(contact)
    failed |= ~(total <= length)
    total = np.maximum(total, 0.0)
    at = probing.start + total[:, None] * direction - probing.moved  # what the control tells
    found = [None if lost else tuple(row) for lost, row in zip(failed.tolist(), at.tolist(), strict=True)]
    touched = [*balls, *(ball for _, ball in stems)]
    return found, Touching(way, [touched[k] for k in first], by_ball - way, stuck)


def agree(before: Sequence[tuple[float, ...] | None], after: Sequence[tuple[float, ...] | None]) -> bool:
    """Whether the triggers of two passes are the same."""
    if len(before) != len(after) or any((a is None) != (b is None) for a, b in zip(before, after, strict=True)):
        return False
    pairs = [(a, b) for a, b in zip(before, after, strict=True) if a is not None]
    return not pairs or float(np.abs(np.subtract(*zip(*pairs, strict=True))).max()) < _SAME


def seeds_of(rng: np.random.Generator | int, errors: Sequence[MachineError]) -> list[tuple[int, int, int]]:
    """A seed per error, of its kind and its place among those of its kind: other kinds do not change what it draws."""
    drawn = int(np.random.default_rng(rng).integers(2**63))
    kinds = [type(error).__name__ for error in errors]
    return [(drawn, int.from_bytes(kind.encode()), kinds[:place].count(kind)) for place, kind in enumerate(kinds)]


def told_until(steps: Sequence[Step], stopped: tuple[int, str] | None) -> int:
    """Up to where steps go into the results: those before the stop, and the record of a touch that was missed."""
    stop = len(steps) if stopped is None else stopped[0]
    if stop == len(steps) or steps[stop].kind != "probe" or steps[stop].detail is not None:
        return stop
    after = (row for row in range(stop + 1, len(steps)) if steps[row].kind in ("record", *MOVES))
    row = next(after, stop)
    return row + 1 if steps[row].kind == "record" else stop


def check_parts(made: object, errors: object, rng: object) -> None:
    """Refuse what cannot be touched, what is no error of a machine, and what is no source of randomness."""
    if not callable(getattr(made, "distance", None)):
        raise InputError("the virtual machine cannot touch this", column="made", found=made, expected="AsMade, Nominal")
    if not isinstance(errors, Sequence) or not all(isinstance(error, MachineError) for error in errors):
        raise InputError(
            "the errors of the machine are not usable",
            column="errors",
            found=errors,
            expected="a sequence of errors, as (Scale(x=20.0), Repeatability(0.001))",
        )
    seed = isinstance(rng, int | np.integer) and not isinstance(rng, bool) and rng >= 0
    if not seed and not isinstance(rng, np.random.Generator):
        raise InputError("randomness needs a source", column="rng", found=rng, expected="a seed >= 0, or a Generator")
