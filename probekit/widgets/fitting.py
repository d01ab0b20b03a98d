"""One fit among several that are tried: the choice, what comes of it, its words and signs. No widgets here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, MEASURED, array
from ..deviation.projection import distance_function
from ..fit import FREEDOMS, rigid
from ..fit.alignment import Alignment
from ..geometry import apply_motion
from ..scene import colour, glyphs
from ..scene.model import GlyphMesh
from .text import BOX, rows_html

if TYPE_CHECKING:
    import pandas as pd

    from ..deviation import Projection
    from ..nominal import Nominal

__all__ = ["Choice", "Cones", "Tried", "cones", "features_of", "signs", "span_of", "tried", "tried_html"]

_CAUTION = (
    "<b>Caution.</b> A fit moves numbers, not the part: it is no work offset. <code>fit.set_up</code> makes "
    "one, with its own cautions."
)


@dataclass(frozen=True)
class Choice:
    """What is to be fitted, and how.

    Attributes
    ----------
    free : tuple of str
        Freedoms that the fit may use.
    method : str
    features : tuple of str, optional
        Whose touches are fitted; None: all.
    """

    free: tuple[str, ...] = FREEDOMS
    method: str = "least_squares"
    features: tuple[str, ...] | None = None


@dataclass(frozen=True, eq=False)
class Tried:
    """What came of a choice.

    Attributes
    ----------
    alignment : Alignment
        The fit.
    deviation : (n,) float
        Of every touch, after it [mm]; NaN where it was missed.
    weight : (n,) float
        With which each touch was fitted, 0 to 1.
    """

    alignment: Alignment
    deviation: np.ndarray
    weight: np.ndarray

    @property
    def rms(self) -> float:
        """Root mean square of the deviations of all touches [mm]."""
        return float(np.sqrt(np.nanmean(self.deviation**2)))


def features_of(deviations: pd.DataFrame) -> list[str]:
    """The features that have touches, in the order of the table."""
    return [str(one) for one in deviations["feature"].unique()]


def tried(deviations: pd.DataFrame, how: Nominal | Projection, choice: Choice) -> Tried:
    """Fit as was chosen, and measure every touch after it.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    how : Nominal or Projection
        What it was projected on.
    choice : Choice

    Raises
    ------
    InputError
        If no freedom is left, or too few touches.
    UndeterminedError
        If the touches do not fix a motion.
    FitError
        If the fit does not settle.
    """
    fitted = rigid(deviations, how, free=choice.free, method=choice.method, features=choice.features)
    points = array(deviations, MEASURED)
    rows = np.flatnonzero(np.isfinite(points).all(axis=1))
    after, weight = np.full(len(points), np.nan), np.zeros(len(points))
    after[rows] = distance_function(deviations.iloc[rows], how)(apply_motion(fitted.motion, points[rows]))[0]
    weight[fitted.used] = fitted.weights
    return Tried(fitted, after, weight)


@dataclass(frozen=True, eq=False)
class Cones:
    """A cone out of the part and one into it for each touch that has a foot, to choose from.

    Attributes
    ----------
    rows : (m,) int
        Touches that have one.
    foot : (m, 3) float
        [mm]
    out, into : (m, k, 3) float
        Vertices of the cones, from the foot [mm].
    shade : (m, k) float
        Brightness of each vertex by its facet.
    """

    rows: np.ndarray
    foot: np.ndarray
    out: np.ndarray
    into: np.ndarray
    shade: np.ndarray


def cones(deviations: pd.DataFrame, size: float) -> Cones:
    """The cones of touches, of half width `size` [mm]."""
    foot, normal = array(deviations, FOOT), array(deviations, FOOT_NORMAL)
    rows = np.flatnonzero(np.isfinite(foot).all(axis=1) & np.isfinite(normal).all(axis=1))
    both = [glyphs.merge(np.zeros((len(rows), 3)), normal[rows], [word] * len(rows), size) for word in ("high", "low")]
    out, into = (one.vertices.reshape(len(rows), -1, 3) for one in both)
    shade = both[0].colours.sum(axis=1) / sum(colour.VERDICT_COLOURS["high"])
    return Cones(rows, foot[rows], out, into, shade.reshape(len(rows), -1))


def signs(of: Cones, found: Tried, span: float) -> GlyphMesh:
    """A cone for each touch, out of the part or into it as its deviation is, coloured by it; small if not fitted.

    Parameters
    ----------
    of : Cones
    found : Tried
    span : float
        The colours run from -span to +span [mm].
    """
    deviation = found.deviation[of.rows]
    shown = np.flatnonzero(np.isfinite(deviation))
    scale = np.where(found.weight[of.rows[shown]] > 0, 1.0, 0.5)
    bodies = np.where(deviation[shown, None, None] >= 0, of.out[shown], of.into[shown])
    vertices = of.foot[shown, None] + scale[:, None, None] * bodies
    inks = colour.diverging(deviation[shown] / span).astype(float)
    owner = np.repeat(of.rows[shown], bodies.shape[1]).astype(np.int32)
    return GlyphMesh(
        vertices=vertices.reshape(-1, 3).astype(np.float32),
        facets=np.arange(len(owner), dtype=np.int32).reshape(-1, 3),
        facet_touch=owner[::3].copy(),
        vertex_touch=owner,
        colours=np.rint(of.shade[shown, :, None] * inks[:, None]).astype(np.uint8).reshape(-1, 3),
    )


def tried_html(found: Tried | None, error: str, span: float, seconds: float = np.nan) -> str:
    """The sentence of the fit and its numbers; or why there is none.

    Parameters
    ----------
    found : Tried or None
        The last fit.
    error : str
        Why the present choice gives none; empty if it does.
    span : float
        Of the colours [mm].
    seconds : float
        How long it took [s].
    """
    if error or found is None:
        kept = " The picture shows the fit before." if found is not None else ""
        return f'<div role="status" style="{BOX}"><b>No fit:</b> {escape(error)}{kept}</div>'
    fitted, rows = found.alignment, np.isfinite(found.deviation)
    lines = [
        ("rms of the touches fitted", f"<b>{fitted.rms:.4f} mm</b> ({len(fitted.used)})"),
        ("rms of all", f"{found.rms:.4f} mm ({int(rows.sum())})"),
        ("lowest and highest", f"{np.nanmin(found.deviation):+z.4f} and {np.nanmax(found.deviation):+z.4f} mm"),
        ("touches of weight 0", str(int((fitted.weights == 0).sum()))),
        ("made in", f"{1e3 * seconds:.0f} ms"),
    ]
    return (
        f'<div role="status" style="{BOX}"><div>{escape(fitted.sentence)}</div>'
        f"{rows_html(lines)}"
        f"<div>Cones point out of the part where material is left on and into it where it is missing; colours run from "
        f"{-span:g} mm (blue) to {span:+g} mm (orange brown). Small: not fitted, or of weight 0.</div>"
        f"<div>{_CAUTION}</div></div>"
    )


def span_of(deviations: Iterable[float]) -> float:
    """Colours that reach the largest deviation [mm], which is rounded to one digit."""
    largest = float(np.nanmax(np.abs(np.asarray(list(deviations), dtype=float)), initial=0.0))
    return float(f"{largest:.1g}") if largest > 0 else 1.0
