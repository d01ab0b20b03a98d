"""What may be cut again in the first phase, or in one between others: run to the end, in one program and by hand."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import probekit as pk
from probekit.machine import Chip
from probekit.study.by_hand import told_following
from probekit.study.deciding_trial import deciding_scenarios, not_lowered
from probekit.study.running import machine_of, ran

sys.path.insert(0, str(Path(__file__).parents[1]))
import deciding

FLOOR = (
    'feature = "rest"\npoints = [[10, 10, 20], [50, 30, 20], [60, 20, 10], [30, 40, 10]]\n',
    'feature = "floor"\npoints = [[10, 10, 20], [50, 30, 20]]\n\n'
    '[[plan]]\nhow = "pick"\nfeature = "sides"\npoints = [[60, 20, 10], [30, 40, 10]]\n',
)
SECOND = 'name = "rest"\nafter = "OPERATION 1"\n'
THIRD = '[[phase]]\nname = "rest"\n'
MIDDLE = f'name = "floor"\nfeatures = ["floor"]\nafter = "OPERATION 1"\n{deciding.CUT}\n{THIRD}'
ONLY = f'[[phase]]\nname = "floor"\nset_up = 0.2\n{deciding.CUT}\n'
FIRST = f'[[phase]]\nname = "floor"\nfeatures = ["floor"]\nset_up = 0.2\n{deciding.CUT}\n{THIRD}'
IN_ALL = deciding.PHASES.replace('name = "rest"\n', SECOND)
START = ('after = "start"', 'after = "OPERATION 1"')
CASES = {
    "between others": ((FLOOR, (SECOND, MIDDLE)), deciding.MILLING, "G55"),
    "between others, milling between": (
        (FLOOR, (SECOND, MIDDLE + 'after = "OPERATION 2"\n')), deciding.MILLING, "G55",
    ),
    "first": ((FLOOR, (IN_ALL, FIRST + "\n"), START), deciding.MILLING.replace("G55", "G54"), "G54"),
    "the only one": ((FLOOR, (IN_ALL, ONLY), START), deciding.MILLING.replace("G55", "G54"), "G54"),
}  # fmt: skip
LONG = pytest.mark.long
BY_HAND = ('dialect = "rs274_flow"', 'dialect = "rs274"')


@pytest.mark.parametrize(
    ("name", "by_hand"),
    [
        ("between others", False),
        ("first", False),
        ("between others", True),
        pytest.param("first", True, marks=LONG),
        pytest.param("the only one", False, marks=LONG),
        pytest.param("between others, milling between", False, marks=LONG),
        pytest.param("between others, milling between", True, marks=LONG),
    ],
)
def test_it_is_cut_again_once_and_the_rest_follows(tmp_path, name: str, by_hand: bool) -> None:
    changes, milling, of = CASES[name]
    changes = (*changes, BY_HAND) if by_hand else changes
    study = pk.study.load(deciding.in_milling(tmp_path, *changes, milling=milling))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert not programmed.stops
    arguments = machine_of(study, planned, programmed)
    whole = ran(programmed, arguments)
    assert (whole.stopped, len(whole.table)) == ("", len(planned.route.targets))
    ends = {}
    for scenario, _, expected, changed in deciding_scenarios(planned, by_hand=by_hand):
        if not scenario.startswith("floor, "):
            continue
        lowered = changed.pop("lowered", None)
        run = ran(programmed, arguments | changed)
        ends[scenario] = run.stopped
        assert bool(run.stopped) == (expected == "stops"), scenario
        if lowered is not None:
            assert lowered[:2] == ("G59", of)
            assert not_lowered(run, *lowered) == ""
            assert len(run.table) == len(planned.route.targets)
    told = "left to cut of 'T1', is 0.1650" if by_hand else "STILL OFF BY MORE THAN 0.03"
    assert told in ends["floor, not cut off"]
    assert ("spread" if by_hand else "DISAGREE") in ends["floor, chip"]


def test_errors_of_one_program_are_not_those_of_another(tmp_path) -> None:
    """By hand: a chip that is thick enough for the second program's limits, in the first one only."""
    changes, milling, _ = CASES["between others"]
    study = pk.study.load(deciding.in_milling(tmp_path, *changes, BY_HAND, milling=milling))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    arguments = machine_of(study, planned, programmed)
    for number in (0, 1):
        run = ran(programmed, arguments | {"errors_of": {number: (Chip(0.2, 1, 1),)}})
        assert "the person does not go on" in run.stopped
        assert ("height" in run.stopped) == (number == 1)


def test_after_a_single_program_a_person_reads_and_judges(tmp_path) -> None:
    """No program follows: the values are told and judged all the same, and where it runs in the milling is told."""
    changes, milling, _ = CASES["the only one"]
    study = pk.study.load(deciding.in_milling(tmp_path, *changes, BY_HAND, milling=milling))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert (programmed.following, programmed.merged) == ((), None)
    found = pk.study.trying.trial(study, planned, programmed, ran(programmed, machine_of(study, planned, programmed)))
    assert found.failed == ()
    assert [name for name in found.uncaught if name.startswith("floor")] == []
    own = found.table[found.table["scenario"].str.startswith("floor, ")]
    assert set(own["expected"]) == set(own["found"]) == {"stops"}
    assert all("the person does not go on" in said for said in own["said"])
    told = "\n".join(told_following(programmed, planned))
    assert "nothing is put into milling.nc: it must stop there (M0)" in told
    assert "Then a person reads and judges:\n  #" in told
