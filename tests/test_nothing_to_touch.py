"""What a person is told where nothing, or too much, is to be touched."""

from __future__ import annotations

from pathlib import Path

import pytest
import tiny

from probekit.cli import main

FRONT = (('face = "top"', 'face = "front"'), ("margin = 1.0", "margin = 1.0\nmax_angle = 30.0"))


def test_a_plan_that_reaches_nothing_lists_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wall, and a stem that may lean 30 degrees at most: each target is left out with its own reason."""
    study = tiny.write(tmp_path, *FRONT)
    assert main(["plan", str(study)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "0 of 3 targets can be touched" in told
    assert told.count("every allowed direction is more than 30 degrees from the normal") == 3
    assert main(["program", str(study)]) == 2
    refused = capsys.readouterr().err
    assert "no target can be touched" in refused
    assert "more than 30 degrees from the normal" in refused


def test_more_targets_than_the_dialect_can_keep_are_refused_before_reach(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """RS274/NGC has parameters for 1333 triggers."""
    monkeypatch.setattr("probekit.study.preparation.planning.reach", lambda *_, **__: pytest.fail("planned already"))
    study = tiny.write(tmp_path, ("spacing = 20.0", "spacing = 1.0"))
    assert main(["plan", str(study)]) == 2
    assert "expected at most 1333" in capsys.readouterr().err
