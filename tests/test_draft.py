"""Drafts of study files: they parse, refuse to run before a person has filled them in, and lose nothing."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

import probekit as pk
from probekit.draft import draft_study
from probekit.draft.tables import FILL_IN
from probekit.draft.toml import key
from probekit.errors import InputError
from probekit.nominal.exact.pmi_model import UNEQUAL, ModelDatum, ModelPmi, ModelSize, ModelTarget, ModelTolerance
from probekit.settings import read_settings
from probekit.study.planning import TABLES

PROFILE = ModelTolerance("skin", "profile of a surface", 0.2, None, None, (("A",), ("B",)), (), ("face_1",), "#7")
DATUMS = (ModelDatum("A", ("face_1",), "#1"), ModelDatum("B", ("face_2",), "#2"))
HOSTILE = 'a"]\n[part]\rmodel = "x"\x00\x7f\x1b\\ \'\'\' """ \u2028\u202e\ud800\U0001f600 #'


def block(names: tuple[str, ...] = ("face_1", "face_2")) -> pk.nominal.Nominal:
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    facets = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    owner = np.minimum(np.arange(4, dtype=np.int32), len(names) - 1)
    return pk.nominal.Nominal(corners, facets, owner, names)


def pmi(
    *tolerances: ModelTolerance,
    datums: tuple[ModelDatum, ...] = DATUMS,
    remarks: tuple[str, ...] = (),
    sizes: tuple[ModelSize, ...] = (),
    standard: str = "ASME Y14.5",
) -> ModelPmi:
    return ModelPmi(tolerances, datums, remarks, "AP242", standard, sizes)


def filled(text: str) -> str:
    """A draft as a person would complete it."""
    text = text.replace(f'ball_diameter = "{FILL_IN}"', "ball_diameter = 6.0").replace(f'u = "{FILL_IN}"', "u = 0.003")
    text = text.replace(f'width = "{FILL_IN}"', "width = 0.1")
    return text.replace(f'rule = "{FILL_IN}"', 'rule = "guarded"')


def settings(folder: Path, text: str) -> dict:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path)


def commented(text: str) -> str:
    """All comments as one line."""
    return " ".join(line.removeprefix("#").strip() for line in text.splitlines() if line.startswith("#"))


@pytest.mark.parametrize(
    "content",
    [
        [{"name": f"A{k}", "point": [705.5 * k, -330.0, 12.5], "radius": 2.0} for k in range(7)],
        [f"a name  with-spaces, {k} and-hyphens" for k in range(9)],
        ["x" * 150, "y"],
        [0.123456789 * k for k in range(60)],
    ],
    ids=["tables", "names", "long", "numbers"],
)
def test_a_long_list_is_broken_between_its_items(content: list) -> None:
    """TOML 1.0: no line end within an inline table or a string."""
    lines = key("some", content)
    assert len(lines) > 2
    (read,) = tomllib.loads("\n".join(lines)).values()
    assert read == pytest.approx(content, abs=1e-9) if isinstance(content[0], float) else read == content


def test_a_draft_permits_the_folder_of_a_model_that_lies_outside(tmp_path: Path) -> None:
    for name, permitted in (("../models/m.step", "../models"), ("C/m.step", None), ("/srv/m.step", "/srv")):
        found = settings(tmp_path, filled(draft_study(name, pmi(PROFILE), block())))
        assert found.get("study", {}).get("outside") == ([permitted] if permitted else None)
        assert found["part"]["model"] == name


def test_draft_is_refused_until_filled_in(tmp_path: Path) -> None:
    text = draft_study("model.step", pmi(PROFILE), block())
    assert tomllib.loads(text)["stylus"]["ball_diameter"] == FILL_IN
    with pytest.raises(InputError, match=f"stylus.ball_diameter.*{FILL_IN}"):
        settings(tmp_path, text)
    half = text.replace(f'ball_diameter = "{FILL_IN}"', "ball_diameter = 6.0")
    with pytest.raises(InputError, match=f"uncertainty.u.*{FILL_IN}"):
        settings(tmp_path, half)
    deep = f'{filled(text)}\n[[datum]]\nletter = "J"\nkind = "targets"\n'
    deep += f'targets = [{{ name = "J1", point = [0.0, 0.0, 0.0], to = "{FILL_IN}" }}]\n'
    with pytest.raises(InputError, match=rf"datum.*\.targets.*{FILL_IN}"):
        settings(tmp_path, deep)
    read = settings(tmp_path, filled(text))
    assert read["part"] == {"name": "part", "model": "model.step"}
    assert read["touches"] == {"file": "touches.csv"}
    skin = {"kind": "profile", "name": "skin", "features": ["face_1"], "width": 0.2, "datums": ["A", "B"]}
    assert read["tolerance"] == [skin]
    assert read["datum"] == [
        {"letter": "A", "kind": "face", "features": ["face_1"]},
        {"letter": "B", "kind": "face", "features": ["face_2"]},
    ]
    assert read["alignment"] == {"datums": ["A", "B"]}
    assert f'"{FILL_IN}"' not in filled(text).replace(f'every "{FILL_IN}"', "")


def test_unequal_zone_and_zone_without_datums(tmp_path: Path) -> None:
    unequal = dataclasses.replace(PROFILE, name="u", outside=0.05, displacement=0.05)
    form = dataclasses.replace(PROFILE, name="f", datums=(), faces=("face_1", "face_2"), source_id="#8")
    common = dataclasses.replace(form, name="c", modifiers=("common zone",), source_id="#9")
    separate = dataclasses.replace(form, name="s", modifiers=("separate requirement",), source_id="#10")
    text = draft_study("m.step", pmi(unequal, form, common, separate), block())
    one, two, three, four = settings(tmp_path, filled(text))["tolerance"]
    assert one["outside"] == 0.05
    assert "free" not in one
    assert two["free"] == ["tx", "ty", "tz", "rx", "ry", "rz"]
    assert "outside" not in two
    assert [t.get("each") for t in (two, three, four)] == [None, None, True]
    assert text.count("each = true judges") == 1  # said of the one where the model does not say


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"kind": "concentricity"}, "position of a surface is not judged"),
        ({"kind": "waviness"}, "there is no such kind of tolerance"),
        ({"kind": "position"}, "position of a surface is not judged"),
        ({"kind": "flatness"}, "flatness of a surface is not judged"),
        ({"faces": ()}, "it is linked to no known face"),
        ({"value": 0.0}, "no study can say this yet: .*width.*must be positive"),
        ({"modifiers": ("free state",)}, "its modifiers would also have to be judged: it holds in the free state"),
        ({"modifiers": ("common zone", "separate requirement")}, "contradict each other"),
        (
            {"modifiers": ("datum B: contacting feature",)},
            "datum reference has modifiers that are not judged: datum B",
        ),
        ({"modifiers": ("datum B: least material requirement",)}, "datum B has a material boundary, but"),
        (
            {"modifiers": ("datum B: maximum material requirement",)},
            "datum B has a material boundary, but",
        ),
        ({"datums": (("A",), ("Z",))}, "its datum Z is not in the model"),
        ({"kind": "circular run-out"}, "its first datum is not a known axis"),
    ],
)
def test_what_cannot_be_judged_becomes_a_comment(tmp_path: Path, change: dict, reason: str) -> None:
    text = draft_study("m.step", pmi(dataclasses.replace(PROFILE, **change)), block())
    said = commented(text)
    assert re.search(rf"not judged: {change.get('kind', PROFILE.kind)} 0.*\(skin #7\): .*{reason}", said)
    with pytest.raises(InputError, match=rf"tolerance\.width.*{FILL_IN}"):
        settings(tmp_path, text.replace(f'ball_diameter = "{FILL_IN}"', "ball_diameter = 6.0"))
    done = filled(text).replace(f'features = ["{FILL_IN}"]', 'features = ["face_1"]')
    assert settings(tmp_path, done)["tolerance"] == [{"kind": "profile", "width": 0.1, "features": ["face_1"]}]


@pytest.mark.parametrize("word", ["translation", "distance variable"])
def test_a_datum_that_translates_is_asked_along_what(tmp_path: Path, word: str) -> None:
    text = draft_study("m.step", pmi(dataclasses.replace(PROFILE, modifiers=(f"datum B: {word}",))), block())
    assert f'translation = "{FILL_IN}"' in text
    read = settings(tmp_path, filled(text).replace(f'translation = "{FILL_IN}"', "translation = [1, 0, 0]"))
    assert read["tolerance"][0]["datums"] == ["A", "B(>)"]
    with pytest.raises(InputError, match="translation"):
        settings(tmp_path, filled(text))


def test_a_tangent_plane_is_taken_over(tmp_path: Path) -> None:
    text = draft_study("m.step", pmi(dataclasses.replace(PROFILE, modifiers=("tangent plane",))), block())
    assert settings(tmp_path, filled(text))["tolerance"][0]["tangent"] is True


def test_a_position_of_a_surface_at_a_material_condition_is_one_of_a_boundary(tmp_path: Path) -> None:
    place = dataclasses.replace(
        PROFILE, name="p", kind="position", value=0.0, modifiers=("maximum material requirement",), source_id="#8"
    )
    shape = dataclasses.replace(PROFILE, outside=0.05)
    one = settings(tmp_path, filled(draft_study("m.step", pmi(place, shape), block())))["tolerance"][0]
    assert {key: one[key] for key in ("kind", "width", "within", "modifier")} == {
        **{"kind": "position of a boundary", "width": 0.0, "within": [-0.15, 0.05], "modifier": "M"},
    }
    alone = draft_study("m.step", pmi(place), block())
    assert f'within = "{FILL_IN}"' in alone


def test_what_the_standard_decides_is_asked_for(tmp_path: Path) -> None:
    """0.2 with 0.03: outside 0.03 after U (ASME Y14.5), 0.1 + 0.03 after UZ (ISO 1101); from memory."""
    odd = (UNEQUAL,)
    one = dataclasses.replace(PROFILE, displacement=0.03, modifiers=odd)
    text = draft_study("m.step", pmi(one, standard=""), block())
    said = commented(text)
    assert "names no standard for its tolerances. Find out which one applies" in said
    assert "0.03 if the drawing has it after U (ASME Y14.5), 0.13 if it has 0.03 after UZ (ISO 1101)" in said
    with pytest.raises(InputError, match=rf"tolerance\.outside.*{FILL_IN}"):
        settings(tmp_path, filled(text))
    read = settings(tmp_path, filled(text).replace(f'outside = "{FILL_IN}"', "outside = 0.13"))
    assert read["tolerance"][0]["outside"] == 0.13
    assert "names no standard" not in commented(draft_study("m.step", pmi(PROFILE), block()))


@pytest.mark.parametrize("kind", ["profile of a line", "straightness"])
def test_how_sections_lie_is_left_to_a_person(tmp_path: Path, kind: str) -> None:
    text = draft_study("m.step", pmi(dataclasses.replace(PROFILE, kind=kind, datums=())), block())
    with pytest.raises(InputError, match=rf"tolerance\.section.*{FILL_IN}.*tolerance\.apart"):
        settings(tmp_path, filled(text))
    text = text.replace(f'apart = "{FILL_IN}"', "apart = 0.2").replace(f'section = "{FILL_IN}"', 'section = "x"')
    (one,) = settings(tmp_path, filled(text))["tolerance"]
    assert (one["kind"], one["section"], one["apart"]) == (kind, "x", 0.2)


def test_without_datum_faces_nothing_is_aligned() -> None:
    bare = draft_study("m.step", pmi(dataclasses.replace(PROFILE, datums=()), datums=()), block())
    assert "alignment" not in tomllib.loads(bare)
    assert "names no datum faces" in commented(bare)


def test_datums_without_faces_are_left_to_a_person() -> None:
    datums = (
        ModelDatum("A", (), "#1", (ModelTarget("A1", "area", None, None, (), (), "#5"),)),
        ModelDatum("B", (), "#2"),
    )
    one, two = tomllib.loads(draft_study("m.step", pmi(PROFILE, datums=datums), block()))["datum"]
    assert one == {"letter": "A", "kind": "targets", "targets": FILL_IN}
    assert two == {"letter": "B", "kind": FILL_IN, "features": FILL_IN}


def test_all_over_leaves_out_what_has_its_own(tmp_path: Path) -> None:
    over = dataclasses.replace(
        PROFILE, name="over", modifiers=("all over",), faces=("face_1", "face_2"), source_id="#8"
    )
    read = settings(tmp_path, filled(draft_study("m.step", pmi(PROFILE, over), block())))
    assert [one["features"] for one in read["tolerance"]] == [["face_1"], ["face_2"]]


def test_names_are_told_apart() -> None:
    nameless = dataclasses.replace(PROFILE, name=" ", source_id="#8")
    again = dataclasses.replace(PROFILE, source_id="#9")
    read = tomllib.loads(draft_study("m.step", pmi(PROFILE, nameless, again), block()))
    assert [t["name"] for t in read["tolerance"]] == ["skin #7", "profile of a surface #8", "skin #9"]


def test_file_without_tolerances_says_so() -> None:
    assert "carries no tolerances as data" in commented(draft_study("m.step", pmi(datums=()), block()))


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    """Names come from the file; none may end a string or a comment (TOML 1.0: String, Comment)."""
    part = dataclasses.replace(block((HOSTILE, "face_2")), name=HOSTILE)
    one = dataclasses.replace(PROFILE, name=HOSTILE, faces=(HOSTILE,))
    two = dataclasses.replace(one, kind="flatness", source_id="#8", modifiers=(HOSTILE,))
    datums = (ModelDatum("A", (HOSTILE,), "#1"), ModelDatum("B", ("face_2",), "#2"))
    text = draft_study(
        f"a/{HOSTILE}", pmi(one, two, datums=datums, remarks=(HOSTILE,)), part, touches=HOSTILE, body=HOSTILE
    )
    assert all(letter == "\n" or letter.isprintable() for letter in text)
    read = tomllib.loads(filled(text))
    with pytest.raises(InputError, match=r"study\.toml, key 'part\.model': this must not contain '.x00'"):
        settings(tmp_path, filled(text))
    expected = HOSTILE.replace("\ud800", "\ufffd")  # half a pair cannot be written
    assert read["part"] == {"name": expected, "model": f"a/{expected}", "body": expected}
    assert read["touches"]["file"] == expected
    assert read["datum"][0]["features"] == [expected]
    assert read["tolerance"][0]["name"] == f"{expected} #7"
    assert read["tolerance"][0]["features"] == [expected]
    assert len(read["tolerance"]) == 1


def test_face_that_the_model_does_not_have() -> None:
    with pytest.raises(InputError, match="a face of #7 is not in the model as loaded; found 'face_1'"):
        draft_study("m.step", pmi(PROFILE, datums=()), block(("other",)))


def test_bracket_from_file_to_study(tmp_path: Path) -> None:
    pytest.importorskip("OCP")
    from probekit.nominal.exact.pmi import read_pmi

    path = Path(__file__).parent / "nominal" / "exact" / "data" / "bracket_ap242.step"
    part = pk.nominal.load(path)
    found = read_pmi(path, part)
    text = draft_study(path.name, found, part)
    text_filled = filled(text).replace(f'length = "{FILL_IN}"', "length = [0.0, 20.0]")
    text_filled = text_filled.replace(f'along = "{FILL_IN}"', "along = [1.0, 0.0, 0.0]")
    text_filled = text_filled.replace(f'limits = "{FILL_IN}"', "limits = [8.0, 8.1]")
    read = settings(tmp_path, text_filled.replace(f'"MMB", "{FILL_IN}"', '"MMB", 11.9'))
    tables = {t["name"]: t for t in read["tolerance"]}
    assert set(tables) == {
        *("base flat", "bore square", "pin hole place", "skin profile", "right profile", "sides form"),
        *("back profile", "skin form", "all around", "per unit"),
    }
    assert tables["right profile"]["outside"] == 0.03
    assert tables["bore square"] == {
        **{"kind": "perpendicularity", "name": "bore square", "features": ["bore"]},
        **{"width": 0.05, "datums": ["A"], "feature": "axis"},
    }
    pin = tables["pin hole place"]
    assert (pin["of"], pin["modifier"], pin["datums"]) == ("axis", "M", ["A", "B(M)", "C"])
    assert (pin["limits"], pin["projected"], pin["length"]) == ([8.0, 8.1], True, [0.0, 20.0])
    assert tables["back profile"]["datums"] == ["A-C", "B"]
    datums = {d["letter"]: d for d in read["datum"]}
    assert datums["B"] == {"letter": "B", "kind": "cylinder", "features": ["bore"], "boundary": ["MMB", 11.9]}
    assert datums["A-C"] == {"letter": "A-C", "kind": "plane", "features": ["base", "left"]}
    assert read["alignment"] == {"datums": ["A", "B", "C"]}
    said = commented(text)
    for one in found.tolerances:
        assert one.source_id in said
    for remark in found.not_understood:
        assert remark in said


def test_an_orientation_that_the_model_contradicts_is_not_drafted() -> None:
    pytest.importorskip("OCP")
    from probekit.nominal.exact.pmi import read_pmi

    path = Path(__file__).parent / "nominal" / "exact" / "data" / "bracket_ap242.step"
    part = pk.nominal.load(path)
    found = read_pmi(path, part)
    wrong = [dataclasses.replace(t, kind="parallelism") if t.name == "bore square" else t for t in found.tolerances]
    text = draft_study(path.name, dataclasses.replace(found, tolerances=tuple(wrong)), part)
    assert not [t for t in tomllib.loads(text).get("tolerance", []) if t["name"] == "bore square"]
    assert "bore stands at 90.0 degrees to datum A, so parallelism to it cannot be meant" in commented(text)


def test_what_a_bare_draft_shows_as_comments_can_be_taken_as_it_is() -> None:
    """A model without tolerances: tables for touches and alignment stand there to uncomment."""
    bare = draft_study("model.step", pmi(datums=()), block())
    shown = [line[2:] for line in bare.splitlines() if re.match(r"# (\[\[?\w+\]|\w+ = [\"\d\[])", line)]
    found = tomllib.loads("\n".join(shown))
    assert set(found) == {"plan", "alignment"}
    assert found["plan"][0]["how"] in TABLES
    assert found["plan"][0]["margin"] > 0
    assert len(found["alignment"]["features"]) == 3
