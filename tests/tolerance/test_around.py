"""All over and all around: every face of the part, or along an outline, must have a touch, or it is said."""

from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import InputError, ProbekitWarning
from probekit.deviation import project
from probekit.tolerance import Composite, Profile, read_tolerance, simultaneous
from probekit.tolerance.around import closes

BOX = shapes.box()


def on_faces(*faces: str) -> pd.DataFrame:
    """Four touches on each face of the box, 0.01 mm outside."""
    points, normals = shapes.sample_box(BOX, 24, np.random.default_rng(2))
    found = project(points + 0.01 * normals, BOX)
    found["feature"] = found["face"]
    return found[found["face"].isin(faces)]


def test_rings_of_a_box():
    """Of all sets of faces of a box, four around an axis and the whole close; by hand: 3 rings, and no border at all.

    Five faces leave one open: one loop. Two that lie opposite: one loop each.
    """
    rings = [
        {"left", "right", "front", "back"}, {"left", "right", "bottom", "top"}, {"front", "back", "bottom", "top"},
        set(BOX.face_names),
    ]  # fmt: skip
    for n in range(1, 7):
        for faces in combinations(BOX.face_names, n):
            assert closes(BOX, faces) == (set(faces) in rings), faces


def test_a_tube_closes_by_itself():
    tube = shapes.cylinder()
    assert closes(tube, tube.face_names)


def test_all_over_names_the_faces_without_a_touch():
    """Box 60 x 40 x 20: top and bottom are 2 x 2400 of 8800 mm2, 55 %."""
    sides = on_faces("left", "right", "front", "back")
    with pytest.warns(ProbekitWarning, match="'profile.*' is all over: 2 of 6 faces have no touch"):
        one = Profile(width=0.05, around="all over").evaluate(sides, BOX)
    assert one.notes[-1] == "all over: 2 of 6 faces have no touch and are not judged: bottom, top (55 % of the area)"
    assert one.actual == Profile(width=0.05).evaluate(sides, BOX).actual == pytest.approx(0.02)
    every = Profile(width=0.05, around="all over").evaluate(on_faces(*BOX.face_names), BOX)
    assert every.notes[-1] == "all over: each of 6 faces has a touch"


def test_all_over_with_some_faces_named_tells_the_rest():
    with pytest.warns(ProbekitWarning, match="5 of 6 faces have no touch"):
        Profile(width=0.05, around="all over", features="top").evaluate(on_faces(*BOX.face_names), BOX)


def test_all_around_checks_its_ring():
    found = on_faces(*BOX.face_names)
    ring = ("left", "front", "right", "back")
    one = Profile(width=0.05, around="all around", features=ring).evaluate(found, BOX)
    assert one.notes == ("all around: each of 4 faces has a touch",)
    open_ = Profile(width=0.05, around="all around", features=ring[:3]).evaluate(found, BOX)
    assert "do not close to a ring" in open_.notes[-1]
    missed = found.copy()
    missed.loc[missed["face"] == "back", "deviation"] = np.nan
    with pytest.warns(ProbekitWarning, match="1 of 4 faces have no touch and are not judged: back"):
        Profile(width=0.05, around="all around", features=ring).evaluate(missed, BOX)


def test_without_the_nominal_it_says_so():
    one = Profile(width=0.05, around="all over").evaluate(on_faces("top"))
    assert "without the nominal it is not known" in one.notes[-1]


def test_together_with_others_it_is_checked_too():
    found = on_faces(*BOX.face_names)
    pair = [
        Profile(width=0.05, name="a", around="all over", datums="A", free=("tz",)),
        Profile(width=0.02, name="b", features="top", datums="A", free=("tz",)),
    ]
    first, second = simultaneous(found, pair, nominal=BOX)
    assert "all over: each of 6 faces has a touch" in first.notes
    assert not [note for note in second.notes if "all over" in note]


@pytest.mark.parametrize(
    ("options", "match"),
    [({"around": "everywhere"}, "'around'.* unknown value"), ({"around": "all around"}, "no face is named")],
)
def test_what_cannot_be(options, match):
    with pytest.raises(InputError, match=match):
        Profile(width=0.05, **options)


def test_drawn_with_circles_at_the_leader():
    """ASME Y14.5-2018 and ISO 1101:2017, from memory: one circle for all around, two for all over."""
    around, over = (
        Profile(width=0.05, features="left", around=which, name="p") for which in ("all around", "all over")
    )
    plain = Profile(width=0.05)
    circles = [len(ElementTree.fromstring(one._repr_svg_()).findall(".//{*}circle")) for one in (plain, around, over)]
    assert circles == [0, 1, 2]
    assert (around.frame[0], over.frame[0], plain.frame[0]) == ("\u25cb", "\u25ce", "\u2502")
    assert around.sentence.endswith("all around")
    both = Composite(around, Profile(width=0.02, features="left", name="q"))
    first, second = both.frame.splitlines()
    assert len(first) == len(second)
    assert (first[0], second[0]) == ("\u25cb", " ")


def test_limits_and_separate_requirement_stand_beside_the_frame():
    """Between: the double arrow; SEP REQT: in words (ASME Y14.5-2018, 11.2 and 7.19, from memory)."""
    one = Profile(width=0.05, between={"z": (10, 60)}, separate=True)
    assert one.frame == "\u2502 \u2313 \u2502 0.05 \u2502 z 10 \u2194 60, SEP REQT"
    root = ElementTree.fromstring(one._repr_svg_())
    assert [text.text for text in root.findall(".//{*}text")] == ["0.05", "z 10 \u2194 60, SEP REQT"]
    last = root.findall(".//{*}text")[-1]
    assert float(last.get("x")) + float(last.get("textLength")) < float(root.get("width"))


def test_from_a_study_file():
    (one,) = read_tolerance({"width": 0.1, "around": "all over"})
    assert one.around == "all over"
    with pytest.raises(InputError, match=r"tolerance\.around': this is not known here"):
        read_tolerance({"width": 0.1, "around": "over all"})
