"""A verdict says by itself where the touches were judged: as clamped, or without the uncertainty of the alignment."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from plausibility.jobs import Job, on_pad

import probekit as pk


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return on_pad(tmp_path_factory.mktemp("pad"))


def judged(table: pd.DataFrame, alignment: pk.fit.alignment.Alignment | None = None):
    top = pk.tolerance.profile(table, width=0.15, features=["top"])
    return pk.verdict.classify(table, top, rule=pk.verdict.guarded(), u=0.003, alignment=alignment)


def test_a_forgotten_alignment_is_said(job, tmp_path: Path):
    how = pk.deviation.Projection(job.part, job.stylus)
    clamped = how.project(job.touches)
    alignment = pk.fit.rigid(clamped, how, features=job.features)
    moved = alignment.apply(job.touches)
    aligned = how.project(moved)
    assert judged(clamped).sentence.endswith("as clamped: no alignment was made")
    assert "as clamped" in judged(clamped)._repr_html_()
    told = "aligned by least squares; the uncertainty of that is not counted, for alignment= was not given"
    assert judged(aligned).sentence.endswith(told)
    assert judged(aligned, alignment).placement == ""
    pk.touches.write(moved, tmp_path / "moved.csv")  # what was done stays with the table
    assert judged(how.project(pk.touches.read(tmp_path / "moved.csv"))).sentence.endswith(told)
