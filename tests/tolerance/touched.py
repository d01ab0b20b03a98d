"""Deviations tables of touches on simple features, made by hand: contact points with their normals and feet."""

from __future__ import annotations

import numpy as np
import pandas as pd


def table(
    contact: np.ndarray,
    normal: np.ndarray,
    *,
    deviation: np.ndarray | float = 0.0,
    foot: np.ndarray | None = None,
    feature: str = "a",
) -> pd.DataFrame:
    """Table of contact points (n, 3) with outward normals (n, 3) of the nominal."""
    contact, n = np.asarray(contact, dtype=float), len(contact)
    normal = np.broadcast_to(np.asarray(normal, dtype=float), (n, 3))
    out = pd.DataFrame({"touch": np.arange(1, n + 1), "feature": feature, "face": feature})
    out["deviation"] = deviation
    foot = contact - np.reshape(out["deviation"].to_numpy(), (-1, 1)) * normal if foot is None else foot
    for prefix, values in (("", contact), ("c", contact), ("foot_", foot), ("n", normal)):
        out[[f"{prefix}{axis}" for axis in "xyz"]] = values
    return out.assign(radius=0.0, allowance=0.0, bound="", compensate="foot", along="foot")


def around(
    radius: np.ndarray | float,
    *,
    n: int = 12,
    heights: tuple[float, ...] = (0.0, 10.0, 20.0),
    centre: tuple[float, float] | np.ndarray = (0.0, 0.0),
    slant: tuple[float, float] = (0.0, 0.0),
    bore: bool = False,
    phase: float = 0.0,
    feature: str = "hole",
) -> pd.DataFrame:
    """Touches on a round feature about z: r = radius(theta) as an array (n,) or a number, n at each height.

    The axis passes `centre` at z = 0 and moves by `slant` per mm of height. Feet are on the nominal about the origin.
    """
    angle = np.arange(n) * 2 * np.pi / n + phase
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
    points, normals = [], []
    for z in heights:
        middle = np.array([*(np.asarray(centre) + z * np.asarray(slant)), z])
        points.append(middle + np.reshape(radius, (-1, 1)) * unit)
        normals.append(-unit if bore else unit)
    points, normals = np.vstack(points), np.vstack(normals)
    nominal = float(np.mean(radius)) * np.abs(normals) * np.sign(normals) * (-1 if bore else 1)
    nominal[:, 2] = points[:, 2]
    return table(points, normals, foot=nominal, feature=feature)


def moved(found: pd.DataFrame, motion: np.ndarray) -> pd.DataFrame:
    """The table after a rigid motion of part and nominal together."""
    out = found.copy()
    for prefix in ("", "c", "foot_", "n"):
        names = [f"{prefix}{axis}" for axis in "xyz"]
        shift = 0.0 if prefix == "n" else motion[:3, 3]
        out[names] = found[names].to_numpy() @ motion[:3, :3].T + shift
    return out
