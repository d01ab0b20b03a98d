"""From a budget and a table of touches to their covariance.

symbol   variable   meaning
x_i      place      place of a touch, from `about` [mm]
n_i      normal     outward normal there
t_i      elapsed    time of a touch, 0 at the first, 1 at the last
s_i      own        what a touch has to itself [mm]
L_ic                change of deviation i with one standard uncertainty of cause c [mm]

Each cause moves a measured position by a small vector; a deviation changes by its part along the normal. Axes of the
machine are taken as parallel to those of the part.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET, TURN, array, has, words
from ..errors import InputError
from .budget import UNCORRECTED, Budget
from .causes import CAUSES
from .kernel import by_direction, by_place
from .scatter import Scatter
from .when import elapsed

if TYPE_CHECKING:
    import pandas as pd

    from .drift import Drift

__all__ = ["FORM", "middle", "numbered", "poses", "touches"]

#: Own part of a touch that counts in what is fitted to it, and is no error of the touch itself.
FORM = CAUSES["form_um"].name

_SAME_POSE = 0.01  # degree: more than a rotary position repeats to, less than two poses of a plan differ by
_UM, _PER_M = 1e-3, 1e-6
_ARCSEC = np.pi / (180.0 * 3600.0)


@dataclass
class _Columns:
    """Columns of L as they are found."""

    values: list[np.ndarray] = field(default_factory=list)
    causes: list[str] = field(default_factory=list)

    def add(self, cause: str, columns: np.ndarray) -> None:
        """Add the columns (n,) or (n, k) of a cause, but for those that move no touch."""
        columns = columns if columns.ndim == 2 else columns[:, None]
        moving = columns[:, np.any(columns != 0, axis=0)]
        self.values.append(moving)
        self.causes += [cause] * moving.shape[1]


def touches(
    deviations: pd.DataFrame,
    budget: Budget,
    *,
    datums: Iterable[str] = (),
    about: Sequence[float] | None = None,
    drift: Drift | None = None,
) -> Scatter:
    """How sure each touch is, and what it shares with the others.

    Parameters
    ----------
    deviations : (n rows) DataFrame
        Deviations table; a touch without a foot is taken where it was aimed. Optional columns: `tip` (its stylus),
        ``turn_x, turn_y, turn_z`` and ``angle_a``, ... (its pose), `time`, and `u`, which takes the place of what the
        budget says a touch has to itself.
    budget : Budget
    datums : iterable of str
        Features that an element or a frame is fitted to: form that few touches do not see counts there. Their pose
        is the one that the others are measured from.
    about : (3,) float, optional
        Where expansion, scales and rotary positions have no effect [mm]; the middle of the touches by default. A frame
        or a fit takes any other choice out again.
    drift : Drift, optional
        What references told, for touches that are corrected by it: what it leaves unknown takes the place of the
        drift of the budget.

    Returns
    -------
    Scatter
        With notes on what the table does not say.

    Raises
    ------
    InputError
        If the table has no places or unit normals, names no feature of `datums`, or has a pose or a `u` that cannot be.
    """
    place, normal = _places(deviations)
    centre = middle(place) if about is None else np.asarray(about, dtype=float)
    if centre.shape != (3,) or not np.isfinite(centre).all():
        raise InputError("this needs three numbers", column="about", found=about, expected="(x, y, z) [mm]")
    place = place - centre
    place[~np.any(normal != 0, axis=1)] = 0.0
    fitted = _rows_of(deviations, datums)
    own, columns, notes = _own(deviations, budget, fitted), _Columns(), _said(budget)
    stylus, features = _groups(deviations, "tip"), _groups(deviations, "feature")
    seen = np.any(normal != 0, axis=1).astype(float)

    def um(key: str) -> float:
        return budget.u(key) * _UM

    columns.add("effective radius", -um("radius_2s_um") * _indicator(stylus) * seen[:, None])
    s = budget.u("repeatability_2s_um")
    by_direction_u = _UM * np.sqrt(max(budget.u("direction_range_um") ** 2 - s**2, 0.0))
    turned, said = _turned(deviations, normal)
    notes += said
    for cause, (factors, rest) in {
        "probe by direction": by_direction(turned, stylus, by_direction_u),
        "straightness": by_place(place, normal, um("straightness_um")),
    }.items():
        columns.add(cause, factors)
        own[cause] = rest
    columns.add("scales", budget.u("scale_um_per_m") * _PER_M * place * normal)
    leaning = np.column_stack([place[:, c] * normal[:, a] for a, c in ((0, 1), (0, 2), (1, 2))])
    columns.add("squareness", budget.u("squareness_um_per_m") * _PER_M * leaning)
    pose, home, said = poses(deviations, fitted)
    notes += said
    for one in np.setdiff1d(pose, [home]):
        there = (pose == one)[:, None]
        columns.add("pivot", um("pivot_um") * normal * there)
        columns.add("index", budget.u("index_arcsec") * _ARCSEC * np.cross(place, normal) * there)
    outward = np.einsum("ij,ij->i", place, normal)
    columns.add("part temperature", budget.expansion * _PER_M * budget.u("temperature_within_c") * outward)
    growth = budget.expansion * _PER_M * budget.warmer
    columns.add("expansion coefficient", growth * budget.u("expansion_within_percent") / 100.0 * outward)
    columns.add(UNCORRECTED, (0.0 if budget.corrected else growth) * outward)
    when, said = elapsed(deviations)
    notes += said if budget.u("drift_um") else []
    by_time = um("drift_um") * when[:, None] * normal if drift is None else drift.factors(when, normal)
    columns.add("drift", by_time)
    if drift is not None:
        own["drift"] = drift.own(when, normal)
    columns.add("clamping", um("clamping_um") * _indicator(features) * seen[:, None])
    columns.add("chord error", np.full(len(seen), budget.value("chord_um") / 2.0 * _UM) * seen)
    total = np.sqrt(sum((part**2 for part in own.values()), np.zeros(len(seen))))
    known = {name: part for name, part in own.items() if part.any()}
    measured_drift = () if drift is None else ("drift",)
    return Scatter(
        total,
        np.hstack(columns.values),
        tuple(columns.causes),
        known,
        tuple(name for name in budget.assumed if name in {*columns.causes, *known} - {*measured_drift}),
        tuple(dict.fromkeys(notes)),
    )


def middle(place: np.ndarray) -> np.ndarray:
    """Middle (3,) of the box round places (n, 3), those that are not finite left out [mm]."""
    placed = place[np.isfinite(place).all(axis=1)]
    return np.zeros(3) if not len(placed) else (placed.min(axis=0) + placed.max(axis=0)) / 2.0


def poses(deviations: pd.DataFrame, fitted: np.ndarray) -> tuple[np.ndarray, int, list[str]]:
    """Pose of each touch (n,), the pose that the others are measured from, and what there is to say.

    It is the commonest among the touches `fitted` (n,) bool; without any, the one with the smallest angles.
    """
    names = sorted(name for name in deviations.columns if str(name).startswith("angle_"))
    names = names or (list(TURN) if has(deviations, TURN) else [])
    if not names:
        note = "no columns of a pose: all touches are taken for one pose, and pivot and index do not count"
        return np.zeros(len(deviations), dtype=int), 0, [note]
    angles = np.nan_to_num(_numbers(deviations, names))
    pose = numbered(angles)
    unlike = angles[np.unique(pose, return_index=True)[1]]
    if fitted.any():
        home = int(np.bincount(pose[fitted]).argmax())
    else:
        home = int(np.argmin(np.abs(unlike).sum(axis=1))) if len(unlike) else 0
    return pose, home, []


def numbered(angles: np.ndarray) -> np.ndarray:
    """Number (n,) of the pose of each touch by its angles (n, k) [degree].

    Angles that are read back are never quite the same again, and a whole turn changes nothing.
    """
    pose = np.full(len(angles), -1)
    for row, one in enumerate(angles):
        if pose[row] < 0:
            off = np.abs((angles - one + 180.0) % 360.0 - 180.0)
            pose[(pose < 0) & (off <= _SAME_POSE).all(axis=1)] = pose.max() + 1
    return pose


def _places(deviations: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Where each touch is and the normal there; the target where it has no foot, zeros where it has neither."""
    place, normal = array(deviations, FOOT), array(deviations, FOOT_NORMAL)
    if has(deviations, (*TARGET, *NORMAL)):
        lost = ~(np.isfinite(place).all(axis=1) & np.isfinite(normal).all(axis=1))
        place[lost], normal[lost] = array(deviations[lost], TARGET), array(deviations[lost], NORMAL)
    lost = ~(np.isfinite(place).all(axis=1) & np.isfinite(normal).all(axis=1))
    place[lost], normal[lost] = np.nan, 0.0
    length = np.linalg.norm(normal, axis=1)
    if (off := ~lost & (np.abs(length - 1.0) > 0.05)).any():  # targets of a plan may have few decimals
        raise InputError("a normal is no unit vector", column="nx, ny, nz", found=float(length[off][0]), expected="1")
    normal[~lost] /= length[~lost, None]
    return place, normal


def _rows_of(deviations: pd.DataFrame, features: Iterable[str]) -> np.ndarray:
    """Rows (n,) bool of the touches on some features, by the name that the program or the model gives them."""
    wanted = (features,) if isinstance(features, str) else tuple(features)
    names = [words(deviations, name) for name in ("feature", "face") if name in deviations]
    for one in wanted:
        if not any((column == one).any() for column in names):
            raise InputError("no touch is on this datum feature", column="feature", found=one)
    return np.any([np.isin(column, wanted) for column in names] or [np.zeros(len(deviations), bool)], axis=0)


def _own(deviations: pd.DataFrame, budget: Budget, fitted: np.ndarray) -> dict[str, np.ndarray]:
    """What a touch has to itself [mm], by cause."""
    n = len(deviations)
    speed = budget.value("touch_feed_mm_min") / 60.0  # mm/s, which is um/ms
    values = {
        "probe repeatability": budget.u("repeatability_2s_um"),
        "latching": speed * budget.u("trigger_jitter_ms"),
        "roughness": budget.u("roughness_ra_um"),
        "dirt": budget.u("dirt_um"),
        "chord error": budget.u("chord_um"),
    }
    own = {name: np.full(n, value * _UM) for name, value in values.items()}
    own[FORM] = np.where(fitted, budget.u("form_um") * _UM, 0.0)
    if "u" in deviations:
        given = _numbers(deviations, ["u"])[:, 0]
        if (given < 0).any():
            raise InputError("a standard uncertainty cannot be negative", column="u", found=float(np.nanmin(given)))
        if np.isinf(given).any():
            raise InputError("a standard uncertainty must be finite, or left empty", column="u", found="inf")
        stated = np.isfinite(given)
        for name in values:
            own[name][stated] = 0.0
        own["column u"] = np.where(stated, given, 0.0)
    return own


def _numbers(deviations: pd.DataFrame, names: Sequence[str]) -> np.ndarray:
    """Columns (n, k) as numbers; an error names the one that holds something else."""
    for name in names:
        try:
            array(deviations, [name])
        except (ValueError, TypeError):
            raise InputError("a column holds something that is no number", column=name) from None
    return array(deviations, names)


def _groups(deviations: pd.DataFrame, name: str) -> np.ndarray:
    """Number of its group (n,) for each touch: equal entries of a column; one group without the column."""
    if name not in deviations:
        return np.zeros(len(deviations), dtype=int)
    import pandas as pd

    return np.asarray(pd.factorize(deviations[name].astype(object), use_na_sentinel=False)[0], dtype=int)


def _indicator(group: np.ndarray) -> np.ndarray:
    return (group[:, None] == np.unique(group)[None, :]).astype(float)


def _turned(deviations: pd.DataFrame, normal: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """Normals in the frame of the probe, (n, 3), and what there is to say."""
    if not has(deviations, TURN):
        return normal, []
    from scipy.spatial.transform import Rotation

    return Rotation.from_rotvec(np.nan_to_num(array(deviations, TURN)), degrees=True).apply(normal), []


def _said(budget: Budget) -> list[str]:
    """What a reader of a verdict must know of the temperature."""
    if budget.temperature is None:
        within = budget.value("temperature_within_c")
        return [f"the temperature of the part is not stated: 20 ± {within:g} °C is assumed"] if within else []
    if budget.corrected or not budget.warmer:
        return []
    growth = budget.expansion * budget.warmer
    return [
        f"the part was at {budget.temperature:g} °C and the touches are not corrected to 20 °C: {growth:+z.0f} um per "
        "metre count in full as uncertain"
    ]
