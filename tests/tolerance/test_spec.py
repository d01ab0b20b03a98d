"""Tolerances as data: sentences, feature control frames, tables of a study file, evaluation together.

Symbols: the characters that Unicode names after the characteristics of ISO 1101 and ASME Y14.5.
"""

import ast
import re
import tomllib
import unicodedata
from dataclasses import fields
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import shapes
from tolerance.touched import around, table

import probekit as pk
from probekit import InputError
from probekit.deviation import project
from probekit.tolerance import (
    Boundary,
    Composite,
    Form,
    LineProfile,
    Median,
    Orientation,
    Position,
    Profile,
    Runout,
    Size,
    evaluate_all,
    flatness,
    position,
    read_tolerance,
    simultaneous,
)
from probekit.tolerance.spec import KINDS, keys_of
from probekit.tolerance.symbols import SYMBOLS


def test_characters_are_the_ones_unicode_means():
    names = {
        "straightness": "STRAIGHTNESS",
        "flatness": "FLATNESS",
        "cylindricity": "CYLINDRICITY",
        "profile of a line": "ARC",
        "profile of a surface": "SEGMENT",
        "parallelism": "PARALLEL TO",
        "perpendicularity": "PERPENDICULAR",
        "angularity": "ANGLE",
        "position": "POSITION INDICATOR",
        "circular runout": "NORTH EAST ARROW",
        "total runout": "TOTAL RUNOUT",
        "circularity": "WHITE CIRCLE",
    }
    assert {kind: unicodedata.name(char) for kind, (char, _) in SYMBOLS.items()} == names


@pytest.mark.parametrize(
    ("one", "frame"),
    [
        (Profile(width=0.2, datums=("A", "B", "C")), "│ ⌓ │ 0.2 │ A │ B │ C │"),
        (Profile(width=0.2, outside=0.05), "│ ⌓ │ 0.2Ⓤ0.05 │"),
        (Profile(width=0.2, dynamic=True, datums=("A",)), "│ ⌓ │ 0.2△ │ A │"),
        (LineProfile(width=0.1), "│ ⌒ │ 0.1 │"),
        (Form(width=0.01, of="flatness"), "│ ⏥ │ 0.01 │"),
        (Median(width=0.01, of="straightness of an axis"), "│ ⏤ │ ⌀0.01 │"),
        (Orientation(width=0.05, of="perpendicularity", datums="A"), "│ ⟂ │ 0.05 │ A │"),
        (Orientation(width=0.05, of="parallelism", feature="axis", datums="A"), "│ ∥ │ ⌀0.05 │ A │"),
        (Position(width=0.1, modifier="M", limits=(9, 10), datums=("A", "B(M)")), "│ ⌖ │ ⌀0.1Ⓜ │ A │ BⓂ │"),
        (Position(width=0.1, length=(0, 20), projected=True), "│ ⌖ │ ⌀0.1Ⓟ20 │"),
        (Position(width=0.1, of="centre"), "│ ⌖ │ S⌀0.1 │"),
        (Position(width=0.1, of="middle plane"), "│ ⌖ │ 0.1 │"),
        (Runout(width=0.02, datums=("A-B",)), "│ ↗ │ 0.02 │ A-B │"),
        (Runout(width=0.02, total=True, datums=("A",)), "│ ⌰ │ 0.02 │ A │"),
    ],
)
def test_frames(one, frame):
    assert one.frame == frame
    root = ElementTree.fromstring(one._repr_svg_())
    assert root.attrib["aria-label"] == one.sentence
    assert len(root.findall(".//{*}rect")) == frame.count("│") - 1
    drawn = "".join(text.text for text in root.findall(".//{*}text"))
    for datum in one.datums:
        assert datum.replace("(M)", "M") in drawn


def test_size_has_no_frame():
    assert Size(limits=(9.98, 10.02)).frame == "⌀9.98 … ⌀10.02"
    assert Size(limits=(9.98, 10.02))._repr_svg_() is None
    assert "(two point)" in Size(limits=(9.98, 10.02), method="two_point").sentence
    assert Size(limits=(9.98, 10.02), name="bore").sentence == "bore: size 9.98 to 10.02 mm on all touches"


def test_composite_frame_has_two_rows():
    both = Composite(
        Profile(width=0.2, datums=("A", "B")), Profile(width=0.05, datums=("A",), free=("tx", "ty", "tz", "rz"))
    )
    assert both.frame.splitlines() == ["│ ⌓ │ 0.2 │ A │ B │", "│   │ 0.05 │ A │"]
    assert len(ElementTree.fromstring(both._repr_svg_()).findall(".//{*}rect")) == 1 + 3 + 2
    assert "refined by" in both.sentence


def test_sentence_says_it_all_and_markup_is_text():
    one = Profile(
        width=0.2, name="<b>", features=("skin",), between={"z": (10, 60)}, outside=0.05, free=("tz",), datums=("A<",)
    )
    assert one.sentence == (
        "<b>: profile of a surface 0.2 mm on skin, z from 10 to 60 mm, in the datum frame A<; 0.05 mm of it outside "
        "the material; free: tz"
    )
    assert "<b>" not in one._repr_svg_()
    assert ElementTree.fromstring(one._repr_svg_()).attrib["aria-label"] == one.sentence


EXAMPLES = """
[[tolerance]]
width = 0.2
features = ["skin"]

[[tolerance]]
kind = "position"
width = 0.1
modifier = "M"
limits = [10.0, 10.2]
at = [0, 0, 0]
direction = [0, 0, 1]
features = ["hole"]
datums = ["A", "B"]

[[tolerance]]
kind = "flatness"
width = 0.02
features = ["p", "q"]
each = true

[[tolerance]]
kind = "size"
limits = [9.9, 10.1]

[[tolerance]]
width = 0.2
datums = ["A", "B", "C"]
refining = {width = 0.05, free = ["tx", "ty", "tz"], datums = ["A"]}
"""


def test_reading():
    tables = tomllib.loads(EXAMPLES)["tolerance"]
    read = [one for each in tables for one in read_tolerance(each)]
    assert [type(one) for one in read] == [Profile, Position, Form, Form, Size, Composite]
    assert read[0] == Profile(width=0.2, features=("skin",), name="profile")
    assert read[1].limits == (10.0, 10.2)
    assert (read[2].name, read[3].features) == ("flatness, p", ("q",))
    assert (read[5].relating.width, read[5].relating.datums) == (0.05, ("A",))


@pytest.mark.parametrize(
    ("said", "match"),
    [
        ({"kind": "niceness", "width": 1}, "key 'tolerance.kind': unknown kind of tolerance; found 'niceness'"),
        ({"kind": "flatness", "width": 1, "outside": 0.1}, "'tolerance.outside': this key does not belong"),
        ({"kind": "flatness", "width": 1, "of": "roundness"}, "'tolerance.of': this key does not belong"),
        ({"kind": "size", "width": 1}, "'tolerance': a key is missing; expected limits"),
        ({"kind": "flatness"}, "'tolerance.width': the table .tolerance. lacks a key"),
        ({"width": 1, "each": True}, "each = true needs a list"),
        ({"width": 1, "refining": {"size": 1}}, "'tolerance.refining.size': unknown key"),
        ({"kind": "flatness", "width": 1, "refining": {}}, "only a profile or a position can be refined"),
    ],
)
def test_what_cannot_be_read(said, match):
    with pytest.raises(InputError, match=match):
        read_tolerance(said, file="study.toml")


def test_every_kind_can_be_evaluated():
    """On a touched boss and its flat end: that each class hands its attributes to its function."""
    boss = around(10.0, n=16)
    top = np.array([[x, y, 20.0] for x in (-5.0, 0, 5) for y in (-5.0, 0, 5)])
    web = np.array([[30 + side * 2.0, y, z] for side in (-1, 1) for y in (-5.0, 0, 5) for z in (0.0, 9)])
    sides = table(web, np.sign(web[:, :1] - 30) * [1.0, 0, 0], feature="web")
    found = pd.concat([boss, table(top, (0, 0, 1.0), feature="top"), sides], ignore_index=True)
    found["touch"] = np.arange(len(found))
    for kind, (made, preset) in KINDS.items():
        flat = kind in ("flatness", "straightness", "parallelism", "perpendicularity", "angularity")
        own = {"features": ("top",) if flat else ("web",) if "middle" in kind else ("hole",), **preset}
        own |= {"limits": (19.9, 20.1)} if made is Size else {"width": 0.1}
        own |= {"within": (-0.1, 0.1)} if made is Boundary else {}
        if kind == "straightness":
            own["section"] = "y"
        one = made(**own).evaluate(found)
        assert one.actual == pytest.approx(0, abs=1e-6), kind
        assert one.kind.startswith(made(**own).characteristic), kind
        assert one.features == own["features"]


def test_functions_and_classes_agree():
    found = around(10.0, n=16, centre=(0.01, 0))
    where = {"at": (0, 0, 0), "direction": (0, 0, 1)}
    assert Position(width=0.1, **where).evaluate(found).actual == position(found, 0.1, **where).actual
    top = table(np.random.default_rng(0).normal(size=(12, 3)) * [10, 10, 0.01], (0, 0, 1.0))
    assert Form(width=0.1, of="flatness").evaluate(top).actual == flatness(top, 0.1).actual


def test_what_shares_datums_is_met_together():
    """Simultaneous by default where datums and freedoms are the same; not where told to be separate."""
    nominal = shapes.plane_patch()
    touches = pd.DataFrame({"touch": [1, 2, 3, 4], "feature": list("aabb"), "x": [0.0, 1, 20, 21], "y": 0.0})
    found = project(touches.assign(z=[0.0, 0.0, 0.06, 0.06]), nominal, stylus=0.0)
    common = {"free": ("tz",), "datums": ("A",)}
    a, b = (Profile(width=w, name=f, features=f, **common) for f, w in (("a", 0.1), ("b", 0.2)))
    whole = Profile(width=0.5, name="all")
    got = evaluate_all((a, whole, b), found, nominal)
    assert [one.name for one in got] == ["a", "all", "b"]
    assert [got[0].actual, got[2].actual] == [one.actual for one in simultaneous(found, (a, b), nominal=nominal)]
    apart = Profile(width=0.2, name="b", features="b", separate=True, **common)
    assert evaluate_all((a, apart), found, nominal)[1].actual == pytest.approx(0, abs=2e-6)
    bare = [Profile(width=w, name=f, features=f, free=("tz",)) for f, w in (("a", 0.1), ("b", 0.2))]
    assert evaluate_all(bare, found, nominal)[1].actual == pytest.approx(0, abs=2e-6), "no datums, nothing in common"


def test_sentences_name_what_is_toleranced_once():
    (plain,) = read_tolerance({"width": 0.1})
    assert plain.sentence == "profile of a surface 0.1 mm on all touches"
    (named,) = read_tolerance({"width": 0.1, "name": "skin"})
    assert named.sentence.startswith("skin: profile of a surface")
    (axis,) = read_tolerance({"kind": "straightness of an axis", "width": 0.02, "name": "straightness"})
    assert axis.sentence == "straightness 0.02 mm on all touches; of the axis"


def documented(kind):
    """Names that the Attributes sections of a class and of what it is made from tell."""
    names = set()
    for one in kind.__mro__:
        section = (one.__dict__.get("__doc__") or "").partition("Attributes\n    ----------\n")[2]
        for line in re.findall(r"^    (\w[\w, ]*?)(?: :|$)", section, re.M):
            names |= {name.strip() for name in line.split(",")}
    return names


@pytest.mark.parametrize("kind", sorted({made for made, _ in KINDS.values()}, key=lambda one: one.__name__))
def test_each_key_of_each_kind_is_documented(kind):
    assert {one.name for one in fields(kind)} <= documented(kind)


def test_keys_are_known_in_one_place_only():
    """The names of keys that only tolerances have stand, as text, in no module but those of the specs' own values."""
    of_others = {
        "length",
        "name",
        "features",
        "axis",
        "at",
        "method",
        "direction",
        "along",
        "limits",
        "section",
        "datums",
    }
    own = {key for kind in KINDS for key in keys_of(kind)} - of_others
    assert {"outside", "to_kind", "opposed", "projected", "refining"} - own == {"refining"}
    root = Path(pk.__file__).parent
    for path in (root / "settings.py", root / "limits.py", *(root / "study").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        listed = [
            {
                key.value
                for key in getattr(node, "keys", None) or getattr(node, "elts", ())
                if isinstance(key, ast.Constant)
            }
            for node in ast.walk(tree)
            if isinstance(node, ast.Dict | ast.Tuple | ast.List | ast.Set)
        ]
        assert not [keys & own for keys in listed if len(keys & own) > 2], path
        assert not re.search(r'"tolerance\.\w+": ', path.read_text(encoding="utf-8")), path


def test_what_has_no_meaning_is_refused():
    """Before, these were taken and not used: an axis of a flatness, a length of a plane, a form of no kind."""
    with pytest.raises(InputError, match=r"'axis'.* this has no meaning where of is 'flatness'"):
        Form(of="flatness", width=0.1, axis=(0, 0, 1))
    with pytest.raises(InputError, match=r"'length'.* this has no meaning where feature is 'plane'"):
        Orientation(of="parallelism", width=0.1, length=(0, 1))
    with pytest.raises(InputError, match=r"'of'.* unknown value; found 'roundness'"):
        Form(of="roundness", width=0.1)
    with pytest.raises(
        InputError, match=r"'tolerance\.axis': this key does not belong to a tolerance of kind 'flatness'"
    ):
        read_tolerance({"kind": "flatness", "width": 0.1, "axis": [0, 0, 1]})
    with pytest.raises(InputError, match="a tolerance on no feature"):
        Profile(width=0.1, features=[])


def test_values_of_a_kind_are_checked_when_it_is_read():
    for said, match in [
        (
            {"kind": "circular runout", "width": 0.1, "reading": "radal"},
            r"reading': this is not known here; .*'radial' or",
        ),
        ({"kind": "position", "width": 0.1, "limits": [2, 1]}, r"limits': this needs two numbers, each above"),
        ({"kind": "position", "width": 0.1, "pattern": 1}, r"pattern': a value has the wrong type; .*true or false"),
        ({"width": 0.1, "refining": {"width": "x"}}, r"refining\.width': a value has the wrong type"),
        ({"kind": "flattness", "width": 0.1}, r"unknown kind of tolerance; found 'flattness'; expected 'flatness'"),
    ]:
        with pytest.raises(InputError, match=match):
            read_tolerance(said)
