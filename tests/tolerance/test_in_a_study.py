"""Tolerances of other kinds through a whole study: verdict, suggestions, page and tables."""

import json

import pytest
from thorough import some
from tolerance.inspected import elsewhere

import probekit as pk
from probekit.demo import demo_folder

FORM = """
[[tolerance]]
kind = "flatness"
name = "flat base"
features = ["base_top"]
width = 0.02
"""
PLACE = """
[[tolerance]]
kind = "position"
features = ["bore"]
width = 0.05
modifier = "M"
limits = [19.98, 20.02]
at = [-45, 26, 0]
direction = [0, 0, 1]
datums = ["A", "B", "C"]

[[tolerance]]
kind = "size"
features = ["bore"]
limits = [19.98, 20.02]
"""
SKIN = """
[[tolerance]]
name = "skin"
features = ["skin"]
width = 0.2
"""


@pytest.mark.parametrize("wanted", some([FORM + PLACE, PLACE, FORM + PLACE + SKIN]))
def test_whole_job(wanted, tmp_path):
    folder = demo_folder() / "foil"
    text = (folder / "study_mesh.toml").read_text(encoding="utf-8")
    start, end = text.index("[[tolerance]]"), text.index("[uncertainty]")
    text = text[:start] + wanted + "\n" + text[end:]
    path = tmp_path / "study.toml"
    path.write_text(elsewhere(text, folder), encoding="utf-8")
    found = pk.study.run(pk.study.load(path))
    words = found.verdict.features.set_index("feature")["verdict"]
    assert words["bore"] == "conforms"
    assert words["slot"] == "unjudged"
    assert words["base_top"] == ("conforms" if FORM in wanted else "unjudged")
    assert found.verdict.part == ("does not conform" if SKIN in wanted else "conforms")
    assert len(found.action.table) == (0 if SKIN not in wanted else 6)
    files = pk.study.write(found, tmp_path / "out")
    page = files["report"].read_text(encoding="utf-8")
    assert "Position of an axis at maximum material condition." in page
    kinds = [one["kind"] for one in json.loads(files["json"].read_text(encoding="utf-8"))["evaluations"]]
    assert ("size, two point" in kinds, len(kinds)) == (True, wanted.count("[[tolerance]]"))
