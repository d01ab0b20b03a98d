"""A good run on the pad of `pad.py`, inspected by the command line after a change."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from plausibility import pad

import probekit as pk
from probekit.cli import main


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a good run."""
    return pad.write(tmp_path_factory.mktemp("pad")).parent


@pytest.fixture
def inspect(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, dict | None, str]]:
    """Inspect the good run changed: exit status, all that was printed, results.json and the page, if any."""

    def one(
        change: Callable[[pd.DataFrame], pd.DataFrame | None] | None = None, *changes: tuple[str, str], more: str = ""
    ) -> tuple[int, str, dict | None, str]:
        folder = tmp_path / "study"
        shutil.copytree(good, folder)
        if change is not None:
            table = pk.touches.read(folder / "touches.csv")
            table.attrs = {"unit": "mm", "recorded": table.attrs["recorded"]}
            changed = change(table)
            pk.touches.write(table if changed is None else changed, folder / "touches.csv")
        text = (folder / "study.toml").read_text()
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        beside = f'\n[study]\noutside = ["{tmp_path.parent.as_posix()}"]\n'  # where tests put models and plans
        (folder / "study.toml").write_text(text + more + beside)
        capsys.readouterr()
        status = main(["inspect", str(folder / "study.toml")])
        told = capsys.readouterr()
        written = folder / "results" / "results.json"
        if not written.exists():
            assert not (folder / "results" / "report.html").exists()
            return status, " ".join(told.err.split()), None, ""
        page = (folder / "results" / "report.html").read_text()
        return status, " ".join(told.out.split()), json.loads(written.read_text()), page

    return one
