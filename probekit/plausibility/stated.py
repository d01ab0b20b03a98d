"""Whether what is stated can be meant: widths of tolerances, the uncertainty, the numbers of the decision rule."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, MEASURED, array
from .finding import Finding
from .planned import Probing
from .quiet import last_digit

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["on_allowance", "on_decision", "on_digits", "on_places", "on_sizes", "on_widths"]

_TENTH, _HUNDREDTH, _THOUSAND = 0.1, 0.01, 1000.0  # of the size of the part, of u; common practice, no source
#: mm, and share of the size in the model: nearer limits may be meant; common practice, no source
_OFF, _SHARE = 0.2, 0.02
_MISTAKES = {0.5: "radii for diameters", 2.0: "diameters for radii", 1 / 25.4: "inches for mm"}
_FEWEST = 5  # touches; fewer may have round numbers by chance


def on_widths(
    widths: Iterable[tuple[str, float, bool]], *, diagonal: float, probing: Probing, u: float | None
) -> list[Finding]:
    """A look at tolerances so wide that micrometres must have been meant, or that no touch could fail.

    Parameters
    ----------
    widths : iterable of (str, float, bool)
        Name of each tolerance, its width [mm], and whether its zone reaches half of that to both sides of the nominal.
    diagonal : float
        Of the part [mm].
    probing : Probing
        Its moves reach so far to both sides of the nominal: what lies further off is no touch.
    u : float, optional
        Standard uncertainty of a deviation [mm].
    """
    found = []
    reach = 2.0 * max(probing.standoff, probing.overtravel)
    for name, width, both in widths:
        why = []
        if width > _TENTH * diagonal:
            why.append(f"more than a tenth of the part, which is {diagonal:.4g} mm across")
        if both and width >= reach:
            why.append(f"no touch can lie outside: the probing moves reach {reach / 2:g} mm from the nominal")
        if u and width > _THOUSAND * u and width > _HUNDREDTH * diagonal:
            why.append(f"{width / u:.0f} times the uncertainty, and more than a hundredth of the part")
        if why:
            found.append(
                Finding(
                    "look",
                    f"tolerance '{name}' tests almost nothing: its width is {width:g} mm",
                    found="; ".join(why),
                    expected=f"less than {_TENTH:g} of the part and than {reach:g} mm; and less than {_THOUSAND:g} u "
                    f"or {_HUNDREDTH:g} of the part",
                    cause=f"micrometres for millimetres: {width:g} um are {width / 1000:g} mm",
                    todo=f"Correct the width of '{name}'",
                    name="width",
                )
            )
    return found


def on_sizes(sizes: Iterable[tuple[str, tuple[str, ...], tuple[float, float]]], aligned: pd.DataFrame) -> list[Finding]:
    """A look at limits of size that the feature of the model is far beyond: another feature, or radii, is meant.

    Feet f with normals n on a cylinder, a ball or two opposite planes have n f = n p + r, with the point p and the
    radius, or half the width, r: of a bore or slot negative.

    Parameters
    ----------
    sizes : iterable of (str, tuple of str, (float, float))
        Name of each tolerance of size, its features or faces, its limits [mm].
    aligned : DataFrame
        Deviations table.
    """
    found = []
    foot, normal = array(aligned, FOOT), array(aligned, FOOT_NORMAL)
    seen = np.isfinite(foot).all(axis=1) & np.isfinite(normal).all(axis=1)
    if "allowance" in aligned:
        seen &= ~(np.abs(aligned["allowance"].to_numpy(dtype=float)) > 0)
    for name, features, (low, high) in sizes:
        on = aligned["feature"].isin(features) | aligned["face"].astype(object).isin(features)
        own = seen & (on.to_numpy() if features else True)
        sides = np.column_stack([normal[own], np.ones(own.sum())])
        if len(sides) < 2 or np.linalg.matrix_rank(sides, 0.05) == np.linalg.matrix_rank(normal[own], 0.05):
            continue  # seen from one side alone
        height = (normal[own] * foot[own]).sum(axis=1)
        placed = np.linalg.lstsq(sides, height, rcond=1e-3)[0]
        nominal = 2.0 * abs(float(placed[3]))
        gap = max(low - nominal, nominal - high)
        if np.abs(sides @ placed - height).max() > _OFF / 2 or gap <= max(_OFF, _SHARE * nominal):
            continue
        share = (low + high) / 2 / nominal
        cause = next((words for one, words in _MISTAKES.items() if abs(share / one - 1) < _SHARE), "another feature")
        found.append(
            Finding(
                "look",
                f"tolerance '{name}' asks for a size that the model does not have",
                found=f"limits of {low:g} to {high:g} mm",
                expected=f"limits near {nominal:.3f} mm, the size of {', '.join(features)} in the model",
                cause=cause,
                todo=f"Correct the limits or the features of '{name}'",
                name="width",
                tolerances=(name,),
            )
        )
    return found


def on_places(
    places: Iterable[tuple[str, str, str, tuple[float, ...], tuple[float, ...], float]],
) -> list[Finding]:
    """A look at basic dimensions that the nominal contradicts: one of drawing, study and model is wrong.

    Parameters
    ----------
    places : iterable of (str, str, str, tuple, tuple, float)
        Name of the tolerance, its feature, the key ("at", "direction", "axis", "angle"), its value, that of the
        nominal, and by how much they differ [mm], or [deg].
    """
    words = {
        "at": ("true position", "mm"),
        "direction": ("true direction", "deg"),
        "axis": ("datum axis", "deg"),
        "angle": ("basic angle", "deg"),
    }
    found = []
    for name, feature, key, stated, nominal, off in places:
        what, unit = words[key]
        digits = 5 if key in ("direction", "axis") else 3
        given, meant = (", ".join(f"{one:g}" for one in np.round(values, digits)) for values in (stated, nominal))
        found.append(
            Finding(
                "look",
                f"tolerance '{name}' states a {what} that {feature or 'its feature'} does not have in the model",
                found=f"{key} = {given}, {off:.3f} {unit} from the model",
                expected=f"{meant}, as the model has it",
                cause=f"a typing error in {key}, or another feature; or the drawing really differs from the model",
                todo=f"Compare both with the drawing. Correct {key} of '{name}', or take the model of that drawing; "
                "until then it is not decided, unless [gate] accepts this with a reason",
                name="basic dimension",
                tolerances=(name,),
            )
        )
    return found


def on_allowance(aligned: pd.DataFrame, u: float | None) -> list[Finding]:
    """A look at features that lie where they would without the allowance that is stated for them.

    Their deviations, from which the allowance is taken off, are minus the allowance then, to a fifth of it.
    """
    if "allowance" not in aligned:
        return []
    found = []
    deviation, allowance = (aligned[name].to_numpy(dtype=float) for name in ("deviation", "allowance"))
    features = aligned["feature"].astype(str).to_numpy()
    for name in dict.fromkeys(features):
        own = (features == name) & np.isfinite(deviation) & np.isfinite(allowance)
        stated = float(np.median(allowance[own])) if own.any() else 0.0
        if abs(stated) <= 5 * (u or 0.0) or not stated:
            continue
        lies = float(np.median(deviation[own]))
        if abs(lies + stated) < abs(stated) / 5:
            found.append(
                Finding(
                    "look",
                    f"the material that [deviation] allowance states is not on {name}",
                    found=f"its touches lie {lies:+z.3f} mm from nominal and {stated:g} mm of allowance, at the median",
                    expected=f"about 0: the allowance would be there; {-stated:g} mm is the bare nominal",
                    cause="an allowance for roughing, in the study of a finished part",
                    todo=f"Take {name} out of [deviation] allowance, if it is finished",
                    name="allowance",
                )
            )
    return found


def on_digits(touches: pd.DataFrame, u: float | None) -> list[Finding]:
    """A look at positions that are rounded more coarsely than their uncertainty allows; a note where it comes near it.

    Rounding to steps of q has the standard uncertainty q / sqrt(12) (JCGM 100:2008, F.2.2.1, from memory): touches on
    a face along the axes get the same digits whatever its form, and a flatness of zero.

    Parameters
    ----------
    touches : DataFrame
        As they were recorded, before any alignment; a column `u` comes before `u`.
    u : float, optional
        Standard uncertainty of a deviation as stated [mm].
    """
    measured = array(touches, MEASURED)
    done = np.isfinite(measured).all(axis=1)
    own = touches["u"].to_numpy(dtype=float)[done] if "u" in touches else np.array([])
    u = float(np.median(own)) if len(own) and np.isfinite(own).all() else u
    if not u or done.sum() < _FEWEST or (rounded := last_digit(measured[done]) / np.sqrt(12)) <= u / 2:
        return []
    if rounded <= u:
        return [
            Finding(
                "note",
                f"the positions are rounded to {rounded * np.sqrt(12):g} mm: {1000 * rounded:.2g} um of standard "
                f"uncertainty by that alone, of the {1000 * u:.2g} um that are stated",
                todo=f"If u does not hold the rounding yet, it is {1000 * np.hypot(u, rounded):.2g} um",
                name="uncertainty",
            )
        ]
    return [
        Finding(
            "look",
            f"the positions are rounded to {rounded * np.sqrt(12):g} mm, more coarsely than their uncertainty allows",
            found=f"a standard uncertainty of {1000 * rounded:.2g} um by rounding alone; u is {1000 * u:.2g} um",
            expected="a u that holds the rounding",
            cause="a log or a table with too few decimals",
            todo="Let the control write more decimals and touch again, or state the uncertainty of what it writes",
            name="uncertainty",
        )
    ]


def on_decision(*, r: float, k: float) -> list[Finding]:
    """A look at a guard band w = r k u so narrow that it guards next to nothing, though one is asked for.

    A value at the edge of acceptance, w inside the limit, conforms with the probability Phi(r k) (JCGM 106:2012, 8.3.2,
    from memory).
    """
    from scipy.special import ndtr

    if not 0 < r * k < 1:
        return []
    return [
        Finding(
            "look",
            f"the guard band is {r * k:g} u only",
            found=f"r = {r:g}, k = {k:g}: what is just accepted conforms with {100 * float(ndtr(r * k)):z.0f} %",
            expected="r k of 1 or more (84 %); 1.645 is 95 %, 2 is 97.7 %",
            cause="a mistake in [decision] r or [uncertainty] k",
            todo='Correct them; rule = "simple" decides by the limits alone, and says so',
            name="decision",
        )
    ]
