"""Regions where material is left on or missing: touches beyond their limits, grouped by nearness on one face."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["find_regions"]


def find_regions(table: pd.DataFrame) -> pd.DataFrame:
    """Group the touches that are high or low.

    Parameters
    ----------
    table : DataFrame
        The verdict's table.

    Returns
    -------
    DataFrame
        One row per region, missing material first, then by how far it is beyond its limit: `region`, `face`,
        `kind` ("material left" or "material missing"), `can_recut`, `touches`, `deviation` (worst, signed) and
        `beyond` (over its limit) [mm], centre `x, y, z` [mm], `reach` (from the centre to its furthest touch, plus
        half the spacing of touches) [mm], `ids`.
    """
    import pandas as pd

    found = []
    for face, on_face in table.groupby("face", sort=False, observed=True):
        spacing = _spacing(on_face[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float))
        for word, kind in (("high", "material left"), ("low", "material missing")):
            part = on_face[on_face["verdict"] == word]
            for rows in _clusters(part[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float), 1.8 * spacing):
                group = part.iloc[rows]
                limit = group["upper"] if word == "high" else group["lower"]
                beyond = (group["deviation"] - limit).abs().to_numpy()
                worst = int(beyond.argmax())
                feet = group[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float)
                centre = feet.mean(axis=0)
                found.append(
                    {
                        "face": str(face),
                        "kind": kind,
                        "can_recut": word == "high",
                        "touches": len(group),
                        "deviation": float(group["deviation"].iloc[worst]),
                        "beyond": float(beyond[worst]),
                        **dict(zip("xyz", centre.tolist(), strict=True)),
                        "reach": float(np.linalg.norm(feet - centre, axis=1).max()) + spacing / 2,
                        "ids": tuple(group["touch"].tolist()),
                    }
                )
    found.sort(key=lambda region: (region["can_recut"], -region["beyond"]))
    columns = ["face", "kind", "can_recut", "touches", "deviation", "beyond", "x", "y", "z", "reach", "ids"]
    out = pd.DataFrame(found, columns=columns)
    out.insert(0, "region", np.arange(1, len(out) + 1))
    return out


def _spacing(points: np.ndarray) -> float:
    """Median distance to the nearest neighbour [mm]."""
    from scipy.spatial import cKDTree

    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return 0.0
    return float(np.median(cKDTree(points).query(points, k=2)[0][:, 1]))


def _clusters(points: np.ndarray, link: float) -> list[np.ndarray]:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    if not len(points):
        return []
    pairs = cKDTree(points).query_pairs(link, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    n, label = connected_components(links, directed=False)
    return [np.flatnonzero(label == k) for k in range(n)]
