"""How much a test tries: enough to see a fault in every run, and more where ``PROBEKIT_LONG_TESTS`` is set."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Any

import pytest

LONG = bool(os.environ.get("PROBEKIT_LONG_TESTS"))


def count(short: int, long: int) -> int:
    """How many to try: `short` in every run, `long` where time does not matter."""
    return long if LONG else short


def some(values: Iterable[Any], every: int = 2) -> list[Any]:
    """Of many alike the first and every second (third, ...) after it in every run, all where time does not matter.

    Values are those of `pytest.mark.parametrize`: names, or tuples of several arguments.
    """
    return [
        pytest.param(*(one if isinstance(one, tuple) else (one,)), marks=() if k % every == 0 else pytest.mark.long)
        for k, one in enumerate(values)
    ]
