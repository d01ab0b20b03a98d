"""How much a test tries: enough to see a fault in every run, and more where ``PROBEKIT_LONG_TESTS`` is set."""

from __future__ import annotations

import os

LONG = bool(os.environ.get("PROBEKIT_LONG_TESTS"))


def count(short: int, long: int) -> int:
    """How many to try: `short` in every run, `long` where time does not matter."""
    return long if LONG else short
