"""One number u for each touch, which does not say how much of it the touches share.

A radius that is off by u moves all touches outward together: a diameter by 2 u however many touches there are, a
thickness measured from a datum plane on the other side by 2 u, the place of an axis not at all. Scatter of each touch
by itself does less to a mean and more to an axis. The larger of both covers any share between, for u^2 is linear in the
share; a budget says the share, and saves the caution.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..uncertainty import Scatter
from .propagation import OWN, if_common, judged_scatter

if TYPE_CHECKING:
    from .evaluation import Evaluation

__all__ = ["each", "in_common", "of_sum", "said"]

_CLEARLY = 1.3  # times what scatter alone would give, from which it is said


def says_nothing(scatter: Scatter) -> bool:
    """Whether one number u per touch is all that is known, nothing of what they share."""
    return not scatter.causes and scatter.own_causes is None


def in_common(one: Evaluation, scatter: Scatter, change: np.ndarray | None = None) -> np.ndarray | None:
    """What `if_common` gives [mm]; None where the scatter says what is shared."""
    return if_common(one, scatter, change) if says_nothing(scatter) else None


def each(one: Evaluation, scatter: Scatter) -> Scatter:
    """Scatter of each deviation judged; no less than if all were common, where nothing says how much of it is."""
    judged = judged_scatter(one, scatter)
    common = in_common(one, scatter)
    if one.carried is None or common is None:
        return judged
    more = np.sqrt(np.maximum(common**2 - judged.u**2, 0.0))
    return judged.with_causes(more[:, None], (OWN,))


def of_sum(one: Evaluation, scatter: Scatter) -> tuple[float, Scatter]:
    """Standard uncertainty [mm] of a value judged as a whole, by its change with each touch; and its scatter."""
    judged = judged_scatter(one, scatter, one.gradient[None])
    common = in_common(one, scatter, one.gradient[None])
    return max(float(judged.u[0]), 0.0 if common is None else abs(float(common[0]))), judged


def said(u: float, alone: float) -> tuple[str, ...]:
    """What to know where a standard uncertainty is clearly more than that of touches that share nothing [mm]."""
    if not (np.isfinite(u) and u > _CLEARLY * alone > 0):
        return ()
    return (
        f"one u per touch does not say what touches share: all of it is counted as common to them, which is "
        f"{u / alone:.1f} times what scatter alone gives; a [budget] says how much is",
    )
