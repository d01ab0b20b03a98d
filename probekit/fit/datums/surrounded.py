"""Whether the touches of a feature of size stand round it, so that they hold its envelope.

    max over w of min_i w_i    with  A' w = 0,  M' w = 1,  w >= 0

A is the change of the deviations (n, k) with what the datum takes, M (n, m) which touches belong to which free size. An
envelope rests where forces w of the touches cancel; if that takes a force from every touch, none of them can be left by
a small motion without another one being pressed. On half of a ball or a cylinder, or on the shifted sides of a slot,
they do not cancel: a larger bore, or a smaller boss, fits beside them, far from the feature, and scatter decides where.
"""

from __future__ import annotations

import numpy as np

__all__ = ["surrounded"]

_SEEN = 2e-3  # a motion that moves the touches by less than this part of the others is not seen by them
_HELD = 0.05  # least force of a touch, of the mean: on a cylinder touches have to span about 183 degrees


def surrounded(slope: np.ndarray, member: np.ndarray) -> bool:
    """Whether touches hold an envelope: `slope` (n, k), `member` (n, m); True where nothing is to be held.

    Parameters
    ----------
    slope : (n, k) float
        Change of the deviation of each touch with each motion that is taken.
    member : (n, m) float
        1 where a touch belongs to a size that is free.
    """
    from scipy.optimize import linprog

    if not slope.shape[1] or not member.shape[1]:
        return True
    _, size, way = np.linalg.svd(slope, full_matrices=False)
    seen = slope @ way[size > _SEEN * max(float(size.max()), 1e-300)].T
    sized = member.any(axis=1)
    n, held = len(slope), np.hstack([seen, member])
    equal = np.hstack([held.T, np.zeros((held.shape[1], 1))])
    more = np.hstack([-np.eye(n)[sized], np.ones((int(sized.sum()), 1))])  # the least is no more than each
    right = np.concatenate([np.zeros(seen.shape[1]), np.ones(member.shape[1])])
    cost = np.append(np.zeros(n), -1.0)
    found = linprog(cost, A_ub=more, b_ub=np.zeros(len(more)), A_eq=equal, b_eq=right, method="highs")
    return bool(found.status == 0 and -found.fun * sized.sum() > _HELD * member.shape[1])
