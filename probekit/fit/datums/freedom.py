"""What a datum frame leaves to a tolerance zone: motions that no datum took, and the play of datums at MMB.

symbol   variable       meaning
q                       (t, w): shift of the point `pivot` [mm] and turn [rad], of the part against the zones
S        motions        (6, k): the motions that are possible at all, as columns: q = S c
A, b     rows, limits   A c <= b: no touch of a datum at its material boundary goes beyond the boundary

A datum at RMB holds what it took, also against the play of another: where the part shifts in the play of B, the
tertiary datum C at RMB must still be met. From memory of ASME Y14.5-2018, 7.11 and 7.16 (datum feature shift; the
features judged may use it, all together), and Y14.5.1-2019 (candidate datum reference frames). Exact for small motions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from ...show import shown
from ..motion import FREEDOMS, free_of

__all__ = ["Freedom"]

_NONE = 1e-9  # less of a motion than this part is none
_LITTLE = np.radians(2.0)


@shown
@dataclass(frozen=True, eq=False)
class Freedom:
    """Motions q = (shift of `pivot` [mm], turn [rad]) that are possible: q = motions @ c, with rows @ c <= limits.

    Attributes
    ----------
    names : tuple of str
        What is free, in words: of tx, ty, tz, rx, ry, rz, and "datum shift of B".
    motions : (6, k) float
        As columns; not of any length.
    pivot : (3,) float
        In nominal coordinates [mm].
    rows : (n, k) float, limits : (n,) float
        Empty if nothing limits them.
    of : tuple of str
        Letter of the datum that sets each limit.
    """

    names: tuple[str, ...]
    motions: np.ndarray
    pivot: np.ndarray
    rows: np.ndarray | None = None
    limits: np.ndarray = field(default_factory=lambda: np.zeros(0))
    of: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rows is None:
            object.__setattr__(self, "rows", np.zeros((0, self.motions.shape[1])))

    @property
    def sentence(self) -> str:
        """What is free, in one line."""
        return ("free: " + ", ".join(self.names) if self.names else "nothing is free") + (
            f"; {len(self.rows)} limits" if len(self.rows) else ""
        )

    @classmethod
    def named(cls, names: str | Iterable[str], pivot: Iterable[float] = (0.0, 0.0, 0.0)) -> Freedom:
        """Degrees of freedom by name, of tx, ty, tz, rx, ry, rz; turns are about the pivot.

        Raises
        ------
        InputError
            If a name is not one of `probekit.fit.FREEDOMS`.
        """
        names = (names,) if isinstance(names, str) else tuple(names)
        unknown = [name for name in names if name not in FREEDOMS]
        if unknown:
            free_of(unknown)  # says which name, and what names there are
        which = [name in names for name in FREEDOMS]
        return cls(names, np.eye(6)[:, which], np.asarray(pivot, dtype=float))

    def __bool__(self) -> bool:
        """Whether anything can move."""
        return self.motions.shape[1] > 0

    @property
    def limited(self) -> bool:
        """Whether play is in it."""
        return len(self.rows) > 0

    @property
    def shifts(self) -> np.ndarray:
        """(3, a) directions of the pure shifts."""
        _, turning, vt = np.linalg.svd(self.motions[3:])
        still = vt[int((turning > _NONE).sum()) :].T
        return _span(self.motions[:3] @ still)

    @property
    def turns(self) -> np.ndarray:
        """(3, b) directions about which it can turn."""
        return _span(self.motions[3:])

    def scaled(self, arm: float) -> Freedom:
        """The same, each motion so long that it moves touches at that arm [mm] by about a millimetre."""
        size = np.linalg.norm(np.array([1.0] * 3 + [arm] * 3)[:, None] * self.motions, axis=0)
        factor = 1.0 / np.where(size > 0, size, 1.0)
        return replace(self, motions=self.motions * factor, rows=self.rows * factor)

    def with_shifts(self) -> Freedom:
        """The same turns, and all shifts: what datums leave to a zone that they orient and do not locate."""
        turning = np.linalg.norm(self.motions[3:], axis=0) > _NONE
        kept = turning | (np.abs(self.rows).max(axis=0, initial=0.0) > 0)  # a shift in play may allow more of a turn
        turns = np.where(turning, self.motions[3:], 0.0)  # what is left of a shift is none, not a rounding of one
        only = np.vstack([np.zeros((3, int(kept.sum()))), turns[:, kept]])
        names = tuple(name for name in self.names if name not in FREEDOMS[:3])
        return Freedom(
            FREEDOMS[:3] + names,
            np.hstack([np.eye(6)[:, :3], only]),
            self.pivot,
            np.hstack([np.zeros((len(self.rows), 3)), self.rows[:, kept]]),
            self.limits,
            self.of,
        )

    def less_play(self, letter: str, less: float) -> Freedom:
        """The same with all limits of one datum `less` narrower [mm]; none gets negative."""
        own = np.array([one == letter for one in self.of], dtype=bool)
        return replace(self, limits=np.where(own, np.maximum(self.limits - less, 0.0), self.limits))

    def without_play(self) -> Freedom:
        """Only what moves without limit."""
        if not self.limited:
            return self
        free = self.motions @ self._unlimited().T
        return Freedom(tuple(n for n in self.names if n in FREEDOMS), free, self.pivot)

    def _unlimited(self) -> np.ndarray:
        """(m, k) steps that no limit sees, orthonormal."""
        _, seen, vt = np.linalg.svd(np.vstack([self.rows, np.zeros_like(self.motions)]), full_matrices=False)
        return vt[seen < _NONE * float(seen.max(initial=0.0))]

    def turning_little(self) -> Freedom:
        """Where there is play, the same with all turns that nothing limits held to 2 degrees to each side.

        Limits of play hold for small motions. After a large turn about the axis of a datum they would stand across
        where they belong, and let the datum leave its boundary.
        """
        if not self.limited:
            return self
        free = self._unlimited()
        _, size, turns = np.linalg.svd(self.motions[3:] @ free.T)
        held = [angle * turn @ free for angle, turn in zip(size, turns, strict=False) if angle > _NONE]
        if not held:
            return self
        rows, count = np.vstack([held, np.negative(held)]), 2 * len(held)
        return replace(
            self,
            rows=np.vstack([self.rows, rows]),
            limits=np.append(self.limits, np.full(count, _LITTLE)),
            of=(*self.of, *[""] * count) if self.of else (),
        )

    def holds(self, other: Freedom) -> bool:
        """Whether it can do all that another can, limits left aside."""
        shifted = other.motions.copy()  # written about the pivot of this one
        shifted[:3] += np.cross(other.motions[3:].T, self.pivot - other.pivot).T
        fitted = self.motions @ np.linalg.lstsq(self.motions, shifted, rcond=1e-9)[0]
        return bool(
            np.abs(shifted - fitted).max(initial=0.0) < 1e-6 * max(float(np.abs(shifted).max(initial=0.0)), 1.0)
        )


def _span(vectors: np.ndarray) -> np.ndarray:
    """(3, r) orthonormal directions that vectors (3, k) span."""
    if not vectors.shape[1]:
        return np.zeros((3, 0))
    directions, size, _ = np.linalg.svd(vectors, full_matrices=False)
    return directions[:, size > _NONE * max(float(size.max()), 1e-300)] if size.max() > 0 else np.zeros((3, 0))
