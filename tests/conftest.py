"""Fixtures for all tests: the demo study, run once, and a browser."""

from __future__ import annotations

import importlib.util
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from thorough import LONG, count

import probekit as pk

REPOSITORY = Path(__file__).parent.parent

# The same examples in every run, and no clock: a slow machine fails nothing. PROBEKIT_RANDOM_TESTS=1 draws others.
settings.register_profile(
    "ci",
    max_examples=count(50, 300),
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("random", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("random" if os.environ.get("PROBEKIT_RANDOM_TESTS") else "ci")


@pytest.fixture(scope="session")
def study_name() -> str:
    """Which of the two demo studies: on the STEP file, or without the CAD kernel on the mesh."""
    return "study.toml" if importlib.util.find_spec("OCP") else "study_mesh.toml"


@pytest.fixture(scope="session")
def demo_study(study_name: str) -> Path:
    """The study file of the shipped demo."""
    return REPOSITORY / "data" / "foil" / study_name


@pytest.fixture(scope="session")
def demo(demo_study: Path) -> pk.study.inspection.Inspection:
    """The demo, inspected. Do not change it."""
    return pk.study.run(pk.study.load(demo_study))


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a Chromium; tests that need one are skipped where there is none, or fail if one is required."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        if os.environ.get("PROBEKIT_REQUIRE_BROWSER"):
            pytest.fail("PROBEKIT_REQUIRE_BROWSER is set, but there is no Chromium on the path")
        pytest.skip("no Chromium on the path: install it to run the browser tests")
    return path


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave long tests to long runs; run a browser test that fails again, at most twice: a busy machine draws late."""
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=2))
    if not LONG:
        items[:] = [item for item in items if not item.get_closest_marker("long")]
