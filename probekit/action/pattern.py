"""Whether what a correction leaves follows the surface, or is scatter: Moran's I of neighbours.

symbol    variable     meaning
z         off          values, less their mean
w         one, two     pairs of neighbours, each once, all of weight one
I         moran        (n / W) sum w_ij z_i z_j / sum z_i^2 over ordered pairs, of which there are W

Its mean for values that do not know of their place is -1/(n - 1); alike neighbours make it larger, up to about one.
P. A. P. Moran (1950), Notes on continuous stochastic phenomena, Biometrika 37; A. D. Cliff, J. K. Ord (1981), Spatial
Processes, both from memory. Its p is that of permutations: how often values dealt out anew to the places give as much.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .regions import neighbours

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SYSTEMATIC", "describe", "morans_i", "permuted"]

SYSTEMATIC = 0.01  # p below which neighbours are called alike

_PERMUTATIONS, _SEED = 999, 13
_FEW = 8  # touches with a neighbour, below which nothing is said


def morans_i(values: np.ndarray, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Moran's I of values (..., n) over pairs of neighbours, positions (m,) and (m,), each pair once.

    NaN if all values are equal, or there is no pair.
    """
    off = values - values.mean(axis=-1, keepdims=True)
    squares = np.einsum("...i,...i->...", off, off)
    products = np.einsum("...i,...i->...", off[..., one], off[..., two])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(squares > 0, values.shape[-1] * products / (max(len(one), 1) * squares), np.nan) + (
            0.0 if len(one) else np.nan
        )


def permuted(
    values: np.ndarray, one: np.ndarray, two: np.ndarray, *, permutations: int = _PERMUTATIONS, seed: int = _SEED
) -> tuple[float, float]:
    """Moran's I, and the share of permutations whose I is as large, the values as they are counted as one of them.

    Parameters
    ----------
    values : (n,) float
    one, two : (m,) int
        Pairs of neighbours, each once.
    permutations, seed : int
    """
    found = float(morans_i(values, one, two))
    if not np.isfinite(found):
        return found, float("nan")
    dealt = np.random.default_rng(seed).permuted(np.tile(values, (permutations, 1)), axis=1)
    as_large = int((morans_i(dealt, one, two) >= found - 1e-12).sum())
    return found, (1 + as_large) / (1 + permutations)


def describe(table: pd.DataFrame, left: np.ndarray) -> tuple[float, float, str]:
    """Moran's I of what is left of each touch (n,) of a table, its p, and in words whether it is systematic.

    What a fit leaves is a little less alike than scatter, so that p is on the safe side: scatter is not called form.
    """
    one, two = neighbours(table)
    joined = np.unique(np.concatenate([one, two]))
    if len(joined) < _FEW:
        return float("nan"), float("nan"), "too few neighbouring touches to tell form from scatter"
    place = np.searchsorted(joined, np.stack([one, two]))
    found, p = permuted(left[joined], *place)
    if not np.isfinite(found):
        return found, p, "nothing is left"
    shown = f"Moran's I {found:+z.2f}, p {p:.3f}"
    if p < SYSTEMATIC:
        return found, p, f"it follows the surface ({shown}): form, or an error by direction, that comes again"
    return found, p, f"neighbours are no more alike than by chance ({shown}): nothing systematic is seen in it"
