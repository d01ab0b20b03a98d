"""Datum features that lie off as wholes: each agrees by itself, but not with the others.

Where residuals fail, features are given a place of their own, one after the other, the one first that leaves the least;
only such that could show a bad touch by themselves. If all agrees then, the part has an error between its datum
features, and no touch is bad. How far a feature lies off is told in the directions that the others hold.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Apart", "features_apart", "felt"]

_FELT = 0.05  # a motion that changes deviations by less than this part of the strongest one is none


class Apart(NamedTuple):
    """A feature that lies off: its name, the shift [mm] of the middle of its touches, and the most of a touch [mm]."""

    feature: str
    shift: tuple[float, float, float]
    most: float

    @property
    def said(self) -> str:
        """Where it lies, in words."""
        shift = ", ".join(f"{value:+z.3f}" for value in self.shift)
        return (
            f"{self.feature} lies off where the others put it, by ({shift}) mm, {self.most:.3f} mm at the touch that "
            "is moved most"
        )


def felt(columns: np.ndarray) -> np.ndarray:
    """What touches feel of motions and sizes: not what slides along the facets of a face that is no plane."""
    basis, size, _ = np.linalg.svd(columns, full_matrices=False)
    return basis[:, size > _FELT * size[0]]


def features_apart(
    used: pd.DataFrame, y: np.ndarray, columns: np.ndarray, s: np.ndarray, false_alarms: float
) -> tuple[Apart, ...]:
    """The features that explain why touches do not agree; none if that is not it.

    Parameters
    ----------
    used : DataFrame
        The touches.
    y, s : (n,) float
        Their deviations over the standard deviations, and these [mm].
    columns : (n, k) float
        What the alignment and the size of each feature do to `y`.
    false_alarms : float
    """
    from scipy.special import chdtri

    features, basis = used["feature"].astype(str).to_numpy(), felt(columns)
    own = {name: one for name in dict.fromkeys(features) if (one := _own(used, features == name, s)) is not None}
    taken: list[str] = []
    while True:
        left = y - basis @ (basis.T @ y)
        freedoms = len(y) - basis.shape[1]
        if freedoms < 1:
            return ()
        if left @ left <= chdtri(freedoms, false_alarms):
            break
        tried = {name: _joined(basis, one) for name, one in own.items() if name not in taken}
        if not tried or len(taken) + 2 > len(dict.fromkeys(features)):
            return ()
        best = min(tried, key=lambda name: float(np.sum((y - tried[name] @ (tried[name].T @ y)) ** 2)))
        taken, basis = [*taken, best], tried[best]
    return tuple(_off(name, y, columns, own[name], s) for name in taken)


def _joined(basis: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Orthonormal columns of both; `basis` (n, k) is orthonormal."""
    left = own - basis @ (basis.T @ own)
    more, size, _ = np.linalg.svd(left, full_matrices=False)
    return np.hstack([basis, more[:, size > _FELT * np.linalg.norm(own, 2)]])


def _own(used: pd.DataFrame, mine: np.ndarray, s: np.ndarray) -> np.ndarray | None:
    """(n, 6) what a motion of one feature does; None if its touches could not show that one of them is bad."""
    normal, point = array(used, FOOT_NORMAL)[mine], array(used, FOOT)[mine]
    arm = point - point.mean(axis=0)
    motions = np.zeros((len(mine), 6))
    motions[mine] = np.hstack([normal, np.cross(arm / max(float(np.abs(arm).max()), 1e-9), normal)]) / s[mine, None]
    sized = np.hstack([motions[mine], 1.0 / s[mine, None]])
    return motions if int(mine.sum()) > felt(sized).shape[1] else None


def _off(name: str, y: np.ndarray, columns: np.ndarray, own: np.ndarray, s: np.ndarray) -> Apart:
    """How far it lies off in what the others hold."""
    basis = felt(columns)
    held = own - basis @ (basis.T @ own)
    moved = np.linalg.pinv(held, rcond=_FELT * float(np.linalg.norm(own, 2) / np.linalg.norm(held, 2))) @ y
    most = float(np.abs(own @ moved * s).max())
    return Apart(name, tuple(moved[:3].tolist()), most)
