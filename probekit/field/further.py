"""Where further touches would change most what is said of a surface.

The gain of a touch is by how much it is expected to lessen P (1 - P), the doubt about the whole surface: the fields
already drawn are sorted by what they would read there, and the variance of their share in the zone from bin to bin is
what the reading would tell (stepwise uncertainty reduction: Bect, Ginsbourger, Li, Picheny, Vazquez, Statistics and
Computing 22, 2012). It looks where the field looks, and never where a hill could hide: first spread touches evenly
until the blind spot is as small as agreed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET
from ..errors import InputError
from .earlier import Earlier
from .kernel import distances, six
from .nodes import Nodes
from .surface import Surface

__all__ = ["touch_first", "touch_next"]

_BINS = 8
WORTH = 0.01  # a smaller gain does not decide: the doubt is elsewhere
_REST = 0.001  # of the further ones of a batch, which come at the cost of one
_BESIDE = 0.25  # of the distance of the touches: nearer to one, a further touch feels the same place again


def touch_next(
    judged: Surface,
    at: Nodes,
    rng: np.random.Generator,
    *,
    count: int = 5,
    u: float = 0.003,
    allowed: np.ndarray | None = None,
) -> pd.DataFrame:
    """Choose a batch of further touches among the nodes.

    Parameters
    ----------
    judged : Surface
    at : Nodes
        The nodes that it was judged at.
    rng : numpy.random.Generator
    count : int
        How many.
    u : float
        Standard uncertainty of a touch [mm].
    allowed : (m,) bool, optional
        Nodes that the probe can reach; default all.

    Returns
    -------
    DataFrame
        One row per touch, best first: x0 y0 z0, i j k, `face` (its number), `gain` (expected fall of P (1 - P)); none
        nearer to another or to a touched place than a quarter of the distance of the touches. Empty if no touch gains a
        hundredth: then more touches do not decide; the doubt is in set-up, tool offset or budget.

    Raises
    ------
    InputError
        If the nodes are not those of the surface, or none is allowed.
    """
    fields, inside = judged.fields.copy(), judged.inside.astype(float)
    if fields.shape[1] != len(at.places):
        raise InputError("these are not the nodes of the surface", found=len(at.places), expected=fields.shape[1])
    free, points, beside = _free(at, allowed), six(at.places, at.normals), _BESIDE * judged.belief.apart
    if not free.any():
        raise InputError("no node is allowed", expected="some that the probe can reach")
    free &= distances(points, judged.belief.points).min(axis=1) > beside
    chosen: list[int] = []
    gains: list[float] = []
    for _ in range(count):
        if not free.any():
            break
        read = fields + u * rng.standard_normal(fields.shape)
        gain = np.where(free, _told(read, inside), -np.inf)
        best = int(gain.argmax())
        if gain[best] < (_REST if chosen else WORTH):
            break
        chosen.append(best)
        gains.append(float(gain[best]))
        free &= distances(points, points[best : best + 1])[:, 0] > beside
        off = read[:, best] - read[:, best].mean()
        slope = off / max(float(off @ off), 1e-30)  # what the reading tells is taken off by regression over the fields
        fields -= off[:, None] * (slope @ (fields - fields.mean(axis=0)))
        inside = inside - off * float(slope @ (inside - inside.mean()))
    table = pd.DataFrame(np.hstack([at.places, at.normals])[chosen], columns=[*TARGET, *NORMAL])
    return table.assign(face=at.face[chosen], gain=gains)


def touch_first(
    earlier: Earlier,
    at: Nodes,
    limits: tuple[float, float],
    *,
    count: int,
    u: float = 0.003,
    allowed: np.ndarray | None = None,
) -> pd.DataFrame:
    """Where the first touches of a part tell most, by what earlier parts have shown, before it is touched.

    Parameters
    ----------
    earlier : Earlier
        See `learn_prior`.
    at : Nodes
        Places to choose among.
    limits : (lower, upper)
        Of the deviation [mm].
    count : int
        How many.
    u : float
        Standard uncertainty of a touch [mm].
    allowed : (m,) bool, optional
        Nodes that the probe can reach; default all.

    Returns
    -------
    DataFrame
        One row per touch, best first: x0 y0 z0, i j k, `face` (its number), `gain` (part of the variance that was left
        before it, weighed by how near the parts come to a limit).

    Raises
    ------
    InputError
        If more touches are wanted than nodes are allowed.

    Notes
    -----
    Each touch is the one that lessens the weighed variance over the surface most, given those before it (greedy
    A-optimal choice; the weight of a place is the normal density at its nearer limit). No hill is in it: look at the
    blind spot of what it chooses. Such touches stand unevenly: if the part turns out not to be like the earlier ones,
    they say less of it than even ones, and it has to be touched evenly as well.
    """
    from scipy import stats

    points = six(at.places, at.normals)
    mean, covariance = earlier.pattern(points)
    covariance = covariance + earlier.covariance_at(points) + earlier.offset**2
    free = _free(at, allowed)
    if not 0 < count <= int(free.sum()):
        raise InputError("more touches than places", found=count, expected=f"1 to {int(free.sum())}")
    sd = np.sqrt(np.diag(covariance))
    weight = stats.norm.pdf(np.minimum(limits[1] - mean, mean - limits[0]) / sd) + 1e-3
    chosen, gains = [], []
    for _ in range(count):
        total = float(weight @ np.diag(covariance))
        gain = (weight @ covariance**2) / (np.diag(covariance) + u**2)
        best = int(np.where(free, gain, -np.inf).argmax())
        chosen.append(best)
        gains.append(float(gain[best]) / total)
        free[best] = False
        row = covariance[best].copy()
        covariance = covariance - np.outer(row, row) / (row[best] + u**2)
    table = pd.DataFrame(np.hstack([at.places, at.normals])[chosen], columns=[*TARGET, *NORMAL])
    return table.assign(face=at.face[chosen], gain=gains)


def _free(at: Nodes, allowed: np.ndarray | None) -> np.ndarray:
    """(m,) nodes that may be touched: nobody touches an edge."""
    free = np.arange(len(at.places)) < len(at.places) - at.edges
    return free if allowed is None else free & np.asarray(allowed, dtype=bool)


def _told(read: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """(m,) variance between bins of the share of fields in the zone, by what they read at each node."""
    order = np.argsort(read, axis=0)
    share = np.array([inside[part].mean(axis=0) for part in np.array_split(order, _BINS)])
    spread = float(inside.var()) / (len(inside) / _BINS)  # what the bins differ by without telling anything
    return np.maximum(share.var(axis=0, ddof=1) - spread, 0.0)
