"""Few poses, and one pose per feature where that is possible: errors of the rotary axes then stay out of a feature."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ...errors import InputError

__all__ = ["common_poses", "few_poses", "mixed_features"]


def common_poses(targets: pd.DataFrame) -> dict[object, set[int]]:
    """Feature -> poses that would do for all of its targets that can be touched; empty where no single one does.

    Parameters
    ----------
    targets : DataFrame
        After reach, with `feature` and `directions`.
    """
    found: dict[object, set[int]] = {}
    for feature, ways in zip(targets["feature"], targets["directions"], strict=True):
        if len(ways):
            found[feature] = found[feature] & set(ways) if feature in found else set(ways)
    return found


def few_poses(targets: pd.DataFrame, poses: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    """Few poses that still reach all that can be reached, and whole features first.

    `reach` does this by itself with ``fewest=True``.

    Parameters
    ----------
    targets : DataFrame
        After reach, with `directions`: all poses that would do for each target. With `feature`, a feature that one
        pose reaches wholly counts as reached only by such poses.
    poses : sequence of (n_axes,) float
        What `directions` points into [degree].

    Returns
    -------
    tuple of (n_axes,) tuples
        In the order of `poses`.

    Raises
    ------
    InputError
        If the targets have no `directions`.

    Notes
    -----
    The greedy cover: each time the pose that reaches most of the targets left, of equal ones the first. It takes at
    most 1 + ln(n) times the least number (V. Chvatal, Math. of Operations Research 4 (1979) 233-235, from memory).
    """
    if "directions" not in targets.columns:
        raise InputError("the targets have no poses", column="directions", todo="Run probekit.plan.reach first.")
    common = common_poses(targets) if "feature" in targets.columns else {}
    features = targets["feature"] if "feature" in targets.columns else [None] * len(targets)
    pairs = zip(features, targets["directions"], strict=True)
    left = [common.get(feature) or set(ways) for feature, ways in pairs if len(ways)]
    taken: set[int] = set()
    while left:
        count = [sum(pose in ways for ways in left) for pose in range(len(poses))]
        best = int(np.argmax(count))
        taken.add(best)
        left = [ways for ways in left if best not in ways]
    return tuple(tuple(float(angle) for angle in poses[pose]) for pose in sorted(taken))


def mixed_features(targets: pd.DataFrame) -> str:
    """What to say of features that are touched in several poses; empty if there is none.

    Parameters
    ----------
    targets : DataFrame
        After reach, with `feature`, `reachable` and `direction`.
    """
    able = targets[targets["reachable"].to_numpy(bool)]
    counts = able.groupby("feature", sort=False)["direction"].nunique()
    several = [f"{feature or 'touches without a feature'} in {count}" for feature, count in counts.items() if count > 1]
    if not several:
        return ""
    return (
        f"touched in several poses, as no single one reaches all of it: {', '.join(several)}. An error of the rotary "
        "axes mixes into what is measured there"
    )
