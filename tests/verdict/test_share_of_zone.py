"""Touches are ranked by the share of their own zone, not by millimetres to a limit."""

import numpy as np
import pandas as pd
import pytest
import tiny

from probekit import cli, report
from probekit.tolerance import profile
from probekit.verdict import classify, simple
from probekit.verdict.rules import share_of_zone

NAN, INF = np.nan, np.inf


def test_share_in_closed_form():
    d = [0.0, 0.05, -0.05, 0.1, 0.0, NAN, 0.03, 0.2, -0.1]
    low = [-0.05, -0.05, -0.05, -0.05, 0.0, -0.1, -INF, -INF, 0.0]
    up = [0.05, 0.05, 0.05, 0.05, 0.1, 0.1, 0.1, 0.1, 0.0]
    assert share_of_zone(np.array(d), np.array(low), np.array(up)) == pytest.approx(
        [0, 1, 1, 2, 1, NAN, 0, INF, INF], nan_ok=True
    )


def judged(seed=5):
    """A wide zone (0.15) with a touch near its limit, and a narrow one (0.03) whose touches lie near its middle."""
    wide = np.array([0.0383, 0.060, -0.020])
    narrow = 0.0004 + np.random.default_rng(seed).normal(0, 0.0005, 3)
    table = pd.DataFrame({"touch": range(1, 7), "feature": [*"www", *"nnn"], "deviation": [*wide, *narrow]})
    table["face"] = table["feature"]
    table = table.assign(**{f"foot_{axis}": 0.0 for axis in "xyz"})
    return classify(table, profile(table, 0.15, features=["w"]), profile(table, 0.03, features=["n"]), rule=simple())


def test_a_touch_in_the_middle_of_a_narrow_zone_is_not_among_the_worst():
    table = judged().table
    assert table["touch"][table["margin"].idxmin()] in (2, 4, 5, 6)
    ranked = table.nlargest(3, "share")["touch"].tolist()
    assert ranked == [2, 1, 3]
    assert table["share"][1] == pytest.approx(0.8)


def test_the_share_stands_in_the_json():
    content = report.tables(judged())
    assert content["touches"][1]["share"] == pytest.approx(0.8)


def test_the_summary_ranks_by_share(tmp_path, capsys):
    tiny.write(tmp_path)
    cli.main(["inspect", str(tmp_path / "study.toml")])
    said = capsys.readouterr().out.split("Worst touches")[1].splitlines()[1:6]
    shares = [float(line.split("%")[0].split()[-1]) for line in said]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) == 5
