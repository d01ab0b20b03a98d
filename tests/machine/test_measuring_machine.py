"""The virtual measuring machine beside the virtual milling machine: the same touches of the same part, by two texts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measuring import measuring_study

import probekit as pk
from probekit.machine.errors import MissedTriggers, Stuck
from probekit.study.running import machine_of, ran
from probekit.study.trying import trial


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    study = pk.study.load(measuring_study(tmp_path_factory.mktemp("machine"), "study_mesh.toml"))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    return study, planned, programmed, machine_of(study, planned, programmed)


def moved(solid: pk.nominal.Nominal, way: tuple[float, float, float]) -> pk.nominal.Nominal:
    return replace(solid, vertices=solid.vertices + np.array(way), brep=None)


def test_it_touches_where_the_milling_machine_does(done) -> None:
    study, planned, _, arguments = done
    common = {key: arguments[key] for key in ("made", "probe", "kinematics", "fixtures")}
    own = pk.machine.measuring.run_measuring(done[2].text, **common)
    moves = [move for move in planned.moves if type(move).__name__ not in ("StopIf", "Confirm")]
    text = pk.program.write(moves, "rs274", kinematics=planned.kinematics, probe=planned.probe, whole=True)
    other = pk.machine.run(text, home=(0.0, 0.0, 400.0), **common)
    assert (own.stopped, other.stopped) == ("", "")
    assert own.table["touch"].tolist() == other.table["touch"].tolist()
    for columns in (["x", "y", "z"], ["x0", "y0", "z0"], ["turn_x", "turn_y", "turn_z"]):
        np.testing.assert_allclose(own.table[columns], other.table[columns], atol=3e-4)
    np.testing.assert_allclose(own.table[["ai", "aj", "ak"]], other.table[["ai", "aj", "ak"]], atol=3e-4)
    assert study.settings["program"]["dialect"] == "dmis"


@pytest.mark.parametrize(
    ("changes", "words", "line"),
    [
        ({"errors": (MissedTriggers(1.0),)}, "no trigger", r"PTMEAS"),
        ({"errors": (Stuck(),)}, "signals before", r"PTMEAS"),
        ({"clamp": (60.0, 35.0, 0.0)}, "runs into", r"GOTO"),
    ],
)
def test_it_stops_where_a_machine_would(done, changes, words, line) -> None:
    _, planned, programmed, arguments = done
    arguments = arguments | {"made": pk.machine.AsMade(planned.part), "errors": ()}
    if "clamp" in changes:
        changes = {"fixtures": tuple(moved(one, changes["clamp"]) for one in arguments["fixtures"])}
    found = ran(programmed, arguments | changes)
    assert words in found.stopped
    assert programmed.text.splitlines()[found.stopped_line - 1].startswith(line)
    assert not found.table["reason"].eq("").all() or words != "no trigger"


@pytest.mark.long
def test_a_trial_has_a_row_for_all_that_a_measuring_machine_can_be_tried_with(done) -> None:
    study, planned, programmed, arguments = done
    first = ran(programmed, arguments)
    assert any("IS OUTSIDE ITS LIMITS" in words for words in first.findings)  # a hill and a skin that is left
    table = trial(study, planned, programmed, first).table.set_index("scenario")
    assert {"nominal", "shift within, aside", "missed", "probe stuck", "clamps moved, up"} <= set(table.index)
    assert not [name for name in table.index if name.startswith(("wrong H", "axis"))]
    ends = table["found"].to_dict()
    assert {ends[name] for name in table.index if name.startswith(("nominal", "shift within", "oversize"))} == {
        "completes"
    }
    assert ends["missed"] == ends["probe stuck"] == ends["shift outside, down"] == "stops"
    assert ends["shift outside, up"] == "runs into something"  # a measuring machine's moves are not watched
