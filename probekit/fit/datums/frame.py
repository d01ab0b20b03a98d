"""What establishing a datum frame found: the motion, who took what, what is left, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ...geometry import apply_motion, cross_matrix, invert_motion
from ...show import shown
from ..alignment import Alignment
from ..motion import FREEDOMS
from ..undetermined import describe_motions
from .doubt import exactly_fixed, spread_of, tied
from .freedom import Freedom
from .mobility import Mobility, mobility_of
from .simulated import elements_of, size_of
from .simulators import Settled
from .trials import scatter_of_frame
from .twists import adjoint, amounts, intersect, parameter_slope, set_to_zero, slides_and_turns, turned

if TYPE_CHECKING:
    import pandas as pd

    from .features import Touched

__all__ = ["DatumFrame", "Step", "frame_of"]

_CLEAR = 1e-9  # a feature that just fits passes its boundary [mm]
_PART = 0.01  # less of a freedom than this is none of it


@dataclass(frozen=True, eq=False)
class Step:
    """What one datum did.

    Attributes
    ----------
    part : Touched
    open, taken, left : (6, k) float
        Twists that it found open, took, and left.
    settled : Settled or None
        None if it took nothing.
    member : (n, m) float
        Which touches belong to which free size.
    slope : (n, 6) float
        Change of its deviations, where it settled, with a twist.
    grip : (m, 6) float
        Twists that it holds, where it rests.
    """

    part: Touched
    open: np.ndarray
    taken: np.ndarray
    left: np.ndarray
    settled: Settled | None
    member: np.ndarray
    slope: np.ndarray
    grip: np.ndarray

    def scatter(self, deviation: np.ndarray) -> tuple[float, int]:
        """Sum of squares of deviations (n,) about the feature by itself, in any place and size, and its freedoms."""
        sized = [k for k, one in enumerate(self.part.counterparts) if one.sized]
        system = np.hstack([self.slope, (self.part.part[:, None] == np.array(sized, dtype=int)[None]).astype(float)])
        fitted, _, rank, _ = np.linalg.lstsq(system, deviation, rcond=1e-4)
        return float(np.sum((deviation - system @ fitted) ** 2)), len(deviation) - int(rank)


@shown
@dataclass(frozen=True, eq=False)
class DatumFrame:
    """A datum frame, established.

    Attributes
    ----------
    alignment : Alignment
        The motion from measured to nominal coordinates with its covariance, as any other alignment.
    table : DataFrame
        One row per datum: `datum, feature, kind, simulator, boundary, touches, contact` (ids of touches the simulator
        rests on), `size` (of the simulator: diameter, width) [mm], `form` (spread of its touches) [mm], `tx ... rz`
        ("taken", "partly" or ""), `takes` and `leaves` in words.
    free : tuple of str
        Degrees of freedom that no datum took, of tx, ty, tz, rx, ry, rz; turns are about `pivot`.
    left : (6, k) float
        The same as motions: (shift of the point `pivot` [mm], turn [rad]), one column each.
    pivot : (3,) float
        In nominal coordinates [mm].
    simulators : tuple
        Per feature a `probekit.fit.elements.Element` of the simulator, in measured coordinates; None for a face or
        targets.
    mobility : tuple of Mobility
        Play that material boundaries (MMB, LMB) leave.
    freedom : Freedom
        What a tolerance zone in this frame may still do: `left` and the play, with its limits. Profile, position and
        orientation take the frame as `free`.
    notes : tuple of str
    """

    alignment: Alignment
    table: pd.DataFrame
    free: tuple[str, ...]
    left: np.ndarray
    pivot: np.ndarray
    simulators: tuple[object, ...]
    freedom: Freedom
    mobility: tuple[Mobility, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())

    @property
    def motion(self) -> np.ndarray:
        """(4, 4) motion from measured to nominal coordinates."""
        return self.alignment.motion

    @property
    def inverse(self) -> np.ndarray:
        """(4, 4) motion from nominal to measured coordinates."""
        return self.alignment.inverse

    @property
    def translation(self) -> np.ndarray:
        """(3,) translation about the pivot [mm]."""
        return self.alignment.translation

    @property
    def rotation_deg(self) -> np.ndarray:
        """(3,) rotation vector [deg]."""
        return self.alignment.rotation_deg

    @property
    def covariance(self) -> np.ndarray:
        """(6, 6) of the parameters, mm and degrees."""
        return self.alignment.covariance

    @property
    def uncertainty(self) -> np.ndarray:
        """(6,) standard uncertainty of the parameters, mm and degrees."""
        return self.alignment.uncertainty

    def apply(self, touches: pd.DataFrame | np.ndarray) -> pd.DataFrame | np.ndarray:
        """Touches in nominal coordinates; see `probekit.fit.Alignment.apply` for `touches`."""
        return self.alignment.apply(touches)

    @property
    def sentence(self) -> str:
        """Who took what, and what is left, in one line."""
        said = [
            f"{row.datum} ({row.kind}{' ' + row.feature if row.feature else ''}, {row.simulator}) took {row.takes}"
            for row in self.table.itertuples()
        ]
        left = f"left open and held at zero: {self.table['leaves'].iloc[-1]}" if self.free else "nothing is left open"
        return f"datum frame {'|'.join(self.table['datum'])}: " + "; ".join(said) + f"; {left}"

    def _repr_html_(self) -> str:
        shown = self.table.drop(columns=["contact", "leaves"]).to_html(
            index=False, na_rep="", float_format=lambda v: f"{v:.4f}"
        )
        return f"<p>{escape(self.sentence)}</p>{shown}{self.alignment._repr_html_()}" + "".join(
            f"<p>{escape(note)}</p>" for note in self.notes
        )


def frame_of(
    table: pd.DataFrame,
    steps: list[Step],
    motion: np.ndarray,
    *,
    centre: np.ndarray,
    arm: float,
    u: float | np.ndarray | None,
    pivot: Iterable[float] | None,
    names: np.ndarray | None,
    available: np.ndarray,
) -> DatumFrame:
    """Make the result from what each datum did and the motion they came to."""
    left = steps[-1].left
    pivot = _pivot(left, centre, arm) if pivot is None else np.asarray(pivot, dtype=float)
    settled_at, (motion, keep) = motion, set_to_zero(motion, left, pivot, centre, arm)
    rows = np.concatenate([step.part.rows for step in steps])
    deviations = [step.part.measure(apply_motion(motion, step.part.points))[0] for step in steps]
    spread, with_form = spread_of(table, steps, deviations, rows, u)
    onward = keep @ parameter_slope(motion, pivot, centre, arm)
    onward = onward @ adjoint(motion @ invert_motion(settled_at), centre, arm)
    gain, lifted = (onward @ one for one in scatter_of_frame(steps, spread, with_form, centre, arm))
    covariance = (gain * spread**2) @ gain.T + lifted @ lifted.T
    residuals = np.concatenate(deviations)
    alignment = Alignment(
        motion=motion,
        free=tuple(np.array(FREEDOMS)[_taken(steps) > _PART].tolist()),
        pivot=pivot,
        covariance=covariance,
        residuals=residuals,
        weights=np.concatenate([step.part.weight for step in steps]),
        used=rows,
        method="datum frame " + "|".join(step.part.datum.letter for step in steps),
        condition=float("nan"),
        iterations=sum(step.settled.iterations for step in steps if step.settled),
        undetermined=tuple(_words(left, centre, arm)),
        objective=float(np.abs(residuals).max()),
        gain=gain,
        spread=spread,
        lift=lifted,
    )
    open_amounts = amounts(left)
    notes = [note for step in steps for note in (*step.part.notes, *exactly_fixed(step), *tied(step))]
    free = tuple(np.array(FREEDOMS)[open_amounts > _PART].tolist())
    if len(free) > left.shape[1]:
        notes.append("what is left free is not along the axes: use `left`, not the names in `free`, to move along it")
    if not available.all():
        notes.append("held at zero, not available to the datums: " + ", ".join(np.array(FREEDOMS)[~available]))
    play = tuple(
        mobility_of(step.part, apply_motion(motion, step.part.points), step.open, step.left, centre, arm)
        for step in steps
        if step.settled and step.part.datum.boundary != "RMB"
    )
    freedom, about_pivot = _freedom(steps, play, free, pivot, centre, arm), _about(left, pivot, centre, arm)
    return DatumFrame(
        alignment=alignment,
        table=_table(table, steps, deviations, centre, arm, names),
        free=free,
        left=about_pivot,
        pivot=pivot,
        simulators=tuple(
            one
            for step, deviation in zip(steps, deviations, strict=True)
            for one in elements_of(step.part, step.settled, step.member, deviation, invert_motion(motion))
        ),
        freedom=freedom,
        mobility=play,
        notes=(*notes, *(one.sentence for one in play), *(one.note for one in play if one.note)),
    )


def _freedom(
    steps: list[Step],
    play: tuple[Mobility, ...],
    free: tuple[str, ...],
    pivot: np.ndarray,
    centre: np.ndarray,
    arm: float,
) -> Freedom:
    """What is left, and what the datums that pass their boundaries took, as far as the others do not hold it."""
    loose = {one.datum: one for one in play if one.clearance >= -_CLEAR}
    if not loose:
        return Freedom(free, _about(steps[-1].left, pivot, centre, arm), pivot)
    motions = np.hstack([*(s.taken for s in steps if s.part.datum.letter in loose), steps[-1].left])
    for step in steps:
        if step.part.datum.letter not in loose:
            motions = intersect(motions, step.grip)[1]
    motions = _about(motions, pivot, centre, arm)
    return Freedom(
        (*free, *(f"datum shift of {letter}" for letter in loose)),
        motions,
        pivot,
        np.vstack([one.rows_about(pivot) @ motions for one in loose.values()]),
        np.maximum(np.concatenate([one.limits for one in loose.values()]), 0.0),
        tuple(letter for letter, one in loose.items() for _ in one.limits),
    )


def _about(twists: np.ndarray, pivot: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, k) twists as shift of the pivot [mm] and turn [rad]."""
    out = twists.copy()
    out[:3] += np.cross(twists[3:].T / arm, pivot - centre).T
    out[3:] /= arm
    return out


def _taken(steps: list[Step]) -> np.ndarray:
    return amounts(steps[0].open) - amounts(steps[-1].left)


def _pivot(left: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """The origin, or the point nearest to it on the one axis (or the point) that the part may still turn about."""
    slides, turns = slides_and_turns(left)
    if not turns.shape[1]:
        return np.zeros(3)
    # a point x is at rest in a turn if t + w x (x - c) = 0; slides left open do not count
    away = np.eye(3) - slides @ slides.T
    rows, right = [], []
    for twist in left.T:
        w, t = twist[3:] / arm, twist[:3]
        rows.append(away @ cross_matrix(w))
        right.append(away @ (np.cross(w, centre) - t))
    return np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=1e-6)[0].round(9) + 0.0


def _table(
    table: pd.DataFrame,
    steps: list[Step],
    deviations: list[np.ndarray],
    centre: np.ndarray,
    arm: float,
    names: np.ndarray | None,
) -> pd.DataFrame:
    import pandas as pd

    ids = table["touch"].to_numpy()
    rows = []
    for step, deviation in zip(steps, deviations, strict=True):
        datum, part = step.part.datum, step.part
        contact = part.rows[step.settled.active] if step.settled else part.rows[:0]
        amount = amounts(turned(step.open, names)) - amounts(turned(step.left, names))
        rows.append(
            {
                "datum": datum.letter,
                "feature": ", ".join(map(str, datum.features)),
                "kind": ", ".join(dict.fromkeys(datum.kind)),
                "simulator": datum.settles_by.replace("_", " "),
                "boundary": datum.boundary_words,
                "touches": len(part.rows),
                "contact": tuple(ids[contact].tolist()),
                "size": size_of(part, step.settled) if step.settled else np.nan,
                "form": max(float(np.ptp(deviation[part.part == k])) for k in range(len(part.counterparts))),
                **{
                    name: "taken" if a > 1 - _PART else "partly" if a > _PART else ""
                    for name, a in zip(FREEDOMS, amount, strict=True)
                },
                "takes": _takes(turned(step.open, names), turned(step.left, names)) or "nothing",
                "leaves": "; ".join(_words(step.left, centre, arm)) or "nothing",
            }
        )
    return pd.DataFrame(rows)


def _takes(open_: np.ndarray, left: np.ndarray) -> str:
    """What was taken, by name if it lies along the axes, else by direction."""
    amount = amounts(open_) - amounts(left)
    named = amount > 1 - _PART
    if (named | (amount < _PART)).all():
        return ", ".join(np.array(FREEDOMS)[named])
    words = []
    for verb, before, after in zip(
        ("slide along", "turn about"), slides_and_turns(open_), slides_and_turns(left), strict=True
    ):
        gone, directions = np.linalg.eigh(before @ before.T - after @ after.T)
        for v in directions[:, gone > 0.5].T:
            v = v * np.sign(v[np.abs(v).argmax()])
            words.append("{} ({:.3f}, {:.3f}, {:.3f})".format(verb, *(np.round(v, 3) + 0.0)))
    return ", ".join(words)


def _words(motions: np.ndarray, centre: np.ndarray, arm: float) -> list[str]:
    return describe_motions(motions, np.ones(6, dtype=bool), centre, arm) if motions.shape[1] else []
