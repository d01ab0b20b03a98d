"""What is left of the datum touches after the alignment, against what the uncertainty allows.

Whatever the method of the alignment, the residuals are taken on by weighted least squares in the motions that were free
and in one size per feature (a bore that is a little large tells nothing of a bad touch), so that

    e = (I - Q Q') r / s,    h = diag(Q Q'),    s^2 = u^2 + form^2 + chord^2 / 3

with Q an orthonormal basis of the columns. Without outliers e'e is chi-square with n - rank degrees of freedom, and
each e_i / sqrt(1 - h_i) standard normal; the square of the latter is what chi-square drops by without that touch
(leave-one-out; R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982, ch. 2, from memory). Both tests
share the rate of false alarms; over n touches by Sidak's inequality (JASA 62 (1967) 626-633, from memory). Where no
uncertainty is stated, the scatter of the others stands in for it, and Student's t for the normal distribution.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..show import shown
from .apart import Apart, features_apart, on_apart
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..nominal import Nominal

__all__ = [
    *(
        "FALSE_ALARMS",
        "Residuals",
        "datum_residuals",
        "left_over",
        "motions_and_sizes",
        "on_residuals",
        "residuals_of",
        "scatter_of",
        "stated_by_touch",
    )
]

FALSE_ALARMS = 1e-3  # share of good runs that fail one of the two tests
_TELLING = 0.02  # 1 - h of a touch below which the others say nothing about it
_NO_WEIGHT = 0.05  # weight of a touch in the alignment below which it does not pull it
_MICROMETRES = 50.0  # times the scatter that u must be for um to be what was meant: they make it 1000 times
_FEW, _TENTH = 2, 0.1  # touches, or share of them, that chips and burrs may spoil; more is scatter: a choice
_STRETCH = 5e-4  # of a scale that a machine may have: aluminium 22 K warmer (23 um/(m K), from memory); a choice
_SMALL = 1e-6  # chance of so small a chi-square below which the uncertainty is called too large


@shown
@dataclass(frozen=True, eq=False)
class Residuals:
    """Residuals of the touches that the alignment rests on.

    Attributes
    ----------
    touches : (n,) object
        Their ids.
    values : (n,) float
        Deviations after the alignment [mm].
    ratios : (n,) float
        Studentised: what a good touch has as a standard normal number; NaN where the others cannot tell.
    limit : float
        Largest ratio that is allowed, by size.
    chi_square, chi_limit : float
        Sum of squares over their variances, and the most that is allowed; NaN without an uncertainty.
    freedoms : int
        Touches beyond what the fit needs.
    u : float
        Standard uncertainty used, root mean square [mm]; NaN if none is stated.
    outliers : tuple
        Ids of touches that do not agree with the others, worst first.
    disarmed : bool
        Whether the alignment gave those next to no weight, as a robust one does, and the others agree.
    too_large : bool
        Whether their scatter is far smaller than the uncertainty allows it to be.
    scatter : float
        Standard deviation of what motions and the size of each feature leave of them [mm]; NaN if they leave nothing.
    excess : float
        How many times the uncertainty they scatter by, where they do so by far more than is allowed without a few bad
        touches, too, or by a `pattern`, which other touches have as well. Else 1.
    pattern : str
        What error of machine or probe explains them at least as well as a few bad touches do; empty if none does.
    apart : tuple of Apart
        Datum features that lie off as wholes, where that alone is why they do not agree; no touch is an outlier then.
    permitted : bool
        Whether the datum frame does not depend on that, because it takes them one after the other.
    """

    touches: np.ndarray
    values: np.ndarray
    ratios: np.ndarray
    limit: float
    chi_square: float
    chi_limit: float
    freedoms: int
    u: float
    outliers: tuple
    disarmed: bool
    too_large: bool
    scatter: float = float("nan")
    excess: float = 1.0
    pattern: str = ""
    apart: tuple[Apart, ...] = ()
    permitted: bool = False

    @property
    def rms(self) -> float:
        """Root mean square [mm]."""
        return float(np.sqrt(np.mean(self.values**2)))

    @property
    def largest(self) -> float:
        """The largest by size, with its sign [mm]."""
        return float(self.values[np.abs(self.values).argmax()])

    @property
    def touch(self) -> object:
        """Id of the touch with the largest residual."""
        return self.touches[np.abs(self.values).argmax()]

    @property
    def agree(self) -> bool:
        """Whether they are as the uncertainty allows."""
        return self.permitted or (not self.outliers and not self.chi_square > self.chi_limit)

    @property
    def sentence(self) -> str:
        """All of it in one line."""
        text = f"residuals of {len(self.values)} datum touches: rms {self.rms:.4f} mm, largest {self.largest:+z.4f} mm "
        text += f"(touch {self.touch})"
        if self.scatter < self.rms / 2:
            text += f", of it {self.scatter:.4f} mm scatter and the rest size"
        if np.isfinite(self.chi_square):
            text += f"; u {self.u:.4f} mm, chi-square {self.chi_square:.1f} of {self.chi_limit:.1f} allowed"
        if not self.freedoms:
            text += "; there are no more touches than the fit needs, so they cannot check one another"
        return text


def datum_residuals(
    deviations: pd.DataFrame,
    alignment: Alignment,
    part: Nominal,
    *,
    u: float | None = None,
    form: float = 0.0,
    false_alarms: float = FALSE_ALARMS,
    alone: Collection[str] = (),
) -> Residuals:
    """Test the residuals of an alignment.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table after the alignment; a column `u` comes before `u`.
    alignment : Alignment
    part : Nominal
    u : float, optional
        Standard uncertainty of a deviation [mm].
    form : float
        Standard deviation of the form of the datum faces that is expected beside it [mm].
    false_alarms : float
        Share of good runs that may fail.
    alone : collection of str
        Features of a datum frame that are a datum each, in its order: one may lie off where the others put it.

    Returns
    -------
    Residuals
    """
    used = deviations.iloc[alignment.used]
    columns, weights = motions_and_sizes(used, alignment), np.asarray(alignment.weights, dtype=float)
    left = residuals_of(used, part, columns, weights, u=u, form=form, false_alarms=false_alarms)
    s = scatter_of(used, part, u, form)
    one_chip = len(left.outliers) == 1 and left.excess == 1  # by fewer numbers than a feature that is off
    if left.agree or one_chip or not np.isfinite(s).all():
        return left
    y = used["deviation"].to_numpy(dtype=float) / s
    apart = features_apart(used, y, columns / s[:, None], s, false_alarms, tuple(alone))
    if not apart:
        return left
    if left.pattern:
        return replace(left, pattern=f"{left.pattern}, or {', '.join(one.feature for one in apart)} lying off")
    permitted = {one.feature for one in apart} <= set(alone)
    return replace(left, apart=apart, permitted=permitted, outliers=(), excess=1.0, pattern="", disarmed=False)


def residuals_of(
    used: pd.DataFrame,
    part: Nominal,
    columns: np.ndarray,
    weights: np.ndarray,
    *,
    u: float | None = None,
    form: float = 0.0,
    false_alarms: float = FALSE_ALARMS,
) -> Residuals:
    """Test what fitted `columns` (n, k) leave of the deviations of some touches, whose `weights` (n,) a fit had.

    The rest as for `datum_residuals`.
    """
    from scipy.special import chdtri

    r = used["deviation"].to_numpy(dtype=float)
    s = scatter_of(used, part, u, form)
    stated = bool(np.isfinite(s).all())
    columns = columns / (s if stated else np.ones(len(r)))[:, None]
    y = r / s if stated else r
    ids, left = used["touch"].to_numpy(dtype=object), np.arange(len(r))
    found_out: list[int] = []
    first = None
    while True:
        e, h, freedoms = left_over(y[left], columns[left])
        ratio, limit = _ratios(e, h, freedoms, false_alarms, stated)
        if first is None:
            own = float(np.linalg.norm(e * s if stated else e)) / np.sqrt(freedoms) if freedoms > 0 else np.nan
            first = (ratio, limit, float(e @ e), freedoms, own)
        worst = int(np.nanargmax(np.abs(ratio))) if np.isfinite(ratio).any() else -1
        if worst < 0 or not abs(ratio[worst]) > limit or len(found_out) >= len(r) // 3:
            break
        found_out.append(left[worst])
        left = np.delete(left, worst)
    calm = not stated or freedoms <= 0 or float(e @ e) <= chdtri(freedoms, false_alarms / 2)
    few = len(found_out) <= max(_FEW, _TENTH * len(r))
    rest = 1.0 if calm else float(np.sqrt(e @ e / freedoms))
    ratio, limit, chi, freedoms, scatter = first
    known = stated and freedoms > 0
    told = "" if not known or (calm and not found_out) else _pattern(used, y, columns, s, float(e @ e), len(found_out))
    return Residuals(
        touches=ids,
        values=r,
        ratios=ratio,
        limit=limit,
        chi_square=chi if known else np.nan,
        chi_limit=float(chdtri(freedoms, false_alarms / 2)) if known else np.nan,
        freedoms=freedoms,
        u=float(np.sqrt(np.mean(s**2))) if stated else np.nan,
        outliers=tuple(ids[found_out].tolist()),
        disarmed=bool(found_out and calm and (weights[found_out] < _NO_WEIGHT).all()),
        too_large=bool(known and chi < chdtri(freedoms, 1.0 - _SMALL)),
        scatter=float(scatter),
        excess=rest if (few and not told) or not known else float(np.sqrt(chi / freedoms)),
        pattern=told,
    )


def _pattern(used: pd.DataFrame, y: np.ndarray, columns: np.ndarray, s: np.ndarray, chi: float, out: int) -> str:
    """Which error of machine or probe leaves less than `chi`, that without the `out` worst touches.

    Each number that is fitted counts as much as a touch left out, by Akaike's criterion (IEEE Trans. Autom. Control 19
    (1974) 716-723, from memory). Lobing is that of a probe along z. A scale that no machine has is none: two bores on
    a line, one of them off, look like one.
    """
    from scipy.special import chdtri

    point, normal = array(used, FOOT), array(used, FOOT_NORMAL)
    turn, aside = np.arctan2(normal[:, 1], normal[:, 0]), np.linalg.norm(normal[:, :2], axis=1)
    scales = normal * (point - point.mean(axis=0))
    tried = [(f"a scale of the machine along {axis}", scales[:, [k]]) for k, axis in enumerate("xyz")]
    for lobes in (2, 3):
        waves = aside[:, None] * np.column_stack([np.cos(lobes * turn), np.sin(lobes * turn)])
        tried.append(("lobing of the probe, that is another radius in each direction", waves))
    best, told = chi + 2.0 * out, ""
    for words, change in tried:
        e, _, freedoms = left_over(y, np.hstack([columns, change / s[:, None]]))
        if words.startswith("a scale"):
            beside, _, _ = left_over(change[:, 0] / s, columns)
            stretch = float(beside @ y) / max(float(beside @ beside), 1e-300)
            if abs(stretch) > _STRETCH:
                continue
            words = f"{words} of {1e6 * abs(stretch):.0f} um/m"
        lost = float(e @ e) + 2.0 * change.shape[1]
        if freedoms > _FEW and lost <= best and e @ e <= chdtri(freedoms, FALSE_ALARMS / 2):
            best, told = lost, words
    return told


def stated_by_touch(table: pd.DataFrame, u: float | None) -> np.ndarray:
    """(n,) standard uncertainty of each touch as stated: its entry in the column `u`, else `u` [mm]; NaN if neither is.

    Whatever is stated: `probekit.tolerance.propagation.own_uncertainty` refuses what cannot be one.
    """
    stated = np.full(len(table), np.nan if u is None else float(u))
    if "u" not in table:
        return stated
    column = table["u"].to_numpy(dtype=float)
    return np.where(np.isfinite(column), column, stated)


def scatter_of(used: pd.DataFrame, part: Nominal, u: float | None, form: float) -> np.ndarray:
    """(n,) standard deviation to expect of each residual [mm]; NaN if no uncertainty is stated."""
    own = stated_by_touch(used, u)
    own = np.where(own > 0, own, np.nan)
    chord = dict(zip(part.face_names, part.chord_errors, strict=True))
    facets = np.array([chord.get(str(name), 0.0) for name in used["face"]])
    return np.sqrt(own**2 + form**2 + facets**2 / 3.0)


def motions_and_sizes(used: pd.DataFrame, alignment: Alignment | None = None) -> np.ndarray:
    """(n, k) change of the deviations with the motions that were free, all without an alignment, and with the size of
    each feature.
    """
    point = array(used, FOOT)
    normal = array(used, FOOT_NORMAL)
    arm = point - point.mean(axis=0)
    motions = np.hstack([normal, np.cross(arm / max(np.abs(arm).max(), 1e-9), normal)])
    if alignment is not None and len(alignment.free) < 6 and not alignment.method.startswith("datum frame"):
        turns = np.cross((point - alignment.pivot) / max(np.abs(arm).max(), 1e-9), normal)
        names = ("tx", "ty", "tz", "rx", "ry", "rz")
        motions = np.hstack([normal, turns])[:, [name in alignment.free for name in names]]
    features = used["feature"].astype(str).to_numpy()
    return np.hstack([motions, *((features == name)[:, None].astype(float) for name in dict.fromkeys(features))])


def left_over(y: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """What least squares leave of y, the leverages, and the degrees of freedom."""
    basis, weight, _ = np.linalg.svd(columns, full_matrices=False)
    basis = basis[:, weight > 1e-4 * weight[0]]
    return y - basis @ (basis.T @ y), np.sum(basis**2, axis=1), len(y) - basis.shape[1]


def _ratios(e: np.ndarray, h: np.ndarray, freedoms: int, false_alarms: float, stated: bool) -> tuple[np.ndarray, float]:
    from scipy import special

    telling = (1 - h > _TELLING) & (freedoms > (0 if stated else 2))
    ratio = np.full(len(e), np.nan)
    ratio[telling] = e[telling] / np.sqrt(1 - h[telling])
    if not stated and telling.any():
        others = np.maximum(e @ e - ratio[telling] ** 2, 1e-300) / (freedoms - 1)
        ratio[telling] /= np.sqrt(np.maximum(others, 1e-12))  # a micrometre to a thousand is no scatter
    one = 1 - (1 - false_alarms / 2) ** (1 / max(int(telling.sum()), 1))
    limit = special.ndtri(1 - one / 2) if stated else special.stdtrit(max(freedoms - 1, 1), 1 - one / 2)
    return ratio, float(limit)


def on_residuals(residuals: Residuals, *, false_alarms: float = FALSE_ALARMS) -> list[Finding]:
    """What the residuals say."""
    rate = f"{1 / false_alarms:.0f}"
    found = on_apart(residuals)
    if not residuals.agree and not residuals.apart:
        shown = {id_: v for id_, v in zip(residuals.touches, residuals.ratios, strict=True)}
        by = f", {abs(shown[residuals.outliers[0]]):.1f} times its standard deviation" if residuals.outliers else ""
        worst = residuals.outliers[0] if residuals.outliers else residuals.touch
        few = residuals.outliers and (residuals.excess == 1 or residuals.pattern)
        by_touch = "form error of the datum faces, or an uncertainty that is stated too small"
        by_touch = "a chip, dirt or a burr under a touch" if few else by_touch
        found.append(
            Finding(
                "note" if residuals.disarmed else "look",
                f"the datum touches do not agree with one another, touch {worst} least{by}"
                + ("; the robust fit left out what does not agree" if residuals.disarmed else ""),
                found=residuals.sentence,
                expected=f"at most {residuals.limit:.1f} standard deviations"
                + (f" and chi-square {residuals.chi_limit:.1f}" if np.isfinite(residuals.chi_limit) else "")
                + f" (1 good run in {rate} fails)",
                cause=(f"{residuals.pattern}, which explains all of them; or " if residuals.pattern else "") + by_touch,
                todo="Clean and touch there again, or say in [gate] form what form deviation the datum faces have",
                touches=residuals.outliers,
                name="datum residuals",
                excess=residuals.excess,
            )
        )
    if residuals.too_large:
        found.append(
            Finding(
                "look" if residuals.u > _MICROMETRES * residuals.scatter else "note",
                "the datum touches agree far better than their stated uncertainty",
                found=f"a scatter of {residuals.scatter:.5f} mm about the best fit, the size of each feature left free",
                expected=f"about u = {residuals.u:g} mm",
                cause="an uncertainty in um given for mm, or stated far too large",
                todo="State the standard uncertainty of a touch in the unit of the positions",
                name="uncertainty",
            )
        )
    return found
