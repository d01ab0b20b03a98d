"""What the evaluation of a tolerance found, as plain data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError, TouchesError
from ..fit import FREEDOMS
from ..show import shown
from .cover import covered_rows, positive
from .explain import Explanation, explain

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from .blocks import Block
    from .envelopes import Envelope
    from .places import Places
    from .propagation import Carried

__all__ = ["Evaluation", "Shifts"]


@shown
@dataclass(frozen=True, eq=False)
class Shifts:
    """Where a derived feature lies from its true position.

    Attributes
    ----------
    label : str
        Which feature; empty if there is one only.
    off : (m, 3) float
        Shift at each place judged, for an axis at its two ends, after the placement [mm].
    along : (3,) float
        Unit direction of the true position.
    zone : (z, 3) float
        Directions that the zone limits: one between two planes, two for a round one, three for a ball.
    allowed : float
        Width, or diameter, of its zone, with the bonus [mm].
    """

    label: str
    off: np.ndarray
    along: np.ndarray
    zone: np.ndarray
    allowed: float


@shown
@dataclass(frozen=True, eq=False)
class Evaluation:
    """Actual value of a tolerance, and the deviations it was taken from.

    A check of one's own makes one by `Evaluation.by_touch` or `Evaluation.as_whole`, as the checks here do.

    Attributes
    ----------
    name : str
        What the tolerance is called.
    kind : str
        "profile of a surface", "flatness", "position", ... Deviations are taken for those from the nominal if it begins
        with "profile".
    judges_touches : bool
        Whether the limits judge the touches one by one. If not (position, size, an axis), the verdict comes from the
        actual value against the width, and `deviations` are the residuals of the element fitted.
    features : tuple of str
        Features (or faces) it covers.
    width : float
        Tolerance: width of the zone [mm]; a diameter if the zone is round, with the bonus if there is one. Of a zone
        that is not uniform, its largest width.
    lower, upper : float
        Limits of the deviation that the zone sets [mm].
    actual : float
        The smallest width of zone to which the touches conform [mm].
    high, low : float
        Largest and smallest deviation [mm].
    rows : (n,) int
        Positions, in the deviations table, of the touches judged.
    deviations : (n,) float
        Their deviations from what `kind` measures from, after the best placement over `free` [mm].
    ruling : tuple
        Ids of the touches that fix the actual value; where an envelope is judged (an axis, a position), of those that
        it rests on.
    missed_rows : (m,) int
        Positions of the touches of these features that did not trigger and so could not be judged.
    free : tuple of str
        Degrees of freedom left to the tolerance's own placement.
    motion : (4, 4) float
        That placement; the identity if nothing was free, or if there is one for each section or window.
    touch_limits : (n, 2) float, optional
        Limits of each touch [mm], where they are not the same for all.
    notes : tuple of str
        What has to be known to believe the value: too few touches, sampling, conventions.
    details : mapping
        Further numbers by name [mm], such as the value of each section, a bonus, a virtual condition.
    shifts : tuple of Shifts
        Of a position, and of the orientation of an axis: each derived feature within its zone.
    alternatives : callable, optional
        Computes the value that other fits give: name of the fit -> actual value [mm]. For `explain`.
    freedom : Freedom, optional
        What was free for the tolerance's own placement, as motions; None if `free` says it by name.
    gradient : (n,) float, optional
        Of a value judged as a whole: its change with the deviation of each touch judged, less that of a bonus.
    slope : (6,) float, optional
        Of a value judged as a whole: its change with the shift of the origin of its datum frame [mm] and the turn of
        the frame [rad], less what the placement takes up.
    blocks : tuple of Block, optional
        Which touches share a placement of the zone, or an envelope, and how it follows them; see
        `probekit.tolerance.blocks`. None: the zone is held, and each touch counts by itself.
    places : Places, optional
        Of a value judged as a whole: the places that compete to be the worst, such as the two ends of an axis. None:
        there is one, and `gradient` is its change.
    envelopes : tuple of Envelope
        Inscribed and circumscribed elements that the value rests on.
    carried : Carried, optional
        What the uncertainty of the datum frame that was established for this tolerance does to what is judged; None if
        it is judged in the coordinates of the table.
    ids : (n,) object, optional
        Ids of the touches judged: by them a verdict knows the table that `rows` count in.
    between : mapping, optional
        Axis -> two values between which a profile covers its features [mm]; None: all of them.
    """

    name: str
    kind: str
    judges_touches: bool
    features: tuple[str, ...]
    width: float
    lower: float
    upper: float
    actual: float
    high: float
    low: float
    rows: np.ndarray
    deviations: np.ndarray
    ruling: tuple[int | str, ...]
    missed_rows: np.ndarray
    free: tuple[str, ...]
    motion: np.ndarray
    touch_limits: np.ndarray | None = None
    notes: tuple[str, ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)
    shifts: tuple[Shifts, ...] = ()
    alternatives: Callable[[], Mapping[str, float]] | None = field(default=None, repr=False)
    freedom: Freedom | None = field(default=None, repr=False)
    gradient: np.ndarray | None = field(default=None, repr=False)
    slope: np.ndarray | None = field(default=None, repr=False)
    blocks: tuple[Block, ...] | None = field(default=None, repr=False)
    places: Places | None = field(default=None, repr=False)
    envelopes: tuple[Envelope, ...] = field(default=(), repr=False)
    carried: Carried | None = field(default=None, repr=False)
    ids: np.ndarray | None = field(default=None, repr=False)
    between: Mapping[str, tuple[float, float]] | None = field(default=None, repr=False)

    @classmethod
    def by_touch(
        cls,
        table: pd.DataFrame,
        rows: np.ndarray,
        deviations: np.ndarray,
        width: float,
        *,
        name: str,
        kind: str,
        limits: np.ndarray | tuple[float, float] | None = None,
        settled: float = 1e-9,
        features: Iterable[str] = (),
        **more: Any,
    ) -> Evaluation:
        """An evaluation that judges each touch by the limits of a zone; the actual value is that of the worst.

        Parameters
        ----------
        table : DataFrame
            Deviations table.
        rows : (n,) int
            Positions, in the table, of the touches judged.
        deviations : (n,) float
            Their deviations from what is judged [mm].
        width : float
            Tolerance [mm].
        name, kind
            See `Evaluation`.
        limits : (float, float) or (n, 2) float, optional
            Limits of the deviation that the zone sets, the same at each touch or not [mm]; half the width to both
            sides by default.
        settled : float
            Touches this near to the largest one rule, too [mm].
        features : iterable of str
            Features or faces that are judged; all touches if empty.
        **more
            Further attributes of `Evaluation`. Without `missed_rows`, they are the touches on `features` that did not
            trigger.

        Raises
        ------
        InputError
            If there is no touch, or not one finite deviation for each.
        """
        rows, deviations = _judged(name, rows, deviations)
        sides = (-width / 2, width / 2) if limits is None else limits
        sides = np.broadcast_to(np.asarray(sides, dtype=float), (len(rows), 2))
        uniform = bool((np.ptp(sides, axis=0) == 0).all())
        share = 1.0 if uniform else width / np.diff(sides, axis=1)[:, 0]
        off = share * np.abs(deviations - sides.mean(axis=1))
        own = {
            "lower": float(sides[:, 0].min()),
            "upper": float(sides[:, 1].max()),
            "ruling": tuple(table["touch"].to_numpy()[rows[off >= off.max() - settled]].tolist()),
            "high": float(deviations.max()),
            "low": float(deviations.min()),
            "deviations": deviations,
            "touch_limits": None if uniform else sides,
        }
        actual = 2.0 * float(off.max())
        return cls._made(table, rows, actual, width, name, kind, features, judges_touches=True, **(own | more))

    @classmethod
    def as_whole(
        cls,
        table: pd.DataFrame,
        rows: np.ndarray,
        actual: float,
        width: float,
        *,
        name: str,
        kind: str,
        features: Iterable[str] = (),
        **more: Any,
    ) -> Evaluation:
        """An evaluation by its actual value alone, such as a size, a position or the orientation of an axis.

        Parameters
        ----------
        table, rows, width, name, kind, features
            As for `by_touch`; the width may be 0, as that of a zero tolerance without bonus is.
        actual : float
            Actual value [mm].
        **more
            Further attributes of `Evaluation`. By default the deviations are those of the table, and the zone reaches
            from 0 to half the width.

        Raises
        ------
        InputError
            If there is no touch, or the actual value is not finite.
        """
        rows, deviations = _judged(name, rows, more.pop("deviations", table["deviation"].to_numpy(float)[rows]))
        if not np.isfinite(actual):
            raise TouchesError(f"tolerance '{name}' has no actual value", found=actual, expected="mm")
        own = {"lower": 0.0, "upper": width / 2, "low": 0.0, "high": float(actual) / 2, "deviations": deviations}
        return cls._made(table, rows, float(actual), width, name, kind, features, judges_touches=False, **(own | more))

    @classmethod
    def _made(
        cls,
        table: pd.DataFrame,
        rows: np.ndarray,
        actual: float,
        width: float,
        name: str,
        kind: str,
        features: Iterable[str],
        **own: Any,
    ) -> Evaluation:
        if own.get("missed_rows") is None:
            covered, features = covered_rows(table, features or None, None)
            own["missed_rows"] = np.flatnonzero(covered & ~np.isfinite(table["deviation"].to_numpy(dtype=float)))
        own = {"ruling": (), "free": (), "motion": np.eye(4), "ids": table["touch"].to_numpy(dtype=object)[rows]} | own
        width = 0.0 if width == 0 and not own["judges_touches"] else positive(width)
        return cls(name=name, kind=kind, features=tuple(features), width=width, actual=actual, rows=rows, **own)

    @property
    def touches(self) -> int:
        """How many touches were judged."""
        return len(self.rows)

    @property
    def missed(self) -> int:
        """How many touches did not trigger."""
        return len(self.missed_rows)

    @property
    def from_nominal(self) -> bool:
        """Whether the deviations are those from the nominal, touch by touch: profile in its forms."""
        return self.judges_touches and self.kind.startswith("profile")

    @property
    def rests_on_place(self) -> bool:
        """Whether it depends on where the part lies: form and size do not."""
        sized = self.gradient is not None and self.slope is None
        return not (sized or set(FREEDOMS) <= set(self.free))

    @property
    def lowers(self) -> np.ndarray:
        """(n,) lower limit of each touch [mm]."""
        return np.full(len(self.rows), self.lower) if self.touch_limits is None else self.touch_limits[:, 0]

    @property
    def uppers(self) -> np.ndarray:
        """(n,) upper limit of each touch [mm]."""
        return np.full(len(self.rows), self.upper) if self.touch_limits is None else self.touch_limits[:, 1]

    @property
    def middles(self) -> np.ndarray:
        """(n,) middle of the zone at each touch [mm]."""
        return (self.lowers + self.uppers) / 2

    def value_of(self, off: np.ndarray) -> float:
        """Actual value [mm] of other deviations (n,) from the middle of the zone at each touch."""
        share = 1.0 if self.touch_limits is None else self.width / (self.uppers - self.lowers)
        return 2.0 * float(np.abs(share * off).max())

    @property
    def sentence(self) -> str:
        """The tolerance and its actual value in one line."""
        where = ", ".join(self.features) if self.features else "all touches"
        zone = (
            f" (zone {self.lower:+z.3f} to {self.upper:+z.3f} mm)" if self.kind.startswith(("profile", "size")) else ""
        )
        text = (
            f"{self.name}: {self.kind} {self.width:.3f} mm on {where}{zone}; "
            f"actual value {self.actual:.4f} mm from {self.touches} touches"
        )
        if self.free:
            text += "; best placement over " + ", ".join(self.free)
        if self.missed:
            text += f"; {self.missed} missed"
        return text

    def explain(self) -> Explanation:
        """Why the value is what it is, in words and one figure; see `probekit.tolerance.explain`."""
        return explain(self)

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        fixed = f"; fixed by touch {escape(', '.join(map(str, self.ruling)))}" if self.ruling else ""
        return f"<p>{escape(self.sentence)}; deviations {self.low:+z.4f} to {self.high:+z.4f} mm{fixed}</p>" + (
            f"<ul>{notes}</ul>" if notes else ""
        )


def _judged(name: str, rows: np.ndarray, deviations: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rows, deviations = np.asarray(rows, dtype=int), np.asarray(deviations, dtype=float)
    if not len(rows) or deviations.shape != rows.shape or not np.isfinite(deviations).all():
        error = InputError if len(rows) else TouchesError  # the fault of a check, or nothing to judge
        raise error(
            f"tolerance '{name}' needs one finite deviation for each touch that it judges",
            found=f"{len(rows)} touches, {np.isfinite(deviations).sum()} finite deviations",
        )
    return rows, deviations
