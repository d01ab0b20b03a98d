"""Regions where material is left on or missing: touches beyond their limits, grouped along the surface of one face."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import FOOT, FOOT_NORMAL

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["find_regions", "nearest_alike", "neighbours", "spacing_of"]

_FEET, _NORMALS = list(FOOT), list(FOOT_NORMAL)
_LINK = 1.8  # spacings of touches that join two: straight neighbours and diagonal ones
_ALIKE = 0.5  # cosine of the angle that normals of neighbours may differ by
_ASIDE = 0.7  # part of the way between neighbours that may lead off the surface
_SAG = (
    0.3  # part of the way between neighbours that its middle may be off the nominal; round a turn of 60 degrees: 0.13
)
_LOOKED_AT = 16  # nearest touches, among which the nearest on the same side is sought


def find_regions(table: pd.DataFrame, nominal: Nominal | None = None) -> pd.DataFrame:
    """Group the touches that are high or low.

    Parameters
    ----------
    table : DataFrame
        The verdict's table.
    nominal : Nominal, optional
        Then touches join only where the middle between them is on its surface, too: not across a slot.

    Returns
    -------
    DataFrame
        One row per region, missing material first, then by how far it is beyond its limit: `region`, `face`,
        `kind` ("material left" or "material missing"), `can_recut`, `touches`, `deviation` (worst, signed) and
        `beyond` (over its limit) [mm], `x, y, z` of a place on the nominal (the foot of the touch in the middle) [mm],
        `reach` (from there to its furthest touch, plus half the spacing of touches) [mm], `ids`.

    Notes
    -----
    Touches join when they are neighbours along the surface: near to each other, with normals that differ by less than
    60 degrees, and with the way between them along the surface, not through the material. No two normals of a region
    are 90 degrees apart or more, so that it has one side from which to cut. A table without normals, `nx, ny, nz`, is
    taken to be flat.
    """
    import pandas as pd

    found = []
    for face, on_face in table.groupby("face", sort=False, observed=True):
        spacing = _spacing(*_surface(on_face))
        for word in ("high", "low"):
            part = on_face[on_face["verdict"] == word]
            found += _regions(str(face), word, part, spacing, nominal)
    found.sort(key=lambda region: (region["can_recut"], -region["beyond"]))
    columns = ["face", "kind", "can_recut", "touches", "deviation", "beyond", "x", "y", "z", "reach", "ids"]
    out = pd.DataFrame(found, columns=columns)
    out.insert(0, "region", np.arange(1, len(out) + 1))
    return out


def _regions(face: str, word: str, part: pd.DataFrame, spacing: float, nominal: Nominal | None) -> list[dict[str, Any]]:
    """The regions of the touches `part` of one face, all high or all low."""
    feet, normals = _surface(part)
    ids, deviation = part["touch"].tolist(), part["deviation"].to_numpy(dtype=float, na_value=np.nan)
    limit = part["upper" if word == "high" else "lower"].to_numpy(dtype=float, na_value=np.nan)
    beyond = np.abs(deviation - limit)
    found = []
    for rows in _clusters(feet, normals, _LINK * spacing, nominal):
        own, worst = feet[rows], rows[beyond[rows].argmax()]
        place = own[np.linalg.norm(own - own.mean(axis=0), axis=1).argmin()]
        found.append(
            {
                "face": face,
                "kind": "material left" if word == "high" else "material missing",
                "can_recut": word == "high",
                "touches": len(rows),
                "deviation": float(deviation[worst]),
                "beyond": float(beyond[worst]),
                **dict(zip("xyz", place.tolist(), strict=True)),
                "reach": float(np.linalg.norm(own - place, axis=1).max()) + spacing / 2,
                "ids": tuple(ids[row] for row in rows),
            }
        )
    return found


def _surface(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Feet (n, 3) and outward normals (n, 3)."""
    feet = table[_FEET].to_numpy(dtype=float)
    if not set(_NORMALS) <= set(table):
        return feet, np.tile([0.0, 0.0, 1.0], (len(table), 1))
    return feet, table[_NORMALS].to_numpy(dtype=float)


def neighbours(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of touches that are neighbours along the surface: positions (m,) and (m,), each pair once."""
    feet, normals = _surface(table)
    return _pairs(feet, normals, _LINK * _spacing(feet, normals))


def nearest_alike(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Each touch and its nearest neighbour on the same side: positions (m,) and (m,), of those that have one."""
    return _nearest(*_surface(table))[:2]


def spacing_of(table: pd.DataFrame) -> float:
    """Median distance of touches to their nearest neighbour on the same side [mm]; 0 if none has one."""
    return _spacing(*_surface(table))


def _nearest(feet: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Positions of touches and of their nearest neighbours on the same side, and the distance [mm]."""
    from scipy.spatial import cKDTree

    known = np.flatnonzero(np.isfinite(feet).all(axis=1))
    feet, normals = feet[known], normals[known]
    if len(feet) < 2:
        return known[:0], known[:0], np.zeros(0)
    distance, near = cKDTree(feet).query(feet, k=min(len(feet), _LOOKED_AT))
    same = np.einsum("nkc,nc->nk", normals[near], normals) >= _ALIKE
    same[near == np.arange(len(feet))[:, None]] = False
    distance = np.where(same, distance, np.inf)
    first = distance.argmin(axis=1)
    rows = np.arange(len(feet))
    found = np.isfinite(distance[rows, first])
    return known[rows[found]], known[near[rows, first][found]], distance[rows, first][found]


def _spacing(feet: np.ndarray, normals: np.ndarray) -> float:
    """Median distance to the nearest neighbour on the same side [mm]."""
    nearest = _nearest(feet, normals)[2]
    return float(np.median(nearest)) if len(nearest) else 0.0


def _clusters(feet: np.ndarray, normals: np.ndarray, link: float, nominal: Nominal | None = None) -> list[np.ndarray]:
    """Rows of each region."""
    one, two = _pairs(feet, normals, link, nominal)
    groups = [rows[side] for rows in _connected(one, two, len(feet)) for side in _sides(normals[rows])]
    group = np.zeros(len(feet), dtype=int)
    for number, rows in enumerate(groups):
        group[rows] = number
    same = group[one] == group[two]
    return sorted(_connected(one[same], two[same], len(feet)), key=lambda rows: group[rows[0]])


def _connected(one: np.ndarray, two: np.ndarray, count: int) -> list[np.ndarray]:
    """Rows, of so many, that pairs join."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    links = coo_matrix((np.ones(len(one), dtype=bool), (one, two)), shape=(count, count))
    label = connected_components(links, directed=False)[1]
    return np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label))[:-1]) if count else []


def _pairs(
    feet: np.ndarray, normals: np.ndarray, link: float, nominal: Nominal | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Neighbours at most `link` apart, with the way between them along the surface."""
    from scipy.spatial import cKDTree

    known = np.flatnonzero(np.isfinite(feet).all(axis=1))
    if len(known) < 2 or not link > 0:
        return known[:0], known[:0]
    one, two = known[cKDTree(feet[known]).query_pairs(link, output_type="ndarray").T]
    way, between = feet[two] - feet[one], normals[two] + normals[one]
    off = np.abs(np.einsum("ij,ij->i", way, between)) / np.maximum(np.linalg.norm(between, axis=1), 1e-300)
    along = off <= _ASIDE * np.linalg.norm(way, axis=1)
    along &= np.einsum("ij,ij->i", normals[one], normals[two]) >= _ALIKE
    one, two = one[along], two[along]
    if nominal is not None and len(one):
        off = np.abs(nominal.engine.feet((feet[one] + feet[two]) / 2).distance)
        along = off <= _SAG * np.linalg.norm(feet[two] - feet[one], axis=1)
        one, two = one[along], two[along]
    return one, two


def _sides(normals: np.ndarray) -> list[np.ndarray]:
    """Rows in groups of which no two normals are 90 degrees apart or more, by complete linkage."""
    from scipy.cluster.hierarchy import fcluster, linkage

    middle = normals.mean(axis=0)
    if len(normals) < 2 or (normals @ middle > np.sqrt(0.5) * np.linalg.norm(middle)).all():
        return [np.arange(len(normals))]
    label = fcluster(linkage(normals, "complete", metric="cosine"), 1.0 - 1e-9, "distance")
    return [np.flatnonzero(label == k) for k in np.unique(label)]
