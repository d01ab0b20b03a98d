"""What touches see and what they miss: defects of a size and height; how far an actual value rests on few touches."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree
from scipy.special import ndtr

from ..columns import NORMAL, TARGET, array
from ..errors import FitError, InputError
from ..machine import Hill
from .readings import confidence, positive, whole
from .result import GaugeResult, Panel, Series, percent, span
from .variance import SEED

__all__ = ["bootstrap", "chance_to_miss", "number_of"]

_CENTRES = 200  # points of a surface, at least
_ON_DEFECT = 30  # points of the surface, from which on its share of the area is known well enough
_MANY = 100_000  # touches beyond which no number is told
_FAILED = 0.05  # of the draws
_SETTLED = 0.05  # of the actual value: what half of the touches may lack
_FRACTIONS = (0.25, 0.5, 0.75)


def chance_to_miss(
    targets: pd.DataFrame,
    surface: pd.DataFrame,
    *,
    diameters: Sequence[float],
    heights: Sequence[float],
    limit: float,
    u: float = 0.0,
    risk: float = 0.05,
) -> GaugeResult:
    """Chance that touches show nothing of a defect of given size and height that is anywhere on a surface.

    Parameters
    ----------
    targets : DataFrame
        Where it is touched: a targets table.
    surface : DataFrame
        Where a defect may be: a targets table of some hundred or thousand points spread evenly over the same faces, as
        of `probekit.plan.targets.blue_noise`.
    diameters, heights : sequence of float
        Of the defects [mm]: smooth hills, `probekit.machine.Hill`; negative heights are dents.
    limit : float
        Deviation that counts as found [mm].
    u : float
        Standard uncertainty of a touch [mm].
    risk : float
        Chance to miss that is allowed, for the number of touches needed.

    Returns
    -------
    GaugeResult
        `table`: diameter, height, chance missed with the interval that so many places leave (95 %), touches needed if
        they were placed at random; infinite if they never find it with that risk. `values`: `missed` (of the last row),
        `worst`, `places`, `touches`.

    Raises
    ------
    InputError
        If a number is not usable, tables lack targets, the surface has fewer than 200 points, or the touches lie beside
        it.

    Notes
    -----
    A touch at a height d of the defect finds it with the chance Phi((|d| - limit) / u). Touches beside the defect find
    nothing, though noise may mark them. A defect reaches around no edge: it is only where the part faces the same way.
    """
    at, facing = _points(targets, "targets"), array(targets, NORMAL)
    points, normals = _points(surface, "surface"), array(surface, NORMAL)
    positive(limit, "limit"), positive(u, "uncertainty of a touch", zero=True)
    if not 0 < risk < 1:
        raise InputError("a risk lies between 0 and 1", found=risk, expected="0.05")
    _beside(at, points)
    rows, rough = [], []
    for diameter in diameters:
        positive(diameter, "diameter of a defect")
        for height in heights:
            seen, random = [], []
            for centre, normal in zip(points, normals, strict=True):
                hill = Hill(tuple(centre), diameter / 2, height, tuple(normal))
                seen.append(1 - np.prod(1 - _found(hill(at, facing), limit, u)))
                random.append(float(_found(hill(points, normals), limit, u).mean()))
            missed = 1 - np.array(seen)
            rough += [diameter] * bool(0 < np.mean(random) * len(points) < _ON_DEFECT)
            reach = 1.96 * missed.std(ddof=1) / np.sqrt(len(missed))
            ends = max(0.0, missed.mean() - reach), min(1.0, missed.mean() + reach)
            rows.append((diameter, height, missed.mean(), *ends, _needed(np.array(random), risk)))
    names = ["diameter", "height", "missed", "low", "high", "random touches needed"]
    out = pd.DataFrame(rows, columns=names)
    values = {"missed": float(out["missed"].iloc[-1]), "worst": float(out["missed"].max())}
    values |= {"places": float(len(points)), "touches": float(len(at))}
    hardest = out.loc[out["missed"].idxmax()]
    said = (
        f"{len(at)} touches miss a defect of {hardest['diameter']:g} mm, {1e3 * hardest['height']:g} um high, with a "
        f"chance of {percent(hardest['missed'])} ({span(100 * hardest['low'], 100 * hardest['high'])} %), limit "
        f"{1e3 * limit:g} um; {_needed_said(hardest['random touches needed'], risk)}"
    )
    series = tuple(
        Series("line", one["diameter"].to_numpy(float), one["missed"].to_numpy(float), f"{1e3 * height:g} um")
        for height, one in out.groupby("height", sort=False)
    )
    figure = (Panel("chance to miss a defect", "diameter [mm]", "chance", series, ((risk, "risk allowed"),)),)
    lower = out.loc[np.abs(out["height"]) <= limit, "height"].unique()
    notes = [f"a height of {one:g} mm is not above the limit: only noise finds it" for one in lower]
    if rough:
        notes.append(
            f"fewer than {_ON_DEFECT} points of the surface lie on a defect of {max(rough):g} mm: the numbers of "
            "random touches are rough, take more points"
        )
    return GaugeResult("chance to miss a defect", said, out, values, figure, {}, tuple(notes))


def _points(table: pd.DataFrame, what: str) -> np.ndarray:
    points = array(table, TARGET)
    if not len(points) or not np.isfinite(np.hstack([points, array(table, NORMAL)])).all():
        raise InputError(f"the {what} have rows without place or normal", found=f"{len(points)} rows")
    if what == "surface" and len(points) < _CENTRES:
        raise InputError("too few points to stand for a surface", found=len(points), expected=f"{_CENTRES} or more")
    return points


def _beside(at: np.ndarray, points: np.ndarray) -> None:
    """Raise if touches lie off the points of the surface: another face, or another unit."""
    tree = cKDTree(points)
    usual = float(np.quantile(tree.query(points, k=2)[0][:, 1], 0.9))
    off = tree.query(at)[0]
    if (far := int((off > 6 * usual).sum())) > 0:
        raise InputError(
            f"{far} of {len(at)} targets lie beside the surface",
            found=f"{off.max():.4g} mm from its nearest point",
            expected=f"at most {6 * usual:.2g} mm",
            todo="Take the points of the surface from the faces that are touched, all in mm.",
        )


def _found(height: np.ndarray, limit: float, u: float) -> np.ndarray:
    """Chance that a touch at a height of the defect shows it; 0 beside it."""
    over = np.abs(height) - limit
    chance = (over > 0).astype(float) if u == 0 else ndtr(over / u)
    return np.where(height == 0, 0.0, chance)


def _needed(q: np.ndarray, risk: float) -> float:
    """Least number of random touches that miss defects, found by one with chances q (m,), with at most that risk."""
    if float(((1 - q) ** _MANY).mean()) > risk:
        return np.inf
    low, high = 0, _MANY
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if float(((1 - q) ** middle).mean()) <= risk else (middle, high)
    return float(high)


def _needed_said(many: float, risk: float) -> str:
    if np.isinf(many):
        return f"no number of random touches brings that to {percent(risk)}"
    return f"{many:.0f} random touches would bring that to {percent(risk)}"


def number_of(evaluated: object) -> float:
    """Actual value of an evaluation, or the number itself.

    Raises
    ------
    InputError
        If it is neither.
    """
    value = getattr(evaluated, "actual", evaluated)
    if isinstance(value, bool) or not isinstance(value, int | float | np.floating | np.integer):
        raise InputError("a check gives an Evaluation or a number", found=type(evaluated).__name__)
    return float(value)


def bootstrap(
    touches: pd.DataFrame,
    evaluate: Callable[[pd.DataFrame], object],
    *,
    draws: int = 200,
    level: float = 0.95,
    rng: np.random.Generator | None = None,
) -> GaugeResult:
    """How far a value rests on the touches that happened to be made: fewer of them, and others like them.

    Parameters
    ----------
    touches : DataFrame
        Deviations table; drawn by feature, if it has that column.
    evaluate : callable
        From such a table to an `Evaluation` or a number [mm], for instance
        ``lambda table: pk.tolerance.flatness(table, 0.02, features="top")``.
    draws : int
        Of each kind.
    level : float
        Of the intervals.
    rng : Generator, optional
        Left out: the same draws in every run.

    Returns
    -------
    GaugeResult
        `table`: by part of the touches, mean and interval of the value. `values`: `actual`; `half`, what half of the
        touches give on average; `low, high` of draws with replacement, NaN if the value still grows with touches;
        `failed`, part of the draws that gave no value.

    Raises
    ------
    InputError
        If there are fewer than eight touches, or too few draws.
    FitError
        If more than 5 % of the draws give no value.

    Notes
    -----
    Draws with replacement (B. Efron, R. Tibshirani, An Introduction to the Bootstrap, 1993, from memory) hold for means
    and fits. For the largest of many deviations they do not: no draw exceeds what was touched. Therefore half of the
    touches are drawn without replacement. If they find less, so did all of them.
    """
    confidence(level)
    whole(draws, "number of draws", 20)
    if len(touches) < 8:
        raise InputError("too few touches to draw from", found=len(touches), expected="8 or more")
    rng = np.random.default_rng(SEED) if rng is None else rng
    actual = number_of(evaluate(touches))
    if not np.isfinite(actual):
        raise InputError("the touches give no value", found=actual, expected="a finite number [mm]")
    groups = [np.arange(len(touches))]
    if "feature" in touches:
        groups = list(touches.reset_index(drop=True).groupby("feature", dropna=False).indices.values())
    plans = [(part, False) for part in _FRACTIONS] + [(1.0, True)]
    found, failed = [], 0
    for part, again in plans:
        some = [_drawn(touches, groups, part, again, evaluate, rng) for _ in range(draws)]
        values_here = np.array([one for one in some if one is not None])
        failed += draws - len(values_here)
        found.append(values_here)
    share = failed / (draws * len(plans))
    if share > _FAILED:
        raise FitError(f"{percent(share)} of the draws gave no value: there are too few touches for this check")
    ends = [(1 - level) / 2, (1 + level) / 2]
    rows = [
        ("with replacement" if again else f"{part:.0%} of the touches", one.mean(), *np.quantile(one, ends))
        for (part, again), one in zip(plans, found, strict=True)
    ]
    half = float(found[1].mean())
    grows = actual - half > max(_SETTLED * abs(actual), 2 * found[1].std(ddof=1) / np.sqrt(draws))
    low, high = (np.nan, np.nan) if grows else (float(rows[-1][2]), float(rows[-1][3]))
    values = {"actual": actual, "half": half, "low": low, "high": high, "failed": share}
    said = f"{actual:.4g} mm from {len(touches)} touches; half of them give {half:.4g} mm on average "
    said += (
        f"({span(rows[1][2], rows[1][3])}): it still grows with touches, and is larger on the surface"
        if grows
        else f"and others like them {span(low, high)} mm ({100 * level:g} %)"
    )
    out = pd.DataFrame(rows, columns=["drawn", "mean", "low", "high"])
    at = np.array([*_FRACTIONS, 1.0])
    middle = np.array([*(row[1] for row in rows[:-1]), actual])
    series = (
        Series("line", at, middle, "mean"),
        Series("band", at, np.array([*(row[2] for row in rows[:-1]), actual]), f"{100 * level:g} %",
               upper=np.array([*(row[3] for row in rows[:-1]), actual])),
    )  # fmt: skip
    figure = (Panel("value by part of the touches", "part of the touches", "value [mm]", series),)
    notes = ("what all touches share, as a wrong radius, is not seen by drawing from them",)
    return GaugeResult("value of fewer and of other touches", said, out, values, figure, {}, notes)


def _drawn(
    touches: pd.DataFrame,
    groups: list[np.ndarray],
    part: float,
    again: bool,
    evaluate: Callable[[pd.DataFrame], object],
    rng: np.random.Generator,
) -> float | None:
    rows = np.concatenate([np.sort(rng.choice(one, max(1, round(part * len(one))), replace=again)) for one in groups])
    table = touches.iloc[rows].reset_index(drop=True)
    if "touch" in table and again:
        table["touch"] = np.arange(1, len(table) + 1)
    try:
        value = number_of(evaluate(table))
    except (FitError, InputError, np.linalg.LinAlgError):
        return None
    return value if np.isfinite(value) else None
