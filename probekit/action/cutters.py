"""Which tool and operation cut which faces, and the change of a tool's entry that would explain what they left.

symbol    variable    meaning
d         off         deviation from the middle of the zone, positive where material is left on [mm]
g         slope       change of d with an error of the entry: 1 for a radius, n . a for a length; 0: another tool cut
n, a      axis        outward normal of the face; direction from the tip of the tool into the spindle, part frame
c                     what the entry is to be lowered by: d = c g [mm]

An entry that is too large by c keeps the cutter by c too far from the part, so c is positive where material is left on,
and the entry changes by -c. One entry serves all faces and operations of a tool: they have to agree on c within noise,
or none of them gets a change of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..columns import FOOT_NORMAL, array
from ..errors import InputError
from ..show import shown
from .noise import MATERIAL, SURE, offset_of
from .promise import CUTTER

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..nominal import Nominal
    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict

__all__ = ["Cutter", "ToolOffset", "check_faces", "cut_by", "scatter_left", "tool_offsets"]

_FEW = 3  # touches of a face, below which it has no say about an offset
_ACROSS = 0.3  # cosine between normal and axis below which a length entry is not felt


@shown
@dataclass(frozen=True)
class Cutter:
    """A milling tool in one operation, and the faces that it cut last.

    Attributes
    ----------
    tool : str or int
        Its number or name in the control.
    faces : tuple of str
        Faces of the model, or features of the touches.
    operation : str or int
        As the milling program calls it.
    radius : float, optional
        Of its ball [mm]. Then the re-cut map asks whether the ball reaches.
    scatter : float
        Of what it leaves, standard deviation [mm].
    axis : (3,) float, optional
        From its tip into the spindle, in the part frame. Then undercuts are seen.
    entry : str, optional
        Entry in the control that the depth answers to, "radius" or "length" (which needs `axis`); either if left out.

    Raises
    ------
    InputError
        If the entry is a length and there is no axis.
    """

    tool: str | int
    faces: tuple[str, ...]
    operation: str | int = ""
    radius: float | None = None
    scatter: float = CUTTER
    axis: tuple[float, float, float] | None = None
    entry: Literal["radius", "length"] | None = None

    def __post_init__(self) -> None:
        if isinstance(self.faces, str):
            object.__setattr__(self, "faces", (self.faces,))
        if self.entry == "length" and self.axis is None:
            raise InputError("an entry of length acts along the axis of the tool", column="axis", expected="[x, y, z]")

    @property
    def sentence(self) -> str:
        """Tool, operation and faces in one line."""
        ball = "" if self.radius is None else f", ball of radius {self.radius:g} mm"
        return f"{self.named}{ball}: {', '.join(self.faces)}; scatter {self.scatter:g} mm"

    @property
    def named(self) -> str:
        """Tool and operation."""
        return f"tool {self.tool}" + (f" (operation {self.operation})" if self.operation != "" else "")


@dataclass(frozen=True)
class ToolOffset:
    """What the entry of one tool is to be lowered by, by all that it cut.

    Attributes
    ----------
    cutters : tuple of Cutter
        Of one tool and entry.
    value, u : float
        Positive where material is left on; standard uncertainty [mm].
    significant : bool
        Whether it is more than noise makes.
    slopes : tuple of (n,) float
        For each tolerance that the verdict judged, change of the deviations with it.
    seen : tuple of (str, float, float)
        Operation and face, with the offset of each and its standard uncertainty [mm].
    disagree : str
        Which faces contradict each other, in words; empty if none do.
    """

    cutters: tuple[Cutter, ...]
    value: float
    u: float
    significant: bool
    slopes: tuple[np.ndarray, ...]
    seen: tuple[tuple[str, float, float], ...]
    disagree: str

    @property
    def named(self) -> str:
        """Tool and operations."""
        of = [str(one.operation) for one in self.cutters if one.operation != ""]
        which = f" (operation{'s' * (len(of) > 1)} {', '.join(of)})" if of else ""
        return f"tool {self.cutters[0].tool}{which}"

    @property
    def entry(self) -> str:
        """The entry that it changes."""
        kind = self.cutters[0].entry
        return (
            "radius entry (where its side cut) or length entry (where its end cut)" if kind is None else f"{kind} entry"
        )

    @property
    def along(self) -> str:
        """Direction in which its sign counts."""
        axes = {one.axis for one in self.cutters if one.entry == "length"}
        shown_axes = " and ".join(f"({x:g}, {y:g}, {z:g})" for x, y, z in sorted(a for a in axes if a is not None))
        return f"along {shown_axes}, part frame" if axes else "along the outward normals of the faces, part frame"

    def helps(self, one: int, width: float) -> bool:
        """Whether it is worth a word for the tolerance at this position."""
        felt = float(np.abs(self.slopes[one]).max(initial=0.0))
        return bool(not self.disagree and self.significant and abs(self.value) * felt >= MATERIAL * width)


def check_faces(table: pd.DataFrame, nominal: Nominal, cutters: Sequence[Cutter]) -> None:
    """Raise where a cutter names what is neither a face of the model nor a feature of the touches."""
    known = {*nominal.face_names, *table["feature"].astype(str)} if cutters else set()
    for cutter in cutters:
        for name in cutter.faces:
            if name not in known:
                raise InputError(
                    f"{cutter.named}: no face or feature has that name",
                    column="cutter.faces",
                    found=name,
                    expected="one of " + ", ".join(sorted(known)[:20]),
                )


def cut_by(table: pd.DataFrame, cutters: Sequence[Cutter]) -> np.ndarray:
    """(n,) position among `cutters` of the one that cut the place of each touch, -1 where none is named.

    Raises
    ------
    InputError
        If two cutters have cut one face.
    """
    out = np.full(len(table), -1)
    for number, cutter in enumerate(cutters):
        chosen = np.any([_on(table, face) for face in cutter.faces], axis=0)
        if (out[chosen] >= 0).any():
            other = cutters[int(out[chosen].max())]
            raise InputError(
                "two cutters are said to have cut the same face last",
                column="cutter.faces",
                found=f"{other.named} and {cutter.named}",
                expected="each face once: by the tool that cut it last",
            )
        out[chosen] = number
    return out


def _on(table: pd.DataFrame, face: str) -> np.ndarray:
    """(n,) touches on a face, or of a feature, of that name."""
    return (table["feature"].astype(str) == face).to_numpy() | (table["face"].astype(str) == face).to_numpy()


def scatter_left(table: pd.DataFrame, cutters: Sequence[Cutter], otherwise: float = CUTTER) -> np.ndarray:
    """(n,) scatter that a cutter leaves at the place of each touch, standard deviation [mm]."""
    each = np.array([one.scatter for one in cutters] + [otherwise])
    return each[cut_by(table, cutters)]


def tool_offsets(
    verdict: Verdict, cutters: Sequence[Cutter], scatter: Scatter, alignment: Alignment | None
) -> list[ToolOffset]:
    """The change of entry of each tool that its faces ask for; one that no touch is judged on has none."""
    cut = cut_by(verdict.table, cutters)
    normals = array(verdict.table, FOOT_NORMAL)
    found = []
    for tool, entry in dict.fromkeys((str(one.tool), one.entry) for one in cutters):
        own = [k for k, one in enumerate(cutters) if (str(one.tool), one.entry) == (tool, entry)]
        slope = np.zeros(len(cut))
        for k in own:
            slope[cut == k] = _slope(cutters[k], normals[cut == k])
        one_tool = _of_tool([cutters[k] for k in own], slope, verdict, scatter, alignment)
        found += [] if one_tool is None else [one_tool]
    return found


def _slope(cutter: Cutter, normals: np.ndarray) -> np.ndarray:
    if cutter.entry != "length":
        return np.ones(len(normals))
    axis = np.asarray(cutter.axis, dtype=float)
    along = normals @ (axis / np.linalg.norm(axis))
    return np.where(np.abs(along) >= _ACROSS, along, 0.0)


def _of_tool(
    own: list[Cutter], slope: np.ndarray, verdict: Verdict, scatter: Scatter, alignment: Alignment | None
) -> ToolOffset | None:
    parts, widths, significant, slopes = [], [], False, []
    for one in verdict.evaluations:
        felt = slope[one.rows] if one.from_nominal else np.zeros(one.touches)
        slopes.append(felt)
        if np.count_nonzero(felt) < _FEW or one.free:
            continue
        for cutter, face, on in _by_face(own, verdict.table, one):
            here = np.where(on, felt, 0.0)
            if np.count_nonzero(here) >= _FEW:
                value, u, sure = offset_of(one, verdict, scatter, alignment, slope=here)
                significant |= sure
                which = f"operation {cutter.operation}: " if cutter.operation != "" and len(own) > 1 else ""
                parts.append((which + face, value, u))
                widths.append(one.width)
    if not parts or not all(np.isfinite(u) for _, _, u in parts):
        return None
    weight = np.array([1.0 / max(u, 1e-9) ** 2 for _, _, u in parts])
    value = float(weight @ [v for _, v, _ in parts] / weight.sum())
    least = min(u for _, _, u in parts)
    return ToolOffset(tuple(own), value, least, significant, tuple(slopes), tuple(parts), _disagree(parts, widths))


def _by_face(own: list[Cutter], table: pd.DataFrame, one: Evaluation) -> list[tuple[Cutter, str, np.ndarray]]:
    return [(cutter, face, _on(table, face)[one.rows]) for cutter in own for face in cutter.faces]


def _disagree(parts: list[tuple[str, float, float]], widths: list[float]) -> str:
    """Faces whose offsets differ by more than noise makes, and more than a twentieth of the narrower tolerance."""
    from scipy.special import ndtri

    pairs = list(combinations(range(len(parts)), 2))
    limit = float(ndtri(1.0 - (1.0 - SURE) / (2 * max(len(pairs), 1))))
    worst, words = 0.0, ""
    for a, b in pairs:
        (first, one, u), (second, other, v) = parts[a], parts[b]
        apart = abs(one - other)
        if apart > max(limit * np.hypot(u, v), MATERIAL * min(widths[a], widths[b])) and apart > worst:
            worst, words = apart, f"{first} {one:+z.3f} mm, {second} {other:+z.3f} mm"
    return words
