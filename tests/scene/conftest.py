from __future__ import annotations

import pytest
from scene import synthetic

from probekit import scene as pk_scene


@pytest.fixture(scope="session")
def nominal():
    return synthetic.part()


@pytest.fixture(scope="session")
def verdict(nominal):
    return synthetic.verdict(nominal)


@pytest.fixture(scope="session")
def built(nominal, verdict):
    return pk_scene.build(nominal, verdict, title="Bumpy <patch>")
