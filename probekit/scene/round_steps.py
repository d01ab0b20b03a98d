"""Round numbers for scales: 1, 2, 5 times a power of ten."""

from __future__ import annotations

import numpy as np

__all__ = ["round_down", "ticks"]


def round_down(value: float) -> float:
    """The largest of 1, 2, 5, 10, ... that is not above a positive number."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step * power for step in (1, 2, 5) if step * power <= value))


def ticks(low: float, high: float, about: int = 4) -> np.ndarray:
    """Round numbers from `low` to `high`, about so many."""
    raw = (high - low) / about
    power = 10.0 ** np.floor(np.log10(raw))
    step = power * next(one for one in (1, 2, 5, 10) if one * power >= raw * (1 - 1e-9))
    found = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step
    return np.where(np.abs(found) < 1e-9 * step, 0.0, found)
