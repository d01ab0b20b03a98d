"""Which touches earn their time: those that decide, come near a limit, or tell what no other touch tells."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["LEAST", "earning", "foretold"]

#: Parts from which on a touch may be called one that could be spared (common practice has no number; by the rule of
#: three a touch that never decided in 20 parts may still decide in one of seven).
LEAST = 20

_NEAR = 0.5  # share of the zone from which on a touch is near a limit
_TOLD = 0.05  # share of the width of the zone to within which a neighbour must tell a touch
_LESS = 0.8  # share of its own sd below which what is left was told by the neighbour, not by the mean
_FOLDS = 5


def earning(
    deviations: pd.DataFrame,
    share: pd.DataFrame,
    width: pd.Series,
    feature: pd.Series,
    ruled: pd.Series,
    held: set[str],
) -> pd.DataFrame:
    """What each touch has been good for.

    Parameters
    ----------
    deviations : (parts, touches) DataFrame
        Deviation of each touch on each part [mm]; NaN where it was missed.
    share : (parts, touches) DataFrame
        Of the zone that each took up, 1 at a limit; NaN where no zone judges it.
    width : Series by touch
        Of its zone [mm]; NaN without one.
    feature : Series by touch
    ruled : Series by touch
        Parts in which it determined an actual value.
    held : set of str
        Features that the alignment rests on: their touches are never to be spared.

    Returns
    -------
    DataFrame
        `touch, feature, parts, sd` of its deviation over parts [mm], `ruled` (parts), `nearest` (largest share),
        `told_by` (the touch of its feature that tells it best), `left` (rms of what that one does not tell, on parts
        that were not used to learn it [mm]), `word`.
    """
    rows: list[tuple[object, ...]] = []
    told = {name: (by, left) for name, by, left in foretold(deviations, feature)}
    spared: set[object] = set()
    order = sorted(deviations.columns, key=lambda name: (np.nan_to_num(told[name][1], nan=np.inf), str(name)))
    words = {}
    for name in order:
        by, left = told[name]
        words[name] = _word(
            int(deviations[name].notna().sum()),
            int(ruled.get(name, 0)),
            float(np.nanmax(share[name])) if share[name].notna().any() else np.nan,
            left / width[name] if width[name] > 0 else np.nan,
            feature[name] in held,
            quiet := not left < _LESS * float(deviations[name].std(ddof=1)),
            by in spared and not quiet,
        )
        if words[name].startswith("could"):
            spared.add(name)
    for name in deviations.columns:
        by, left = told[name]
        known = deviations[name].dropna()
        nearest = float(np.nanmax(share[name])) if share[name].notna().any() else np.nan
        sd = float(known.std(ddof=1)) if len(known) > 1 else np.nan
        rows.append((name, feature[name], len(known), sd, int(ruled.get(name, 0)), nearest, by, left, words[name]))
    names = ["touch", "feature", "parts", "sd", "ruled", "nearest", "told_by", "left", "word"]
    return pd.DataFrame(rows, columns=names)


def foretold(deviations: pd.DataFrame, feature: pd.Series) -> list[tuple[object, object, float]]:
    """Of each touch the touch of its feature that tells it best, and the rms of what is left [mm].

    The neighbour and the line are learned on four fifths of the parts and tried on the rest, in turn, so that chance
    likeness among many touches does not count.

    Parameters
    ----------
    deviations : (parts, touches) DataFrame
    feature : Series by touch
    """
    found: list[tuple[object, object, float]] = []
    for _, names in feature.groupby(feature, sort=False).groups.items():
        table = deviations[list(names)].dropna()
        values = table.to_numpy()
        n, m = values.shape
        if n < 2 * _FOLDS or m < 2:
            found += [(name, "", np.nan) for name in names]
            continue
        fold = np.arange(n) % _FOLDS
        off = np.empty_like(values)
        for k in range(_FOLDS):
            learn, tried = values[fold != k], values[fold == k]
            best, slope, mean = _neighbours(learn)
            off[fold == k] = tried - mean - slope * (tried[:, best] - mean[best])
        best, _, _ = _neighbours(values)
        left = np.sqrt((off**2).mean(axis=0))
        found += [(name, names[best[k]], float(left[k])) for k, name in enumerate(names)]
    return found


def _neighbours(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each column the column most like it, the slope of the line on it, and the means (m,)."""
    mean = values.mean(axis=0)
    centred = values - mean
    cov = centred.T @ centred
    size = np.sqrt(np.diag(cov))
    safe = np.where(size > 0, size, np.inf)
    like = np.abs(cov / np.outer(safe, safe))
    np.fill_diagonal(like, -1.0)
    best = like.argmax(axis=1)
    squares = np.diag(cov)[best]
    rows = np.arange(len(best))
    return best, np.divide(cov[rows, best], squares, out=np.zeros(len(best)), where=squares > 0), mean


def _word(parts: int, ruled: int, nearest: float, left: float, held: bool, quiet: bool, neighbour_spared: bool) -> str:
    if ruled:
        return f"earns its time: decided in {ruled} of {parts} part{'' if parts == 1 else 's'}"
    if held:
        return "earns its time: the alignment rests on it"
    if not np.isnan(nearest) and nearest >= _NEAR:
        return "earns its time: came near a limit"
    if parts < LEAST:
        return f"too few parts to say ({parts} of {LEAST})"
    if np.isnan(left) or left > _TOLD:
        return "earns its time: no other touch tells it"
    if neighbour_spared:
        return "earns its time: it stands in for a touch that could be spared"
    most = 1 - 0.05 ** (1 / parts)
    why = "it hardly changes" if quiet else "another tells it"
    return f"could be spared: {why}, never decided (95 %: in at most {100 * most:z.0f} % of parts)"
