"""How every benchmark takes its times."""

from __future__ import annotations

import time
from collections.abc import Callable


def timed(call: Callable[[], object], repeat: int) -> tuple[float, object]:
    """Least time of some runs [s], and what the call gave."""
    times, result = [], None
    for _ in range(repeat):
        start = time.perf_counter()
        result = call()
        times.append(time.perf_counter() - start)
    return min(times), result
