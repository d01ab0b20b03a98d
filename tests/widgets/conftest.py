"""The scene that the tests of the notebook view share: the synthetic part of tests/scene."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from probekit.scene import Scene, build

SYNTHETIC = Path(__file__).parents[1] / "scene" / "synthetic.py"


@pytest.fixture(scope="session")
def synthetic():
    spec = importlib.util.spec_from_file_location("widget_synthetic", SYNTHETIC)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def scene(synthetic) -> Scene:
    part = synthetic.part()
    return build(part, synthetic.verdict(part))
