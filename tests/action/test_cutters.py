"""Offsets of tools: signs, entries and refusals, on boxes whose faces were cut by named tools."""

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import InputError
from probekit.action import Cutter, suggest
from probekit.action.cutters import cut_by
from probekit.deviation import project
from probekit.tolerance import profile
from probekit.uncertainty import Scatter
from probekit.verdict import classify, proved

BOX, N, U = shapes.box(), 120, 0.002
ON, NORMALS = shapes.sample_box(BOX, N, np.random.default_rng(0))
FACE = np.array(shapes.BOX_FACES)[np.arange(N) % 6]
SIDES = ("left", "right", "front", "back")


def judged(true: np.ndarray, width: float = 0.1, seed: int = 1, radius: float = 0.0):
    """`radius`: standard uncertainty that all touches share, as that of the ball."""
    scatter = Scatter(np.full(N, U), np.full((N, 1), radius), ("radius",))
    table = pd.DataFrame({"touch": np.arange(N), "feature": FACE})
    table[["x", "y", "z"]] = ON + NORMALS * (true + np.random.default_rng(seed).normal(scale=U, size=N))[:, None]
    found = project(table, BOX, stylus=0.0)
    tolerances = [
        profile(found, width, features=SIDES, name="sides"),
        profile(found, width, features="top", name="top"),
    ]
    return classify(found, *tolerances, scatter=scatter, rule=proved()), scatter


def action(true: np.ndarray, *cutters: Cutter, **more: float):
    verdict, scatter = judged(true, **more)
    return suggest(verdict, BOX, scatter=scatter, cutters=cutters)


def only(found, word: str) -> str:
    hits = [text for text in found.suggestions if text.startswith(word)]
    assert len(hits) == 1, found.suggestions
    return hits[0]


def test_a_radius_is_told_per_tool_and_operation():
    """Sides 0.06 mm high, cut by tool 5; the top is good, cut by tool 8."""
    true = np.where(np.isin(FACE, SIDES), 0.06, 0.0)
    five, eight = Cutter(5, SIDES, "finish sides", entry="radius"), Cutter("T8", ("top",), 3)
    found = action(true, five, eight)
    text = only(found, "Tool 5 (operation finish sides): +0.060 mm")
    assert "lowering the radius entry by 0.060 mm" in text
    assert "along the outward normals of the faces, part frame" in text
    assert "a smaller entry cuts deeper" in text
    assert not [one for one in found.suggestions if "T8" in one or "share a uniform offset" in one]
    row = found.candidates.set_index(["tolerance", "candidate"]).loc[("sides", "tool offset")]
    assert row["how"] == "-0.060 mm, radius entry of tool 5 (operation finish sides), this part"
    assert row["word"] == "conforms"


def test_material_missing_is_for_the_next_part():
    found = action(np.where(np.isin(FACE, SIDES), -0.06, 0.0), Cutter(5, SIDES, entry="radius"))
    text = only(found, "Tool 5: -0.060 mm")
    assert "raising the radius entry by 0.060 mm helps the next part only" in text


def test_a_length_acts_along_its_axis_only():
    """A length entry 0.05 mm too large lifts the tool along +z: the top is high, what stands along z is as it was."""
    true = 0.07 * NORMALS[:, 2]
    found = action(true, Cutter(5, ("top", *SIDES), entry="length", axis=(0, 0, 2)))
    text = only(found, "Tool 5: +0.070 mm")
    assert "lowering the length entry by 0.070 mm" in text
    assert "counted along (0, 0, 2), part frame" in text
    with pytest.raises(InputError, match="along the axis"):
        Cutter(5, ("top",), entry="length")


def test_faces_of_one_tool_that_disagree_get_no_offset():
    true = np.where(FACE == "top", 0.06, 0.0)
    found = action(true, Cutter(5, SIDES, 1), Cutter(5, ("top",), 2))
    text = only(found, "Tool 5 (operations 1, 2): its faces disagree")
    assert "operation 2: top +0.0" in text
    assert "no change of its" in text
    assert "tool offset" not in found.candidates["candidate"].tolist()
    apart = action(true, Cutter(5, SIDES, 1), Cutter(6, ("top",), 2))
    assert "tool offset" in apart.candidates["candidate"].tolist(), "the same faces, two tools"


def test_what_all_touches_share_is_no_offset_of_a_tool():
    """0.012 mm all over, the radius of the ball known to 0.005 mm: noise makes as much."""
    found = action(np.full(N, 0.012), Cutter(5, (*SIDES, "top")), radius=0.005)
    assert not [one for one in found.suggestions if one.startswith("Tool")]
    sure = action(np.full(N, 0.012), Cutter(5, (*SIDES, "top")), radius=0.0005)
    assert [one for one in sure.suggestions if one.startswith("Tool")]


def test_the_scatter_of_each_cutter_is_in_its_promise():
    true = np.where(np.isin(FACE, SIDES), 0.12, 0.0)
    coarse, fine = (
        action(true, Cutter(5, SIDES, scatter=c)).candidates.set_index(["tolerance", "candidate"])
        for c in (0.012, 0.003)
    )
    for what in ("tool offset", "re-cut here"):
        assert coarse.loc[("sides", what), "predicted"] > 1.5 * fine.loc[("sides", what), "predicted"]
        assert coarse.loc[("sides", what), "p_conform"] < fine.loc[("sides", what), "p_conform"]


def test_names_that_are_not_there_and_faces_named_twice_are_refused():
    verdict, _ = judged(np.zeros(N))
    with pytest.raises(InputError, match=r"no face or feature has that name.*'tip'"):
        suggest(verdict, BOX, cutters=[Cutter(5, ("tip",))])
    with pytest.raises(InputError, match=r"the same face last.*tool 5 and tool 6"):
        suggest(verdict, BOX, cutters=[Cutter(5, SIDES), Cutter(6, ("left",))])
    assert cut_by(verdict.table, [Cutter(5, ("left",))]).max() == 0


def test_noise_gets_no_tool_offset():
    """40 perfect parts, five tools each: none is told to change one."""
    tools = [Cutter(k, (face,)) for k, face in enumerate((*SIDES, "top"))]
    said = [action(np.zeros(N), *tools, seed=seed, width=0.02, radius=0.001).suggestions for seed in range(40)]
    assert not [text for one in said for text in one if text.startswith("Tool")]
