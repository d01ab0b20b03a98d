from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from probekit import report, touches
from probekit.report.tables import plain


def refuse(word):
    raise AssertionError(f"{word} is no JSON (RFC 8259)")


def test_json_is_strict_and_complete(verdict, results, tmp_path):
    path = tmp_path / "results.json"
    given = report.tables(verdict, **results, provenance=[("a", "b")], to_json=path)
    read = json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    assert read == given
    assert read["part"] == "does not conform"
    assert len(read["touches"]) == len(verdict.table)
    assert read["touches"][-1]["deviation"] is None
    assert read["touches"][-1]["reason"] == "overtravel reached & <b>no trigger</b>"
    assert read["touches"][3]["deviation"] == verdict.table["deviation"].iloc[3], "not a bit is lost"
    assert [e["actual"] for e in read["evaluations"]] == [e.actual for e in verdict.evaluations]
    assert np.array(read["alignment"]["motion"]).shape == (4, 4)
    assert read["alignment"]["free"] == ["tz", "rx", "ry"]
    assert read["action"]["suggestions"] == list(results["action"].suggestions)
    assert read["provenance"] == [["a", "b"]]


def test_csv_is_a_touches_file(verdict, tmp_path):
    path = tmp_path / "results.csv"
    report.tables(verdict, to_csv=path)
    read = touches.read(path)
    for column in ("deviation", "x", "lower", "p_conform"):
        np.testing.assert_array_equal(read[column].astype(float), verdict.table[column].astype(float))
    assert list(read["verdict"]) == list(verdict.table["verdict"])
    assert list(read["feature"]) == list(verdict.table["feature"])
    assert read.attrs["part"] == "patch <7>"
    assert set(read["along"]) == {"foot"}


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float32(0.5), 0.5),
        (np.nan, None),
        (-np.inf, None),
        (np.int64(3), 3),
        (np.bool_(True), True),
        (pd.NA, None),
        (np.array([[1.0, np.nan]]), [[1.0, None]]),
        ({"a": (1, None)}, {"a": [1, None]}),
        (pd.Timestamp("2026-11-25"), "2026-11-25 00:00:00"),
    ],
)
def test_plain(value, expected):
    assert plain(value) == expected
