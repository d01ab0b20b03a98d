"""Which touches a tolerance covers, their places, and the sections they lie on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import NORMAL, TARGET, array, has
from ..deviation.table import one_radius
from ..errors import InputError, TouchesError
from ..fit.select import select
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Covered", "cover", "covered_rows", "direction_of", "positive", "require_projected", "sections_of"]


@shown
@dataclass(frozen=True, eq=False)
class Covered:
    """Touches that a tolerance covers.

    Attributes
    ----------
    rows, missed : (n,), (m,) int
        Positions in the table of the touches that triggered, and of those that did not.
    names : tuple of str
        Features asked for.
    ids : (n,) object
        Names of the touches.
    contact : (n, 3) float
        Contact points [mm].
    measured : (n, 3) float
        Points as recorded [mm]: ball centres if `ball` is not zero, as if one ball had touched all.
    foot, normal : (n, 3) float
        Feet on the nominal [mm] and the outward normals there.
    ball : float
        Effective radius still to be taken off the measured points [mm].
    name : str
        Of the tolerance.
    faces : tuple of str
        Faces of the nominal that the touches lie on; empty if the table does not say.
    planned : ((n, 3), (n, 3)) of float, optional
        Targets [mm] and their outward normals, if each touch has one.
    """

    rows: np.ndarray
    missed: np.ndarray
    names: tuple[str, ...]
    ids: np.ndarray
    contact: np.ndarray
    measured: np.ndarray
    foot: np.ndarray
    normal: np.ndarray
    ball: float
    name: str = ""
    faces: tuple[str, ...] = ()
    planned: tuple[np.ndarray, np.ndarray] | None = None

    @property
    def target(self) -> np.ndarray:
        """(n, 3) where each touch was aimed at [mm]: its foot, where the table has no targets."""
        return self.foot if self.planned is None else self.planned[0]

    @property
    def aim(self) -> np.ndarray:
        """(n, 3) outward normals of the targets; of the feet, where the table has none."""
        return self.normal if self.planned is None else self.planned[1]

    @property
    def outward(self) -> np.ndarray:
        """(3,) mean outward normal; not of unit length."""
        return self.normal.mean(axis=0)


def cover(
    deviations: pd.DataFrame,
    features: Iterable[str] | None,
    between: Mapping[str, tuple[float, float]] | None = None,
    *,
    name: str,
) -> Covered:
    """Touches that a tolerance covers, with their places.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    features, between
        See `probekit.tolerance.profile`.
    name : str
        Name of the tolerance, for the error.

    Raises
    ------
    InputError
        If the table is not one of deviations, a feature is unknown, or no touch that triggered is covered.
    """
    require_projected(deviations, name, ("cx", "deviation", "nx"))
    covered, names = covered_rows(deviations, features, between)
    good = np.isfinite(deviations["deviation"].to_numpy(dtype=float))
    rows, missed = np.flatnonzero(covered & good), np.flatnonzero(covered & ~good)
    if not len(rows):
        raise TouchesError(f"tolerance '{name}' covers no touch that triggered", found=f"{len(missed)} missed touches")
    chosen = deviations.iloc[rows]
    measured, ball = one_radius(chosen)
    return Covered(
        rows,
        missed,
        names,
        chosen["touch"].to_numpy(),
        chosen[["cx", "cy", "cz"]].to_numpy(dtype=float),
        measured,
        chosen[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float),
        chosen[["nx", "ny", "nz"]].to_numpy(dtype=float),
        ball,
        name,
        tuple(dict.fromkeys(chosen["face"])) if "face" in chosen else (),
        _planned(chosen),
    )


def require_projected(deviations: pd.DataFrame, name: str, columns: Sequence[str] = ("deviation",)) -> None:
    """Refuse what is no deviations table, such as touches that were moved after they were projected."""
    if not set(columns) <= set(getattr(deviations, "columns", ())):
        raise InputError(
            f"tolerance '{name}' needs a deviations table", todo="Use probekit.deviation.project(touches, nominal)."
        )


def _planned(chosen: pd.DataFrame) -> tuple[np.ndarray, np.ndarray] | None:
    if not has(chosen, (*TARGET, *NORMAL)):
        return None
    target, aim = array(chosen, TARGET), array(chosen, NORMAL)
    return (target, aim) if np.isfinite(target).all() and np.isfinite(aim).all() else None


def covered_rows(
    deviations: pd.DataFrame, features: Iterable[str] | None, between: Mapping[str, tuple[float, float]] | None
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Which rows (n,) bool of a deviations table a tolerance covers, and the features it names."""
    covered = np.ones(len(deviations), dtype=bool)
    names: tuple[str, ...] = ()
    if features is not None:
        names = (features,) if isinstance(features, str) else tuple(features)
        covered = select(deviations, names)
    for axis, span in (between or {}).items():
        if axis not in ("x", "y", "z") or len(tuple(span)) != 2 or not span[0] < span[1]:
            raise InputError(
                "limits along a surface are an axis with two rising values",
                found=f"{axis}: {span}",
                expected="z: (10, 60)",
            )
        along = _along(deviations, axis)
        covered &= (along >= span[0]) & (along <= span[1])
    return covered, names


def _along(deviations: pd.DataFrame, axis: str) -> np.ndarray:
    """Coordinate of each touch along an axis: of its target, or of its foot where there is none."""
    along = deviations[f"foot_{axis}"].to_numpy(dtype=float)
    if f"{axis}0" in deviations:
        target = deviations[f"{axis}0"].to_numpy(dtype=float)
        along = np.where(np.isfinite(target), target, along)
    return along


def sections_of(
    deviations: pd.DataFrame,
    rows: np.ndarray,
    section: str | Iterable[float],
    *,
    apart: float = 0.5,
    origin: Iterable[float] = (0.0, 0.0, 0.0),
) -> dict[str, np.ndarray]:
    """Sections that touches lie on.

    Parameters
    ----------
    deviations : DataFrame
    rows : (n,) int
        Touches to be divided.
    section : str or (3,) float
        A column that names the section of each touch, an axis "x", "y" or "z" that the sections are square to, or the
        direction of such an axis.
    apart : float
        Heights that differ by less than this from the next belong to one section [mm].
    origin : (3,) float
        Where heights along a direction are counted from [mm].

    Returns
    -------
    dict
        Name -> positions within `rows`, in the order of height.

    Raises
    ------
    InputError
        If there is no such column or direction.
    """
    if isinstance(section, str) and section in deviations and section not in ("x", "y", "z"):
        labels = deviations[section].iloc[rows].to_numpy()
        return {f"{section} {label}": np.flatnonzero(labels == label) for label in dict.fromkeys(labels)}
    if isinstance(section, str):
        if section not in ("x", "y", "z"):
            raise InputError(
                "the table has no column that names sections", found=section, expected="a column, or x, y or z"
            )
        height, word = _along(deviations, section)[rows], section
    else:
        axis = direction_of(section, "of the sections")
        height = (deviations[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float)[rows] - np.asarray(origin)) @ axis
        word = "height"
    order = np.argsort(height, kind="stable")
    group = np.concatenate([[0], np.cumsum(np.diff(height[order]) > apart)])
    parts = [order[group == k] for k in range(group[-1] + 1)]
    return {f"{word} {height[part].mean():.3f}": np.sort(part) for part in parts}


def direction_of(direction: Iterable[float], what: str) -> np.ndarray:
    """Unit vector (3,) along a direction.

    Raises
    ------
    InputError
        If it is not three finite numbers, or all are zero.
    """
    vector = np.asarray(direction, dtype=float)
    if vector.shape != (3,) or not np.isfinite(vector).all() or not vector.any():
        raise InputError(f"the direction {what} must be three numbers, not all zero", found=direction)
    return vector / np.linalg.norm(vector)


def positive(width: float, what: str = "the width of a tolerance") -> float:
    """A width [mm] as a number.

    Raises
    ------
    InputError
        If it is not positive and finite.
    """
    if not (isinstance(width, int | float | np.number) and np.isfinite(width) and width > 0):
        raise InputError(f"{what} must be positive", found=width, expected="mm, more than zero")
    return float(width)
