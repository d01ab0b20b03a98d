"""Work offset and tool offset as one correction, found together by least squares.

symbol    variable    meaning
d         off         deviations from the middle of the zone [mm]
A         across      orthonormal columns: what rigid motions of the faces do to d
T         slopes      what the entry of each tool does to d
p                     d = (A T) p + e, least squares; covariance G V G' with the gain G
S                     p' C^-1 p of a part of p, compared with what noise alone gives

A shift that all faces share and a cutter that leaves material all round look alike where few faces were touched: fitted
one after the other, the first takes what belongs to the second. Both have to be more than noise makes in the presence
of the other, by what is stated of the touches (chi square) and by how the rest scatters (F), and each has to matter.
Where the touches do not tell them apart nothing is offered. That the faces of one tool disagree by themselves is no bar
here, for the shift may be why.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit.motion import jacobian, typical_arm
from ..tolerance.propagation import judged_scatter
from .noise import MATERIAL, SURE

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict
    from .cutters import ToolOffset

__all__ = ["Both", "Motions", "both", "is_more_than_noise", "motions_of", "spoilt"]

_WEAK = 0.05  # a move that changes deviations by less than this part of the strongest one is none
_APART = 0.2  # part of what an entry does that motions do not; of less than this they cannot be told apart


class Motions(NamedTuple):
    """What rigid motions of the faces of a tolerance do: `across` (n, r) orthonormal, `size` (r,), `along` (r, 6);
    turns about `centre` (3,), over `length` [mm]; `normals` (n, 3) of the faces.
    """

    across: np.ndarray
    size: np.ndarray
    along: np.ndarray
    centre: np.ndarray
    length: float
    normals: np.ndarray

    def offset(self, score: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shift (3,) [mm] and turn (3,) [rad] about the part's origin that take off across @ score (r,)."""
        motion = -self.along.T @ (score / self.size)
        angle = motion[3:] / self.length
        return motion[:3] - np.cross(angle, self.centre), angle

    def words(self, score: np.ndarray) -> str:
        """The work offset that takes off across @ score (r,), with signs and frame, and what its shift alone leaves."""
        shift, angle = self.offset(score)
        turn = np.degrees(angle)
        alone = float(np.abs(self.across @ score + self.normals @ shift).max())
        return (
            f"by ({shift[0]:+z.3f}, {shift[1]:+z.3f}, {shift[2]:+z.3f}) mm, turned by ({turn[0]:+z.4f}, "
            f"{turn[1]:+z.4f}, {turn[2]:+z.4f}) deg about the part's origin, both together (the shift alone leaves up "
            f"to {alone:.3f} mm), in the part frame"
        )


class Both(NamedTuple):
    """A work offset with a change of the entries of tools.

    In words; what both take off each deviation (n,) [mm]; how many parameters they are; shift [mm] and turn [rad] about
    the part's origin; what each tool's entry is lowered by [mm].
    """

    words: str
    takes: np.ndarray
    found: int
    offset: tuple[np.ndarray, np.ndarray]
    lowered: tuple[tuple[ToolOffset, float], ...]


def motions_of(one: Evaluation, table: pd.DataFrame) -> Motions:
    """The motions that the touches of a tolerance feel."""
    chosen = table.iloc[one.rows]
    points = array(chosen, CONTACT)
    centre = points.mean(axis=0)
    length = typical_arm(points, centre)
    slope = jacobian(np.zeros(6), points, array(chosen, FOOT_NORMAL), centre)
    normals = slope[:, :3].copy()
    slope[:, 3:] /= length
    across, size, along = np.linalg.svd(slope, full_matrices=False)
    held = size > _WEAK * size[0]
    return Motions(across[:, held], size[held], along[held], centre, length, normals)


def is_more_than_noise(found: np.ndarray, unit: np.ndarray, stated: np.ndarray, rest: float, left: int) -> bool:
    """Whether parameters (k,) are more than noise makes, by how the rest scatters and by what is stated.

    `unit` (k, k): covariance for touches of variance one; `stated` (k, k) that of the touches as stated [mm^2]; `rest`:
    variance of what is left over [mm^2], with `left` freedoms.
    """
    from scipy.special import chdtri, fdtri

    rank = len(found)
    if float(found @ np.linalg.pinv(unit, hermitian=True) @ found) <= rank * rest * float(fdtri(rank, left, SURE)):
        return False
    known = bool(stated.any())
    return not known or found @ np.linalg.pinv(stated, hermitian=True) @ found > chdtri(rank, 1.0 - SURE)


def both(at: int, one: Evaluation, table: pd.DataFrame, scatter: Scatter, tools: Sequence[ToolOffset]) -> Both | None:
    """A work offset with a change of the entry of each tool.

    Parameters
    ----------
    at : int
        Position of the tolerance among those that the verdict judged.
    one : Evaluation
    table : DataFrame
        Of the verdict.
    scatter : Scatter
    tools : sequence of ToolOffset
        Those that have to do with it count; where none has, one offset of all its faces does.

    Returns
    -------
    Both or None
        None if either is no more than noise makes, does not matter, or cannot be told from the other.
    """
    named = [tool for tool in tools if tool.slopes[at].any()]
    slopes = np.column_stack([tool.slopes[at] for tool in named] or [np.ones(one.touches)])
    moves, off = motions_of(one, table), one.deviations - one.middles
    r, columns = len(moves.size), np.hstack([moves.across, slopes])
    left = len(off) - columns.shape[1]
    apart = slopes - moves.across @ (moves.across.T @ slopes)
    if one.free or left < 3 or np.linalg.svd(apart / np.linalg.norm(slopes, axis=0), compute_uv=False)[-1] < _APART:
        return None
    gain = np.linalg.pinv(columns)
    found = gain @ off
    rest = float(np.sum((off - columns @ found) ** 2)) / left
    unit, stated = gain @ gain.T, judged_scatter(one, scatter).covariance(gain)
    for part in (slice(None, r), slice(r, None)):
        matters = np.abs(columns[:, part] @ found[part]).max() >= MATERIAL * one.width
        if not matters or not is_more_than_noise(found[part], unit[part, part], stated[part, part], rest, left):
            return None
    u = np.sqrt(np.maximum(np.diag(stated), np.diag(unit) * rest))
    entries = [f"{tool.entry} of {tool.named}" for tool in named] or ["of radius or length"]
    changed = [
        f"{-value:+z.3f} mm (u {sure:.4f}) {entry}"
        for value, sure, entry in zip(found[r:], u[r:], entries, strict=True)
    ]
    words = f"work offset {moves.words(found[:r])}; tool offset {'; '.join(changed)}"
    lowered = tuple(zip(named, found[r:].tolist(), strict=False))
    return Both(words, columns @ found, len(found), moves.offset(found[:r]), lowered)


def spoilt(
    at: int,
    verdict: Verdict,
    offset: tuple[np.ndarray, np.ndarray],
    lowered: Sequence[tuple[ToolOffset, float]] = (),
) -> str:
    """What a work offset for one tolerance, at its position, would do to the faces of others, in words; "" if no harm.

    A work offset moves every face that is cut with it.
    """
    shift, angle = offset
    for k, other in enumerate(verdict.evaluations):
        if k == at or not other.from_nominal:
            continue
        chosen = verdict.table.iloc[other.rows]
        move = shift + np.cross(angle, array(chosen, CONTACT))
        after = other.deviations - other.middles + np.einsum("ij,ij->i", move, array(chosen, FOOT_NORMAL))
        then = other.value_of(after - sum(value * tool.slopes[k] for tool, value in lowered))
        if then > max(other.width, other.actual):
            return f", for these faces alone ({other.name} would come to {then:.3f} mm of {other.width:.3f} mm by it)"
    return ""
