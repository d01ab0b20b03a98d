"""Size of a feature: local by two points, or global by least squares, maximum inscribed, minimum circumscribed.

ISO 14405-1 names these LP, GG, GX and GN; two-point size is its default. ASME Y14.5 asks for local sizes and, by its
rule one, that the envelope of perfect form at maximum material be kept, which the maximum inscribed (bore) or minimum
circumscribed (boss) size tells. From memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..errors import InputError
from .axes import size_of
from .cover import Covered, cover, few
from .evaluation import Evaluation
from .form import material_of
from .propagation import element_gain

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["size", "two_point_sizes"]

_GLOBAL = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


def size(
    found: pd.DataFrame,
    limits: tuple[float, float],
    *,
    of: Literal["cylinder", "width", "sphere"] = "cylinder",
    method: Literal["two_point", "least_squares", "maximum_inscribed", "minimum_circumscribed"] = "two_point",
    opposed: float = 5.0,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str = "size",
) -> Evaluation:
    """Evaluate a size against its two limits.

    Parameters
    ----------
    found : DataFrame
        Deviations table.
    limits : (float, float)
        Smallest and largest size allowed [mm].
    of : {"cylinder", "width", "sphere"}
    method : {"two_point", "least_squares", "maximum_inscribed", "minimum_circumscribed"}
    opposed : float
        Two touches are opposed if their normals, and the line between them, are within this of each other [deg].
    features, between, name
        See `probekit.tolerance.profile`.

    Returns
    -------
    Evaluation
        Judged as a whole. `lower` and `upper` are the limits less their middle; the actual value is the smallest
        tolerance about that middle that all sizes would meet. `details` has the sizes.

    Raises
    ------
    InputError
        If the limits do not rise, the method is unknown, no two touches are opposed, or they do not fix the element.
    """
    if not (len(limits) == 2 and np.isfinite(limits).all() and 0 < limits[0] < limits[1]):
        raise InputError("limits of size are two rising lengths", found=limits, expected="(smallest, largest)")
    covered = cover(found, features, between, name=name)
    notes: list[str] = []
    if method == "two_point":
        values, pairs = two_point_sizes(covered, opposed)
        if not len(values):
            raise InputError(
                f"tolerance '{name}': no two touches are opposed within {opposed:g} deg",
                todo="Touch opposite places, widen opposed=, or ask for a global size.",
            )
        notes.append(f"{len(values)} local sizes from opposed touches; elsewhere the feature may be smaller or larger")
    elif method in _GLOBAL:
        value, fitted = size_of(covered, of, method)
        values, pairs = np.array([value]), np.array([fitted.active], dtype=int).reshape(1, -1)
        gradient = 2.0 * element_gain(covered.contact, covered.normal, fitted.active)[1]
        notes += [*few(of, len(covered.rows), "a size"), *fitted.notes]
    else:
        raise InputError("unknown method for a size", found=method, expected="two_point, " + ", ".join(_GLOBAL))
    middle = (limits[0] + limits[1]) / 2
    off = np.abs(values - middle)
    if method == "two_point":
        gradient = np.zeros(len(covered.rows))
        gradient[pairs[int(off.argmax())]] = 1.0
    sense = 1.0 if material_of(covered) == "inside" else -1.0  # material left on makes a boss larger, a bore smaller
    sense *= np.sign((values - middle)[off.argmax()])
    ruling = dict.fromkeys(pairs[off >= off.max() - 1e-9].ravel().tolist())
    return Evaluation.as_whole(
        found,
        covered.rows,
        2.0 * float(off.max()),
        limits[1] - limits[0],
        name=name,
        kind="size, " + method.replace("_", " "),
        features=covered.names,
        lower=float(limits[0] - middle),
        upper=float(limits[1] - middle),
        high=float(values.max() - middle),
        low=float(values.min() - middle),
        ruling=tuple(covered.ids[list(ruling)].tolist()),
        missed_rows=covered.missed,
        notes=tuple(notes),
        details={"smallest size": float(values.min()), "largest size": float(values.max()), "middle of limits": middle},
        alternatives=partial(_others, covered, of, opposed, middle),
        gradient=2.0 * sense * gradient,
    )


def two_point_sizes(covered: Covered, opposed: float = 5.0) -> tuple[np.ndarray, np.ndarray]:
    """Local sizes (m,) [mm] between opposed touches, and the pairs (m, 2) of positions within `covered`.

    Notes
    -----
    For touches p, q with outward normals n, m: |(p - q) . e| / (e . (n - m)/2) with e along n - m. This is the distance
    between two parallel planes, and the diameter of a circle though p and q are not exactly opposite.
    """
    n, p = covered.normal, covered.contact
    first, second = np.triu_indices(len(p), 1)
    apart, between = p[first] - p[second], n[first] - n[second]
    length, double = np.linalg.norm(apart, axis=1), np.linalg.norm(between, axis=1)
    facing = np.einsum("ij,ij->i", n[first], n[second]) <= -np.cos(np.radians(opposed))
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.abs(np.einsum("ij,ij->i", apart, between)) / double
        good = facing & (across >= length * np.cos(np.radians(opposed))) & (length > 0)
        sizes = across / (double / 2)
    return sizes[good], np.column_stack([first, second])[good]


def _others(covered: Covered, of: str, opposed: float, middle: float) -> dict[str, float]:
    """Actual value [mm] by each kind of size."""
    values = {f"{how.replace('_', ' ')} size": size_of(covered, of, how)[0] for how in _GLOBAL}
    local = two_point_sizes(covered, opposed)[0]
    found = {f"{words} ({value:.4f} mm)": 2.0 * abs(value - middle) for words, value in values.items()}
    if len(local):
        found[f"two-point sizes ({local.min():.4f} to {local.max():.4f} mm)"] = 2.0 * float(
            np.abs(local - middle).max()
        )
    return found
