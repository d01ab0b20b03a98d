"""For all tests, notebooks and examples: a folder of the run for what probekit keeps, and one thread a process."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """Name the folder; the processes that run the tests, and those that they start, inherit the name.

    Small matrix products on several threads wait for each other where two processes share the cores: notebook 12 took
    twelve times as long so.
    """
    if not hasattr(config, "workerinput"):  # not one of several processes
        for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            os.environ.setdefault(threads, "1")
        os.environ.setdefault(
            "PROBEKIT_READ_APART", "off"
        )  # hundreds of models; those of tests/nominal/test_apart.py are
        os.environ["PROBEKIT_CACHE"] = config.probekit_cache = tempfile.mkdtemp(prefix="probekit-cache-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Delete it."""
    shutil.rmtree(getattr(config, "probekit_cache", ""), ignore_errors=True)
