"""The scene that the tests of the notebook view share: the synthetic part of tests/scene."""

from __future__ import annotations

import pytest
from scene import synthetic

from probekit.scene import build
from probekit.scene.model import Scene


@pytest.fixture(scope="session")
def scene() -> Scene:
    part = synthetic.part()
    return build(part, synthetic.verdict(part))
