"""Work offset and tool offset as one correction: against what was put in, drawing, and the normal equations."""

import numpy as np
import pytest
import shapes
from action.test_candidates import BOX, NORMALS, N, U, judged, offered

from probekit.action import Cutter, suggest
from probekit.action.jointly import both
from probekit.uncertainty import Scatter

SHIFT, WORN = np.array([0.10, 0.0, -0.04]), 0.08
SCATTER = Scatter.independent(np.full(N, U))


def parts(words: str) -> tuple[list[float], float, float]:
    """Shift, change of the entry and its u, read from the words."""
    moved, tool = words.split("; tool offset ")
    shift = [float(v) for v in moved.split("(")[1].split(")")[0].split(",")]
    return shift, float(tool.split()[0]), float(tool.split("(u ")[1].split(")")[0])


def test_a_part_moved_and_left_high_is_put_right_by_both_only():
    """Faces displaced by (0.10, 0, -0.04) mm and 0.08 mm of material all over: 0.36 mm of 0.1 mm as it is."""
    table = offered(NORMALS @ SHIFT + WORN, width=0.1)
    row = table.loc["work and tool offset"]
    shift, tool, _ = parts(row["how"])
    assert shift == pytest.approx(-SHIFT, abs=0.003)
    assert tool == pytest.approx(-WORN, abs=0.002)
    assert row["word"] == "conforms"
    assert row["p_conform"] > 0.95
    assert (
        not table.index.isin(["work offset", "tool offset"]).any()
        or (table.loc[table.index.isin(["work offset", "tool offset"]), "word"] != "conforms").all()
    )


def test_its_u_is_what_drawing_shows():
    """The offsets of 60 noisy parts scatter by the u that is told of one: the normal equations of Gauss."""
    found, told = [], []
    for seed in range(60):
        verdict = judged(NORMALS @ SHIFT + WORN, seed=seed, width=0.1)
        _, tool, u = parts(both(0, verdict.evaluations[0], verdict.table, SCATTER, ())[0])
        found.append(tool)
        told.append(u)
    assert np.mean(told) == pytest.approx(np.std(found, ddof=1), rel=0.35)  # of 60: 9 %, words to 0.1 um and 1 um
    assert np.mean(found) == pytest.approx(-WORN, abs=0.001)


@pytest.mark.parametrize("true", [NORMALS @ SHIFT, np.full(N, WORN), np.zeros(N)])
def test_one_cause_alone_gets_no_second_one(true):
    verdict = judged(true, width=0.1)
    assert both(0, verdict.evaluations[0], verdict.table, SCATTER, ()) is None


def test_entries_are_those_of_the_tools():
    """Only the sides were cut by tool 5, all the rest by tool 6, whose entry is right."""
    face = np.array(shapes.BOX_FACES)[np.arange(N) % 6]
    sides = np.isin(face, ("left", "right", "front", "back"))
    verdict = judged(NORMALS @ SHIFT + np.where(sides, WORN, 0.0), width=0.1)
    tools = (Cutter(5, ("left", "right", "front", "back"), "sides", entry="radius"), Cutter(6, ("top", "bottom")))
    table = suggest(verdict, BOX, scatter=SCATTER, cutters=tools).candidates.set_index("candidate")
    how = table.loc["work and tool offset", "how"]
    assert "-0.08" in how.split("tool offset")[1].split("radius entry of tool 5")[0]
    assert "tool 6" in how
    assert table.loc["work and tool offset", "word"] == "conforms"


def test_what_touches_cannot_tell_apart_is_not_offered():
    """On one face a shift along its normal and an offset are the same."""
    one = judged(NORMALS @ SHIFT + WORN, width=0.1)
    top = one.evaluations[0]
    rows = np.flatnonzero(NORMALS[:, 2] > 0.9)
    from dataclasses import replace

    flat = replace(top, rows=rows, deviations=top.deviations[rows])
    assert both(0, flat, one.table, SCATTER, ()) is None
