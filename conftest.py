"""For all tests, notebooks and examples: what probekit keeps between runs goes into a folder of this run alone."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """Name the folder; the processes that run the tests, and those that they start, inherit the name."""
    if not hasattr(config, "workerinput"):  # not one of several processes
        os.environ["PROBEKIT_CACHE"] = config.probekit_cache = tempfile.mkdtemp(prefix="probekit-cache-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Delete it."""
    shutil.rmtree(getattr(config, "probekit_cache", ""), ignore_errors=True)
