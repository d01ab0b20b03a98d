"""A zone narrower than 4 u is said at planning and in the verdict."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tiny

from probekit.cli import main
from probekit.tolerance import Profile, profile
from probekit.verdict import classify, guarded, proved

BUDGET = ('[uncertainty]\nu = 0.003\nk = 2.0\n\n[decision]\nrule = "guarded"\n', "[budget]\nrepeatability_2s_um = 20\n")


@pytest.mark.parametrize(("width", "said"), [(0.0119, True), (0.0121, False)])
def test_in_the_verdict(width: float, said: bool) -> None:
    """u = 3 um: 4 u is 12 um."""
    table = Profile(width=width)._table(np.zeros(5), profile(np.zeros(2), 0.1).freedom).assign(feature="f")
    verdict = classify(table, profile(table, width), rule=proved(), u=0.003)
    assert any("less than 4 u = 0.012 mm" in note for note in verdict.tolerances["notes"][0]) == said
    assert not any(
        "4 u" in note for note in classify(table, profile(table, width), rule=guarded(), u=0.003).tolerances["notes"][0]
    )


@pytest.mark.parametrize(("width", "said"), [(0.03, True), (0.1, False)])
def test_at_planning_by_the_budget(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], width: float, said: bool
) -> None:
    """2 s of 20 um alone are u = 10 um, so 4 u is more than 40 um."""
    study = tiny.write(tmp_path, BUDGET, ("width = 0.1\n", f"width = {width}\n"))
    assert main(["plan", str(study)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert (f"tolerance 'top': its width of {width:g} mm is less than 4 u" in told) == said
