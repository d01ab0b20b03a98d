"""How every benchmark takes its times."""

from __future__ import annotations

import os
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


def cpu_seconds() -> float:
    """CPU seconds so far, user and system, of this process and of its children that have ended.

    Models are read in a process of their own, which `time.process_time` does not count.
    """
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system
