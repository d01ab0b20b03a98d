"""A trial of the tiny study's program: every scenario, and the end that it has by the geometry of the block."""

from __future__ import annotations

import json

import pytest
import tiny

import probekit as pk
from probekit.cli import main

CLAMP = """\
clamps = [{kind = "box", name = "far clamp", low = [-40, 5, 0], high = [-20, 35, 15]}]
"""


@pytest.fixture(scope="module")
def tried(tmp_path_factory):
    """Of the block, touched from above, with a clamp of the trial's own 20 mm beside it."""
    path = tiny.write(tmp_path_factory.mktemp("tiny"))
    path.write_text(path.read_text() + CLAMP)
    study = pk.study.load(path)
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    ran = pk.study.simulate(study, planned, programmed)
    return pk.study.trial(study, planned, programmed, ran)


def row(tried, name):
    return tried.table.set_index("scenario").loc[name]


@pytest.mark.parametrize(
    "name", ["as stated", "nominal", "shift within, up", "shift within, down", "shift within, aside", "oversize"]
)
def test_what_the_plan_bears_runs_to_its_end(tried, name):
    one = row(tried, name)
    assert (one.found, one.missed, one.as_expected) == ("completes", 0, True)


@pytest.mark.parametrize("name", ["shift outside, down", "missed", "probe stuck", "wrong H, too long"])
def test_what_it_does_not_bear_stops_at_the_first_touch(tried, name):
    one = row(tried, name)
    assert (one.found, one.as_expected) == ("stops", True)
    assert one.touches <= 1


@pytest.mark.parametrize("name", ["shift outside, up", "stock left", "wrong H, too short"])
def test_an_approach_that_nothing_watches_runs_into_the_part_and_is_told(tried, name):
    """The approach is a plain move: a part 3 mm higher than a standoff of 2 mm is hit by it."""
    one = row(tried, name)
    assert (one.found, one.as_expected) == ("runs into something", False)
    assert "the ball runs into the part" in one.said
    assert name in tried.uncaught
    assert name in tried.sentence


def test_clamps_that_stand_far_off_do_no_harm(tried):
    assert row(tried, "clamps moved, up").as_expected
    assert tried.failed == ()


def test_all_of_it_stands_in_the_files_and_on_the_sheet(tmp_path, capsys):
    path = tiny.write(tmp_path)
    assert main(["simulate", str(path)]) == 0
    said = capsys.readouterr().out
    told = json.loads((tmp_path / "results" / "trial.json").read_text())
    sheet = (tmp_path / "results" / "release.html").read_text()
    assert told["sentence"].split(";")[0] in " ".join(said.split())
    assert {"nominal", "stock left", "wrong offset"} <= {one["scenario"] for one in told["scenarios"]}
    assert "Trial on a model of the machine" in sheet
    assert "NOT SO: runs into something" in sheet
    assert sheet.count("<td>stock left</td>") == 1


def test_a_clamp_in_the_way_fails_the_trial(tmp_path, capsys):
    """A clamp that the study forgot stands on the block."""
    path = tiny.write(tmp_path)
    forgotten = (
        CLAMP.replace("far clamp", "forgotten")
        .replace("[-40, 5, 0]", "[5, 5, 10]")
        .replace("[-20, 35, 15]", "[55, 35, 30]")
    )
    path.write_text(path.read_text() + forgotten)
    assert main(["simulate", str(path)]) == 1
    assert "runs into the fixture 'forgotten'" in " ".join(capsys.readouterr().out.split())
