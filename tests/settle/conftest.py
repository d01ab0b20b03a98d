"""A small page that can be answered."""

from __future__ import annotations

from pathlib import Path

import pytest
from scene import synthetic

from probekit import report, settle
from probekit import scene as pk_scene


@pytest.fixture(scope="session")
def answered(tmp_path_factory) -> Path:
    """Path of the page. Do not change it."""
    nominal = synthetic.part(6)
    verdict = synthetic.verdict(nominal, 30)
    scene = pk_scene.build(nominal, verdict, title="Invented <patch> & $co")
    return report.page(scene, verdict, to=tmp_path_factory.mktemp("answered") / "report.html")


@pytest.fixture
def page(answered):
    return settle.read_page(answered)
