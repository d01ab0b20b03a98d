"""Dense scans: millions of points measured against the nominal in chunks; numbers of all, and few points to show.

What is kept to be shown is chosen by cells of each face: the highest, the lowest and the first point of each, so that
the largest and the smallest deviation are those of all points, wherever they lie, and the view still is not crowded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT, FOOT_NORMAL, MEASURED
from ..errors import InputError
from ..geometry import apply_motion
from ..nominal.feet import AT_BOUNDARY, AT_EDGE, Feet
from ..show import shown
from ..touches import Stylus
from ..touches.cloud import Cloud
from .measuring import allowances_of
from .projection import Projection, projection_on
from .table import flag_names

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Scan", "scan"]

_BIN = 0.001  # mm, to which quantiles are known
_REACH = 2.0  # mm on both sides of the surface that quantiles can tell, where no max_distance is given
_SHARES = (0.001, 0.5, 0.999)
_SHOWN = 9000  # points kept, about


@shown
@dataclass(frozen=True, eq=False)
class Scan:
    """Points of a scan compared with the nominal.

    Attributes
    ----------
    table : DataFrame
        One row per face: `face, points`, `mean, sd` [mm], `lowest, q_001, median, q_999, highest` deviation [mm]
        (quantiles to 1 um; infinite where they lie beyond what is counted), `edge` (points whose foot is on an edge),
        `outside` (share of the points outside the limits; NaN without). Of all points but those that are far off.
    kept : DataFrame
        Deviations table of the points that are shown; column `kept` says why: "highest", "lowest" or "first" of its
        cell, and `cell_points` of how many. `touch` is the number of the point in the scan.
    points, far, missed : int
        Points in all; of them further from the nominal than `max_distance`, and without a position.
    cell : float
        Size of a cell [mm].
    """

    table: pd.DataFrame
    kept: pd.DataFrame
    points: int
    far: int
    missed: int
    cell: float

    @property
    def sentence(self) -> str:
        """How many points, their span, and what is shown of them, in one line."""
        good = self.points - self.far - self.missed
        span = ""
        if good:
            low, high = self.table["lowest"].min(), self.table["highest"].max()
            mean = float((self.table["mean"] * self.table["points"]).sum() / self.table["points"].sum())
            span = f": deviations {low:+z.4f} to {high:+z.4f} mm, mean {mean:+z.4f}"
        lost = "".join(f", {n} {what}" for n, what in ((self.far, "far off"), (self.missed, "without a position")) if n)
        return f"{good} of {self.points} points{lost}{span}; {self.thinned}"

    @property
    def thinned(self) -> str:
        """What is shown, and that it is not all, in one line."""
        return (
            f"{len(self.kept)} of {self.points} points are shown: of each {self.cell:.3g} mm cell of a face the "
            "highest, the lowest and the first"
        )


def scan(
    cloud: Cloud | Iterable[np.ndarray],
    how: Projection | Nominal,
    *,
    motion: np.ndarray | None = None,
    cell: float | None = None,
    limits: tuple[float, float] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Scan:
    """Compare a scan with the nominal, in chunks, so that memory does not grow with the points.

    Parameters
    ----------
    cloud : Cloud or iterable of (n, 3) arrays
        Of `probekit.touches.read_cloud`, or chunks of points [mm]: contact points; ball centres if `how` has a stylus.
    how : Projection or Nominal
        Compensated along the normal of the foot; each point goes to the nearest face.
    motion : (4, 4) array, optional
        From measured to nominal, such as `Alignment.motion`.
    cell : float, optional
        Size of the cells of which extremes are kept [mm]; by default so that about 9000 points are kept.
    limits : (float, float), optional
        Lower and upper limit of the deviation [mm], to count what is outside.
    progress : callable, optional
        Told how many points are done, and the share of the cloud (0 to 1) if its header says how many there are.

    Returns
    -------
    Scan

    Raises
    ------
    InputError
        If the cloud cannot be read, there is no point, or `how` asks for what a scan does not have: targets,
        approaches, a radius by direction.
    """
    how = projection_on(how)
    radius = _radius(how)
    cell = _cell(how.nominal) if cell is None else float(cell)
    if not (np.isfinite(cell) and cell > 0):
        raise InputError("the size of a cell is not usable", found=cell, expected="mm, above 0")
    if limits is not None and not limits[0] < limits[1]:
        raise InputError("the limits are exchanged", found=limits, expected="lower, upper")
    sums, kept = _Sums(len(how.nominal.face_names), how.max_distance, limits), _Kept(cell)
    offsets = np.append(allowances_of(how.allowance, how.nominal), 0.0)
    count = cloud.count if isinstance(cloud, Cloud) else None
    for points in cloud.chunks() if isinstance(cloud, Cloud) else cloud:
        points = np.asarray(points, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 3:
            raise InputError("points must be an array of three columns", found=f"shape {points.shape}")
        moved = points if motion is None else apply_motion(np.asarray(motion, dtype=float), points)
        feet = how.nominal.engine.feet(moved, smooth=how.normal == "smooth")
        deviation = feet.distance - radius - offsets[feet.face]
        good = sums.add(deviation, feet)
        kept.add(np.flatnonzero(good), sums.points - len(points), moved, deviation, feet)
        if progress is not None:
            progress(f"{sums.points} points", 0.0 if not count else sums.points / count)
    if not sums.points:
        raise InputError("the scan has no points")
    table = sums.table(how.nominal.face_names)
    shown = kept.table(how.nominal.face_names, radius, offsets)
    if isinstance(cloud, Cloud):
        shown.attrs |= {"source": str(cloud.path), "sha256": cloud.checksum(), "unit": "mm"}
    shown.attrs |= {"recorded": "contact" if radius == 0 else "centre"}
    return Scan(table, shown, sums.points, sums.far, sums.missed, cell)


class _Sums:
    """Numbers of all points, by face, as chunks come in."""

    def __init__(self, faces: int, most: float | None, limits: tuple[float, float] | None) -> None:
        self.points = self.far = self.missed = 0
        self.most, self.limits, self.faces = most, limits, faces
        self.half = int(np.ceil((_REACH if most is None else most) / _BIN)) + 1
        self.bins = np.zeros((faces, 2 * self.half + 2), dtype=np.int64)
        self.count, self.edge, self.outside = np.zeros((3, faces), dtype=np.int64)
        self.mean, self.square = np.zeros((2, faces))
        self.low, self.high = np.full(faces, np.inf), np.full(faces, -np.inf)

    def add(self, deviation: np.ndarray, feet: Feet) -> np.ndarray:
        """Count a chunk; which of its points are counted (n,)."""
        there = np.isfinite(deviation)
        far = there & (np.abs(deviation) > self.most) if self.most is not None else np.zeros(len(there), bool)
        good = there & ~far
        self.points += len(deviation)
        self.missed += int((~there).sum())
        self.far += int(far.sum())
        face, values = feet.face[good], deviation[good]
        n = np.bincount(face, minlength=self.faces)
        mean = np.bincount(face, values, self.faces) / np.maximum(n, 1)
        square = np.bincount(face, (values - mean[face]) ** 2, self.faces)
        both = self.count + n  # T. F. Chan, G. H. Golub, R. J. LeVeque, 1979: sums of squares of two sets, joined
        with np.errstate(invalid="ignore", divide="ignore"):
            between = np.where(both > 0, (mean - self.mean) ** 2 * self.count * n / both, 0.0)
            self.mean = np.where(both > 0, (self.mean * self.count + mean * n) / both, 0.0)
        self.square += square + between
        self.count = both
        np.minimum.at(self.low, face, values)
        np.maximum.at(self.high, face, values)
        self.edge += np.bincount(face, (feet.flags[good] & (AT_EDGE | AT_BOUNDARY)) > 0, self.faces).astype(np.int64)
        if self.limits is not None:
            beyond = (values < self.limits[0]) | (values > self.limits[1])
            self.outside += np.bincount(face, beyond, self.faces).astype(np.int64)
        place = np.clip(np.floor(values / _BIN).astype(np.int64) + self.half, -1, 2 * self.half) + 1
        flat = np.bincount(face * self.bins.shape[1] + place, minlength=self.bins.size)
        self.bins += flat.reshape(self.bins.shape)
        return good

    def table(self, names: tuple[str, ...]) -> pd.DataFrame:
        import pandas as pd

        with_any = np.flatnonzero(self.count)
        n = self.count[with_any]
        quantiles = np.array([self._quantiles(k) for k in with_any]).reshape(-1, len(_SHARES))
        return pd.DataFrame(
            {
                "face": [names[k] for k in with_any],
                "points": n,
                "mean": self.mean[with_any],
                "sd": np.sqrt(self.square[with_any] / np.maximum(n - 1, 1)),
                "lowest": self.low[with_any],
                "q_001": quantiles[:, 0],
                "median": quantiles[:, 1],
                "q_999": quantiles[:, 2],
                "highest": self.high[with_any],
                "edge": self.edge[with_any],
                "outside": self.outside[with_any] / n if self.limits is not None else np.full(len(n), np.nan),
            }
        )

    def _quantiles(self, face: int) -> list[float]:
        """Quantiles of a face, from the middle of their bins."""
        below = np.cumsum(self.bins[face])
        found = []
        for share in _SHARES:
            k = int(np.searchsorted(below, share * below[-1]))
            middle = (k - 1 - self.half + 0.5) * _BIN
            found.append(-np.inf if k == 0 else np.inf if k == self.bins.shape[1] - 1 else middle)
        return found


class _Kept:
    """The highest, lowest and first point of each cell of each face, as chunks come in."""

    def __init__(self, cell: float) -> None:
        self.cell = cell
        self.cells, self.counts = np.zeros((0, 4), dtype=np.int64), np.zeros(0, dtype=np.int64)
        self.key, self.number = np.zeros((0, 4), dtype=np.int64), np.zeros(0, dtype=np.int64)
        self.data, self.flags = np.zeros((0, 10)), np.zeros(0, dtype=np.uint8)

    def add(self, rows: np.ndarray, before: int, points: np.ndarray, deviation: np.ndarray, feet: Feet) -> None:
        """Take in the points `rows` (m,) of a chunk before which there were `before` points."""
        if not len(rows):
            return
        at = np.floor(feet.foot[rows] / self.cell).astype(np.int64)
        keys = np.column_stack([feet.face[rows].astype(np.int64), at])
        cell = _numbered(keys)
        one = np.unique(cell, return_index=True)[1]
        self.cells = np.concatenate([self.cells, keys[one]])
        self.counts = np.concatenate([self.counts, np.bincount(cell)])
        same = _numbered(self.cells)
        one = np.unique(same, return_index=True)[1]
        self.cells, self.counts = self.cells[one], np.bincount(same, self.counts).astype(np.int64)
        picked = _picked(cell, deviation[rows], rows)
        some = rows[picked]
        data = np.column_stack([deviation[some], points[some], feet.foot[some], feet.normal[some]])
        key, data = np.concatenate([self.key, keys[picked]]), np.concatenate([self.data, data])
        number, flags = np.append(self.number, before + some + 1), np.append(self.flags, feet.flags[some])
        best = _picked(_numbered(key), data[:, 0], number)
        self.key, self.number, self.data, self.flags = key[best], number[best], data[best], flags[best]

    def table(self, names: tuple[str, ...], radius: float, offsets: np.ndarray) -> pd.DataFrame:
        """The deviations table of what was kept, in the order of the scan."""
        import pandas as pd

        order = np.argsort(self.number)
        key, data, face = self.key[order], self.data[order], self.key[order, 0]
        cell = _numbered(np.concatenate([self.cells, key]))
        count = np.zeros(int(cell.max(initial=0)) + 1, dtype=np.int64)
        count[cell[: len(self.cells)]] = self.counts
        mine = cell[len(self.cells) :]
        of = pd.Series(data[:, 0]).groupby(mine)
        highest, lowest = (data[:, 0] == of.transform(end).to_numpy() for end in ("max", "min"))
        triples = (
            (MEASURED, data[:, 1:4]),
            (CONTACT, data[:, 1:4] - radius * data[:, 7:]),
            (FOOT, data[:, 4:7] + offsets[face][:, None] * data[:, 7:]),
            (FOOT_NORMAL, data[:, 7:]),
        )
        out: dict[str, object] = {"touch": self.number[order], "feature": [names[k] for k in face]}
        for triple, values in triples:
            out |= {name: values[:, k] for k, name in enumerate(triple)}
        out |= {"face": pd.Categorical.from_codes(face, categories=list(names)), "deviation": data[:, 0]}
        out |= {"flag": pd.Categorical(flag_names(self.flags[order]))}
        out |= {"radius": radius, "allowance": offsets[face], "bound": "", "compensate": "foot", "along": "foot"}
        out["kept"] = np.where(highest, "highest", np.where(lowest, "lowest", "first"))
        return pd.DataFrame(out | {"cell_points": count[mine]})


def _numbered(keys: np.ndarray) -> np.ndarray:
    """(n,) a number for each different row of keys (n, k), from 0 on."""
    if not len(keys):
        return np.zeros(0, dtype=np.int64)
    order = np.lexsort(keys.T)
    new = (np.diff(keys[order], axis=0) != 0).any(axis=1)
    out = np.empty(len(keys), dtype=np.int64)
    out[order] = np.concatenate([[0], np.cumsum(new)])
    return out


def _picked(cell: np.ndarray, deviation: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Rows with the lowest, highest and first of each cell, each row once."""
    by_size, by_number = np.lexsort((number, deviation, cell)), np.lexsort((number, cell))
    first = np.flatnonzero(np.diff(cell[by_size], prepend=-1))
    last = np.append(first[1:], len(cell)) - 1
    return np.unique(np.concatenate([by_size[first], by_size[last], by_number[first]]))


def _radius(how: Projection) -> float:
    """The radius to compensate for [mm]; what a scan cannot have is refused."""
    for name, allowed in (("compensate", "foot"), ("along", "foot")):
        if getattr(how, name) != allowed:
            raise InputError(
                "a scan has no targets and no approaches", column=name, found=getattr(how, name), expected=allowed
            )
    stylus = how.stylus
    if stylus is None:
        return 0.0
    if isinstance(stylus, Stylus) and stylus.map is not None:
        raise InputError("a scan does not say how the probe stood, so no radius by direction can be used")
    radius = float(stylus.effective_radius if isinstance(stylus, Stylus) else stylus)
    if not (np.isfinite(radius) and radius >= 0):
        raise InputError("the effective radius of the stylus is not usable", found=radius, expected="mm, zero or more")
    return radius


def _cell(nominal: Nominal) -> float:
    """Size of a cell so that about as many points are kept as can be shown: a cell keeps two or three [mm]."""
    corners = nominal.vertices[nominal.facets]
    area = 0.5 * float(
        np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    )
    return float(np.sqrt(2.5 * area / _SHOWN))
