"""What a control gives, against what the virtual machine measured: retained parameters, and a log of its own axes.

The machine reckons ball centres from what its scales show (`probekit.machine.axes`); the reader has the text of the
parameters, the moves and the kinematics. Both must tell the same to the digits of the files.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from undercut import MACHINES, STAR, planned, t_slot

import probekit as pk
from probekit.columns import MEASURED, NORMAL, TARGET, TURN
from probekit.machine import AsMade, run
from probekit.machine.errors import Repeatability
from probekit.program import read_dialect, table_of

DIGITS = 0.6e-4  # simulated.csv and log have four decimals: half a digit, and a little for three axes [mm]


@lru_cache
def ran(machine: str):
    """A run of the star on the T-slot: set up 0.11 mm and 0.02 degrees off, with noise of 3 um."""
    off = pk.fit.make_motion((0.08, -0.06, 0.05), (0.02, -0.01, 0.02))
    made = AsMade(t_slot(), motion=off)
    kinematics = MACHINES[machine][0]
    return run(planned(machine)[2], made, probe=STAR, kinematics=kinematics, errors=(Repeatability(0.003),), rng=3)


@pytest.fixture(params=MACHINES)
def home(request, tmp_path):
    """Files of a run: moves.csv, plan.csv, parameters.txt, log.csv, simulated.csv; and the machine's name."""
    machine = request.param
    route, moves = planned(machine)[:2]
    table_of(moves, slots=read_dialect("rs274").slots).to_csv(tmp_path / "moves.csv", index=False)
    route.targets.drop(columns="directions", errors="ignore").to_csv(tmp_path / "plan.csv", index=False)
    found = ran(machine)
    assert found.stopped == ""
    assert found.write_logged(tmp_path) == ["parameters.txt", "log.csv"]
    found.write(tmp_path / "simulated.csv")
    return tmp_path, machine


def both(folder, machine, **options):
    """The touches by the parameters and by the log."""
    moves, kinematics = pk.touches.read_moves(folder / "moves.csv"), MACHINES[machine][0]
    plan = folder / "plan.csv"
    for table in (
        pk.touches.read_parameters(folder / "parameters.txt", moves, plan=plan),
        pk.touches.read(folder / "log.csv", plan=plan),
    ):
        yield pk.touches.from_program(table, moves, kinematics=kinematics, probe=STAR, **options)


def test_a_control_tells_what_the_machine_measured(home):
    folder, machine = home
    there = pk.touches.read(folder / "simulated.csv")
    assert len(there) == 11
    assert (there["tip"] > 0).any()
    for table in both(folder, machine):
        assert table["touch"].tolist() == there["touch"].tolist()
        assert table["feature"].tolist() == there["feature"].tolist()
        assert table["tip"].tolist() == there["tip"].tolist()
        for names, digits in ((MEASURED, 2 * DIGITS), (TARGET, 1e-5), (NORMAL, 1e-6)):
            off = np.abs(table[list(names)].to_numpy() - there[list(names)].to_numpy())
            assert off.max() < digits
        if MACHINES[machine][0].axes:
            np.testing.assert_allclose(table[list(TURN)], there[list(TURN)], atol=1e-6)
        ours, theirs = (pk.deviation.project(one, t_slot(), stylus=2.0)["deviation"] for one in (table, there))
        assert np.abs(ours - theirs).max() < 2 * DIGITS
        assert np.abs(theirs).max() > 0.05  # the set-up error is in it


def test_without_the_pose_a_turned_machine_tells_something_else(home):
    """Program coordinates taken for those of the part are wrong by millimetres: what the reader is for."""
    folder, machine = home
    there = pk.touches.read(folder / "simulated.csv")[list(MEASURED)].to_numpy()
    log = pk.touches.read(folder / "log.csv", plan=folder / "plan.csv")[list(MEASURED)].to_numpy()
    off = np.linalg.norm(log - there, axis=1)
    assert off.max() > 1.0 or not MACHINES[machine][0].axes


def test_machine_coordinates_need_the_work_offset_and_the_tool_length(home):
    folder, machine = home
    offset, length = np.array([310.0, -205.5, -420.25]), STAR.tool_length
    table = pd.read_csv(folder / "log.csv", comment="#")
    table[list(MEASURED)] += np.add(offset, [0.0, 0.0, length])
    (folder / "log.csv").write_text("# unit: mm\n# recorded: centre\n" + table.to_csv(index=False))
    _, read = both(folder, machine, work_offset=offset.tolist())
    there = pk.touches.read(folder / "simulated.csv")
    assert np.abs(read[list(MEASURED)].to_numpy() - there[list(MEASURED)].to_numpy()).max() < 2 * DIGITS


def test_the_tool_length_of_the_control_matters_for_a_head_alone(home):
    folder, machine = home
    there = pk.touches.read(folder / "simulated.csv")[list(MEASURED)].to_numpy()
    moves, kinematics = pk.touches.read_moves(folder / "moves.csv"), MACHINES[machine][0]
    for one in both(folder, machine, tool_length=STAR.tool_length + 1.0):
        off = np.linalg.norm(one[list(MEASURED)].to_numpy() - there, axis=1)
        leant = np.array([np.linalg.norm(kinematics.spindle(angles) - [0, 0, 1]) for angles in moves["angles"]])
        np.testing.assert_allclose(off, leant, atol=2e-4)  # a ball held 1 mm further out along the tilted spindle


def test_parameters_that_were_not_filled_are_missed_touches(home):
    """The program stopped after five touches: the others are zero as before, or not in the file."""
    folder, machine = home
    head, lines = "Parameter\tValue\n\n", (folder / "parameters.txt").read_text().splitlines()[2:]
    zeros = [f"{line.split()[0]}\t0.000000" for line in lines[15:]]
    for rest, words in ((zeros, "are 0"), ([], "are not in the file")):
        (folder / "parameters.txt").write_text(head + "\n".join([*lines[:15], *rest]) + "\n")
        table, _ = both(folder, machine)
        assert table["reason"].tolist()[:5] == [""] * 5
        assert table["reason"].iloc[5] == f"parameters #1016 to #1018 {words}"
        assert np.isnan(table[list(MEASURED)].to_numpy()[5:]).all()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("1002\t", "1902\t", r"parameters.txt, column '#1002': a parameter of touch \d+ is not in the file"),
        ("1002\t", "1001\t", r"parameters.txt, line 4, column '#1001': a parameter stands twice: lines 3 and 4"),
        ("1002\t", "1002\tx", r"parameters.txt, line 4: the line is no parameter; found '1002"),
        ("\n10", "\n70", r"holds none of the parameters that the program fills; found '33 others'; expected #1001 to"),
        (".", ",", r"holds none of the parameters .*; found 'none'; .*with a decimal point"),
    ],
)
def test_a_bad_parameter_is_told_by_file_line_and_slot(home, old, new, words):
    folder, machine = home
    text = (folder / "parameters.txt").read_text()
    assert old in text
    (folder / "parameters.txt").write_text(text.replace(old, new))
    with pytest.raises(pk.InputError, match=words):
        list(both(folder, machine))


def test_parameters_as_a_control_prints_them(home):
    folder, machine = home
    before, _ = both(folder, machine)
    lines = (folder / "parameters.txt").read_text().splitlines()[2:]
    (folder / "parameters.txt").write_text("".join("#{} = {}\r\n".format(*line.split()) for line in lines))
    after, _ = both(folder, machine)
    np.testing.assert_array_equal(after[list(MEASURED)], before[list(MEASURED)])
    assert pk.touches.control.kind_of(folder / "parameters.txt") == "parameters"
    assert pk.touches.control.kind_of(folder / "log.csv") == "program"
    assert pk.touches.control.kind_of(folder / "simulated.csv") == "part"


def test_a_run_that_stops_keeps_what_it_had():
    """A touch with nothing in its way ends the program: the parameters and the log of those before it remain."""
    made = AsMade(t_slot(), motion=pk.fit.make_motion((0.0, 0.0, -30.0), (0.0, 0.0, 0.0)))
    found = run(planned("three axes")[2], made, probe=STAR)
    assert found.stopped
    assert len(found.log) == int((found.table["reason"] == "").sum())
    assert len(found.parameters) == 3 * len(found.log)


def test_moves_and_machine_must_belong_together(home):
    folder, machine = home
    moves = pk.touches.read_moves(folder / "moves.csv")
    table = pk.touches.read(folder / "log.csv", plan=folder / "plan.csv")
    other = MACHINES["three axes" if machine != "three axes" else "table/table"][0]
    with pytest.raises(pk.InputError, match="the moves were made for a machine with other rotary axes"):
        pk.touches.from_program(table, moves, kinematics=other, probe=replace(STAR))
    with pytest.raises(pk.InputError, match="the program made no such touch"):
        pk.touches.from_program(table, moves.iloc[1:], kinematics=MACHINES[machine][0], probe=STAR)
    (folder / "moves.csv").write_text("# rows: 900\n" + (folder / "moves.csv").read_text())
    with pytest.raises(pk.InputError, match=r"moves.csv: the file does not hold what it says; .* expected 900"):
        pk.touches.read_moves(folder / "moves.csv")
