"""Datum features that lie off as wholes: each agrees by itself, but not with the others.

Where residuals fail, features are given a place of their own, one after the other, the one first that leaves the least;
only such that could show a bad touch by themselves. If all agrees then, the part has an error between its datum
features, and no touch is bad. How far a feature lies off is told in the directions that the others hold.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from .finding import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from .residuals import Residuals

__all__ = ["Apart", "features_apart", "felt", "joined", "on_apart"]

_ALIKE = 11.3  # chi-square by which scatter parts two features of which either may lie off (3 freedoms, 99 %)
_TURNED = 0.1  # of what moves the worst touch: with less shift of the middle it is a turn
_FELT = 0.05  # a motion that changes deviations by less than this part of the strongest one is none


class Apart(NamedTuple):
    """A feature that lies off: its name, the shift [mm] of the middle of its touches, and the most of a touch [mm]."""

    feature: str
    shift: tuple[float, float, float]
    most: float

    @property
    def said(self) -> str:
        """Where it lies, in words."""
        if max(map(abs, self.shift)) < _TURNED * self.most:
            return f"{self.feature} lies askew to where the others put it, by {self.most:.3f} mm at its worst touch"
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
    used: pd.DataFrame,
    y: np.ndarray,
    columns: np.ndarray,
    s: np.ndarray,
    false_alarms: float,
    order: Sequence[str] = (),
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
    order : sequence of str
        Features in the order of a datum frame: of those that explain as much, the last is named, for the frame takes
        the others first.
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
        tried = {name: joined(basis, one) for name, one in own.items() if name not in taken}
        if not tried or len(taken) + 2 > len(dict.fromkeys(features)):
            return ()
        lost = {name: float(np.sum((y - way @ (way.T @ y)) ** 2)) for name, way in tried.items()}
        alike = [name for name, value in lost.items() if value <= min(lost.values()) + _ALIKE]
        best = max(alike, key=lambda name: (order.index(name) if name in order else -1, -lost[name]))
        taken, basis = [*taken, best], tried[best]
    return tuple(_off(name, y, columns, own[name], s) for name in taken)


def joined(basis: np.ndarray, own: np.ndarray) -> np.ndarray:
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


def on_apart(residuals: Residuals) -> list[Finding]:
    """What is to be said of datum features that lie off as wholes."""
    if not residuals.apart:
        return []
    named = ", ".join(one.feature for one in residuals.apart)
    what = "; ".join(f"datum feature {one.said}" for one in residuals.apart)
    agree = "the touches of each feature agree with one another, so none of them is bad and more of them change nothing"
    if residuals.permitted:
        kept = "the datum frame does not depend on it: each datum takes only what those before it leave"
        return [Finding("note", f"{what}; {kept}", found=residuals.sentence, name="datum residuals")]
    return [
        Finding(
            "look",
            what,
            found=residuals.sentence,
            expected=f"chi-square of at most {residuals.chi_limit:.1f}",
            cause=f"an error of the part between its datum features (the others may be off as well as {named}), or a "
            f"model that has them elsewhere; {agree}",
            todo=f"Name in [alignment] datums each feature as a datum of its own, in the order of the drawing: a later "
            f"one takes only what those before it leave. Or leave {named} out of [alignment] features, if nothing is "
            "to be measured from there",
            name="datum residuals",
        )
    ]
