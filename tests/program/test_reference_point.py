"""Returns to the reference point of the machine (G28, G30): which axes go, and what may serve as a lift.

Which axes go is common practice, no source: those that are named. NISTIR 6556, 3.5.8, from memory: all.
"""

from __future__ import annotations

import math

import pytest

from probekit.errors import InputError
from probekit.program import check, merge, run

PROBING = "(PROBEKIT BEGIN)\nT9 M6\nG43 H9\nG0 X0 Y0\nG0 Z60\n(PROBEKIT END)\n"
HEAD = "G21 G90 G17\n(FINISH)\nT1 M6\nG43 H1\nS9000 M3\nG0 X10 Y5\nG0 Z50\nG1 Z-1 F300\nG1 X20\nG0 Z50\n"


def last(text: str, **options) -> tuple[float, ...]:
    return list(run("G90 G0 X10 Y20 Z30\n" + text, **options))[-1].end


@pytest.mark.parametrize(
    ("text", "known"),
    [
        ("G91 G28 Z0", (10, 20, None)),
        ("G91 G30 P2 Z0", (10, 20, None)),
        ("G0 G91 G28 Z5\nG28 Y0", (10, None, None)),
        ("G91 G28 X0 Y0", (None, None, 30)),
        ("G90 G28 Z50", (10, 20, None)),
        ("G28", (None, None, None)),
        ("G91 G28 X0 Y0 Z0", (None, None, None)),
        ("G91 G28 Z0\nG90 G0 Z5", (10, 20, 5)),
        ("G91 G28 Z0\nX1", (11, 20, None)),
    ],
)
def test_the_axes_that_are_named_go_and_the_others_stay(text: str, known: tuple) -> None:
    assert tuple(None if math.isnan(v) else v for v in last(text)) == known


def test_it_goes_by_way_of_the_place_it_names_and_to_where_the_machine_stands_at_first() -> None:
    ends = [step.end for step in run("G90 G0 X10 Y20 Z30\nG91 G28 Z5\nG90 G0 X1", start=(1, 2, 400))]
    assert ends[1:] == [(10, 20, 35), (10, 20, 400), (1, 20, 400)]


def test_milling_that_goes_down_where_it_stood_is_brought_back_there_first() -> None:
    merged = merge(HEAD + "G91 G28 Z0\nG90\n(NEXT)\nG0 Z5\nG1 Z-1\nG0 Z50\nM5\nM30\n", PROBING, after="FINISH")
    down = next(step for step in run(merged.text) if step.text == "G0 Z5")
    assert down.end == (20, 5, 5)
    assert any("X Y taken to stay" in note and "NISTIR 6556" in note for note in merged.notes)


NEXT = "(NEXT)\nG0 X0 Y0\nG0 Z5\nG1 Z-1\nG0 Z50\nM5\nM30\n"


@pytest.mark.parametrize("lift", ["G28 Z0", "G30 Z0", "G90 G28 Z100", "G28", "G91 G28 X0 Y0 Z0", "G91 G28 Z-5"])
def test_a_lift_by_way_of_the_part_is_refused(lift: str) -> None:
    with pytest.raises(InputError, match=r"by way of|one block of rapid"):
        merge(HEAD + NEXT, PROBING, after="FINISH", lift=lift)


def test_an_incremental_lift_is_refused() -> None:
    with pytest.raises(InputError, match="incremental"):
        merge(HEAD + NEXT, PROBING, after="FINISH", lift="G91 G0 Z100")


def test_the_lift_of_many_shops_goes_straight_up_and_leaves_absolute_distances() -> None:
    merged = merge(HEAD + NEXT, PROBING, after="FINISH", lift="G91 G28 Z0")
    steps = list(run(merged.text, start=(0, 0, 400)))
    assert not [step for step in steps if step.kind == "unknown"]
    lifts = [step for step in steps if "G28" in step.text and step.start != step.end]
    assert lifts
    for step in lifts:
        assert step.end[:2] == step.start[:2]
        assert step.end[2] >= step.start[2]
    assert all(step.state.distance == "G90" for step in steps if step.kind == "rapid" and "G28" not in step.text)


def test_a_block_without_z_among_the_lifts_of_a_dialect_is_none() -> None:
    text = merge(HEAD + NEXT, PROBING, after="FINISH").text
    low = text.replace("G21 G90 G0 G53 Z0\nT1 M6", "G90 G0 Z40\nT1 M6")
    assert low != text
    lifts = ("G0 G53 Z0", "G90")
    assert "lifted_for_changes" not in {f.check for f in check(text, tool=9, lifts=lifts).of("stop")}
    assert "lifted_for_changes" in {f.check for f in check(low, tool=9, lifts=lifts).of("stop")}
