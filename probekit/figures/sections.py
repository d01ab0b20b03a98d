"""Deviations along a curve of the part: as whiskers on its shape, and unrolled by arc length."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from ..columns import FOOT, FOOT_NORMAL, array
from ..errors import InputError
from ..scene.colour import VERDICT_COLOURS, hex_of
from ..scene.round_steps import round_down
from ..scene.sections import beside, plane_of
from .drawing import BAND, COLOURS, GREY, INK, Drawing, axes, keyed, styled

if TYPE_CHECKING:
    import pandas as pd

    from ..plan.targets.curves import Curve

__all__ = ["unrolled", "whiskers"]

_LOOKS = {"within": "o", "high": "^", "low": "v", "undecided": "D", "unjudged": "."}


def unrolled(
    table: pd.DataFrame,
    curve: Curve,
    *,
    within: float = 1.0,
    lower: float | None = None,
    upper: float | None = None,
    title: str = "",
) -> Drawing:
    """Deviations over the arc length of a curve, with the zone, and U of each touch if the table has `u_judged`.

    Parameters
    ----------
    table : DataFrame
        Deviations table; with a column `verdict` each word has its mark.
    curve : Curve
        On the nominal, as of `probekit.plan.section`.
    within : float
        Touches whose feet are this near to the curve belong to it [mm].
    lower, upper : float, optional
        Limits of a deviation [mm].
    title : str
        By default the name of the curve.

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If no touch lies near the curve.
    """
    rows, station = _beside(table, curve, within)
    deviation = table["deviation"].to_numpy(float)[rows]
    figure, on = axes(x="arc length [mm]", y="deviation [mm]", title=title or curve.name, high=2.8)
    with styled():
        if lower is not None and upper is not None:
            on.axhspan(lower, upper, color=BAND, zorder=0, label="zone")
        for limit in (lower, upper):
            if limit is not None:
                on.axhline(limit, color=INK, linestyle=(0, (6, 3)), linewidth=1.0)
        on.axhline(0.0, color=GREY, linewidth=0.8)
        on.vlines(station, 0.0, deviation, color=GREY, linewidth=0.9)
        if "u_judged" in table:
            doubt = 2.0 * table["u_judged"].to_numpy(float, na_value=np.nan)[rows]
            on.vlines(station, deviation - doubt, deviation + doubt, color=INK, linewidth=1.6, label="U = 2 u")
        _marked(on, table, rows, station, deviation)
        on.set_xlim(-0.02 * curve.length, 1.02 * curve.length)
        keyed(on)
    figure.said = _said(curve, deviation)
    return figure


def whiskers(
    table: pd.DataFrame,
    curve: Curve,
    *,
    within: float = 1.0,
    exaggeration: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
    title: str = "",
) -> Drawing:
    """A section of the part with its deviations as whiskers along the normals, enlarged as the title says.

    Parameters
    ----------
    table : DataFrame
        Deviations table; with a column `verdict` each word has its mark.
    curve : Curve
        Plane, on the nominal, as of `probekit.plan.section`.
    within : float
        Touches whose feet are this near to the curve belong to it [mm].
    exaggeration : float, optional
        How much longer a whisker is than its deviation; by default so that the longest is a sixth of the section.
    lower, upper : float, optional
        Limits of a deviation [mm], drawn beside each whisker as ticks.
    title : str
        By default the name of the curve.

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If no touch lies near the curve, it is not plane, or the exaggeration is not above zero.
    """
    rows, _ = _beside(table, curve, within)
    deviation = table["deviation"].to_numpy(float)[rows]
    across, names = _plane(curve)
    outline = curve.at(np.linspace(0, curve.length, 600))[0] @ across.T
    feet, normals = (array(table, names)[rows] @ across.T for names in (FOOT, FOOT_NORMAL))
    lean = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = normals / np.where(lean > 0, lean, 1.0)
    size = float(np.ptp(outline, axis=0).max())
    longest = max([float(np.abs(deviation).max()), *(abs(one) for one in (lower, upper) if one is not None)])
    if exaggeration is None:
        exaggeration = round_down(size / 6 / longest) if longest > 0 else 1.0
    if not (np.isfinite(exaggeration) and exaggeration > 0):
        raise InputError("the exaggeration must be above zero", found=exaggeration)
    share = np.ptp(outline[:, 1]) / max(np.ptp(outline[:, 0]), 1e-9)
    figure, on = axes(x=names[0], y=names[1], high=float(np.clip(5.4 * share + 1.6, 2.4, 6.4)))
    tips = feet + exaggeration * deviation[:, None] * normals
    with styled():
        on.plot(*outline.T, color=INK, linewidth=1.1)
        for limit in (lower, upper):
            if limit is not None:
                middle, side = feet + exaggeration * limit * normals, 0.008 * size * normals[:, ::-1] * [-1, 1]
                on.plot(*np.stack([middle - side, middle + side], axis=-1).transpose(1, 2, 0), color=INK, linewidth=0.9)
        on.plot(*np.stack([feet, tips], axis=-1).transpose(1, 2, 0), color=GREY, linewidth=0.9)
        _marked(on, table, rows, *tips.T)
        on.set_aspect("equal")
        on.set_title(f"{title or curve.name}: whiskers {exaggeration:g} times as long")
        keyed(on)
    figure.said = f"{_said(curve, deviation)}, drawn {exaggeration:g} times as long"
    return figure


def _beside(table: pd.DataFrame, curve: Curve, within: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows of touches near a curve, and their arc lengths, in its order."""
    rows, stations = beside(table, curve, within)
    if not len(rows):
        raise InputError(
            f"no touch lies within {within:g} mm of the curve {curve.name!r}",
            found=f"{len(table)} touches",
            todo="Give `within` as the distance up to which a touch belongs to it.",
        )
    return rows, stations


def _plane(curve: Curve) -> tuple[np.ndarray, tuple[str, str]]:
    """Two axes (2, 3) in the plane of a curve, and their names."""
    found = plane_of(curve.points)
    if found is None:
        raise InputError(
            "the curve is not plane, so its shape cannot be drawn",
            column=curve.name,
            todo="Draw it with `unrolled`, or cut the part with a plane.",
        )
    return found[0], (f"{found[1][0]} [mm]", f"{found[1][1]} [mm]")


def _marked(on: Axes, table: pd.DataFrame, rows: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    if "verdict" not in table:
        on.plot(x, y, linestyle="none", marker="o", markersize=3.5, color=COLOURS[0])
        return
    words = table["verdict"].to_numpy()[rows]
    for word in dict.fromkeys(words):
        of = words == word
        colour = hex_of(VERDICT_COLOURS.get(word, VERDICT_COLOURS["unjudged"]))
        drawn = on.plot(x[of], y[of], linestyle="none", marker=_LOOKS.get(word, "x"), color=colour, label=word)
        for one in drawn:
            one.set(markeredgecolor=INK, markeredgewidth=0.5)


def _said(curve: Curve, deviation: np.ndarray) -> str:
    return (
        f"{len(deviation)} touches along {curve.name}, {curve.length:.1f} mm long: deviations from "
        f"{deviation.min():+z.4f} to {deviation.max():+z.4f} mm"
    )
