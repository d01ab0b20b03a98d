"""A tolerance that its touches do not fix is named, not judged; all others are, and the part is undecided at best."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tiny

import probekit as pk
from probekit.cli import main
from probekit.tolerance import Composite, Evaluation, Profile, evaluate_all, profile
from probekit.tolerance.unjudged import Unjudged
from probekit.verdict import classify, guarded, judge, proved, simple

DATUM_A = '[[datum]]\nletter = "A"\nkind = "plane"\nfeatures = ["top"]\n\n'
RIGHT = ("[touches]", "right = [60.0, 20.0, 10.0]\n\n[touches]")


def tolerance(name: str, feature: str, **keys: object) -> str:
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items())
    return f'[[tolerance]]\nname = "{name}"\nfeatures = ["{feature}"]\n{lines}\n'


def added(*tables: str) -> tuple[str, str]:
    return ("[uncertainty]", "".join(tables) + "[uncertainty]")


def with_tab(*, places: tuple[tuple[float, float], ...] = ((10.0, 10.0), (20.0, 10.0))) -> str:
    """The touches, and some more on top under a name of their own."""
    text, more = tiny.touches(), ""
    for k, (x, y) in enumerate(places):
        more += f"{19 + k},tab,{x},{y},20.0,0,0,1,{x},{y},23.001,\n"
    return text.replace("# rows: 18", f"# rows: {18 + len(places)}") + more


def found(path: Path) -> pk.study.inspection.Inspection:
    return pk.study.run(pk.study.load(path))


def test_a_face_that_nobody_touched_is_named_and_the_rest_judged(tmp_path, capsys):
    study = tiny.write(tmp_path, RIGHT, added(tolerance("far side", "right", width=0.1)))
    assert main(["inspect", str(study)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "UNDECIDED" in told
    assert "far side not judged: no touch is on right" in told
    assert "- far side: not judged: no touch is on right" in told
    results = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    assert results["part"] == "undecided"
    assert [(one["name"], one["word"]) for one in results["tolerances"]] == [
        ("top", "conforms"),
        ("sides", "conforms"),
        ("far side", "not judged"),
    ]
    assert results["tolerances"][2]["actual"] is None
    assert results["not_judged"][0]["features"] == ["right"]
    assert results["not_judged"][0]["width"] == 0.1
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "The part is <strong>undecided" in page
    assert "2 conform, 1 not judged" in page
    assert "<b>Not judged</b>: no touch is on right" in page
    view = found(study).scene  # what the notebook view shows beside the picture
    assert any("far side: not judged" in line for line in view.captions)


@pytest.mark.parametrize(
    ("keys", "reason"),
    [
        ({"kind": "flatness", "width": 0.01}, "too few touches for a plane"),
        ({"kind": "size", "limits": [9.9, 10.1]}, "too few touches for a cylinder"),
        ({"kind": "flatness", "width": 0.01, "unit": 25}, "no window holds"),
        ({"kind": "profile", "width": 0.1, "between.x": [500, 600]}, "covers no touch that triggered"),
        ({"kind": "perpendicularity", "width": 0.1, "datums": ["Z"]}, "its datum frame Z cannot be established"),
    ],
)
def test_too_few_touches_of_one_tolerance_leave_the_others_judged(tmp_path, keys, reason):
    datum = '[[datum]]\nletter = "Z"\nkind = "plane"\nfeatures = ["tab"]\n\n'
    change = added(tolerance("tab", "tab", **keys), datum if "datums" in keys else "")
    verdict = found(tiny.write(tmp_path, change, touches_csv=with_tab())).verdict
    assert verdict.tolerances["word"].tolist() == ["conforms", "conforms", "not judged"]
    assert verdict.part == "undecided"
    assert reason in verdict.unjudged[0].reason
    assert "=" not in verdict.unjudged[0].reason.replace(" = ", "")  # keys of a study, no Python
    assert verdict.features.set_index("feature")["verdict"].to_dict() == {
        "top": "conforms",
        "front": "conforms",
        "left": "conforms",
        "tab": "undecided",
    }
    assert any("tab: not judged" in one for one in verdict.reasons)


def test_touches_on_one_line_make_no_plane(tmp_path):
    places = ((10.0, 10.0), (20.0, 10.0), (30.0, 10.0), (40.0, 10.0))
    change = added(tolerance("tab", "tab", kind="flatness", width=0.01))
    verdict = found(tiny.write(tmp_path, change, touches_csv=with_tab(places=places))).verdict
    assert "on one straight line" in verdict.unjudged[0].reason


def test_a_part_may_still_not_conform_by_another_tolerance(tmp_path):
    changes = (
        RIGHT,
        added(tolerance("far side", "right", width=0.1)),
        ("width = 0.1\n", "width = 0.0001\n"),
        ('"guarded"', '"simple"'),
    )
    verdict = found(tiny.write(tmp_path, *changes)).verdict
    assert verdict.tolerances["word"].tolist() == ["does not conform", "conforms", "not judged"]
    assert verdict.part == "does not conform"


def test_no_tolerance_judged_is_undecided(tmp_path):
    text = tiny.STUDY
    start, end = text.index("[[tolerance]]"), text.index("[uncertainty]")
    change = (text[start:end], tolerance("far side", "right", width=0.1))
    assert main(["inspect", str(tiny.write(tmp_path, RIGHT, change)), "--quiet"]) == 1
    assert json.loads((tmp_path / "results" / "results.json").read_text())["part"] == "undecided"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (added(tolerance("far side", "rigth", width=0.1)), "no touch is on that feature; found 'rigth'"),
        (added(tolerance("far side", "right", width=-0.1)), "width"),
        (
            added(DATUM_A, tolerance("tab", "top", kind="perpendicularity", width=0.1, datums=["Q"])),
            "no datum with that letter",
        ),
    ],
)
def test_a_fault_of_the_study_still_stops(tmp_path, change, message):
    with pytest.raises(pk.InputError, match=message):
        found(tiny.write(tmp_path, RIGHT, change))


def test_what_shares_a_placement_is_placed_without_the_one_that_has_no_touch(tmp_path):
    tables = [tolerance(f"{one} in A", one, width=0.1, datums=["A"]) for one in ("front", "left", "right")]
    verdict = found(tiny.write(tmp_path, RIGHT, added(DATUM_A, *tables))).verdict
    assert verdict.tolerances["word"].tolist()[2:] == ["conforms", "conforms", "not judged"]
    assert any("placed without 'right in A', not judged" in note for note in verdict.tolerances["notes"][2])
    assert verdict.part == "undecided"


@pytest.mark.parametrize("rule", [proved(), guarded(), simple()], ids=lambda one: one.name)
def test_no_rule_lets_a_part_conform_with_a_tolerance_that_is_not_judged(rule):
    good = np.zeros(20)
    one = profile(good, 0.1)
    table = Profile(width=0.1)._table(good, one.freedom)
    lost = Unjudged("lost", "flatness", (), 0.1, "too few touches", np.arange(20))
    for given in ((one, lost), (lost, one), (lost,), (lost, lost)):
        verdict = classify(table.assign(feature="f"), *given, rule=rule, u=0.001)
        assert verdict.part == "undecided"
        assert len(verdict.tolerances) == len(given) == len(verdict.pairs)
        with pytest.raises(ValueError, match="cannot have tolerances"):
            replace(verdict, part="conforms")
        with pytest.raises(ValueError, match="cannot have tolerances"):
            replace(verdict, unjudged=())
    assert classify(table.assign(feature="f"), one, rule=rule, u=0.001).part == "conforms"
    assert judge(one, rule, 0.001) == "conforms"


def test_both_segments_of_a_composite_and_all_after_it_keep_their_places():
    table = Profile(width=0.1)._table(np.r_[np.full(4, np.nan), np.zeros(4)], profile(np.zeros(2), 0.1).freedom)
    table["feature"] = ["missed"] * 4 + ["there"] * 4
    upper, lower = (Profile(width=w, name=f"{w}", features="missed") for w in (0.2, 0.1))
    lower = replace(lower, free=("tx", "ty", "tz"))
    whole = evaluate_all([Composite(upper, lower), Profile(width=0.1, name="rest", features="there")], table)
    assert [type(one) for one in whole] == [Unjudged, Unjudged, Evaluation]
    assert [one.name for one in whole] == ["0.2", "0.1", "rest"]
    assert whole[0].rows.tolist() == [0, 1, 2, 3]


def test_bounds_that_are_not_found_leave_a_tolerance_not_judged(monkeypatch):
    def lost(*_: object) -> None:
        raise pk.FitError("no such program has a bound")

    monkeypatch.setattr(sys.modules["probekit.verdict.classify"], "bounds", lost)
    table = Profile(width=0.1)._table(np.zeros(4), profile(np.zeros(2), 0.1).freedom)
    verdict = classify(table.assign(feature="f"), profile(np.zeros(4), 0.1), u=0.001)
    assert verdict.part == "undecided"
    assert "no such program has a bound" in verdict.reasons[0]


def test_an_alignment_that_the_touches_do_not_carry_leaves_form_judged(tmp_path, capsys):
    """The left side was not touched, so the part could slide along x: that leaves its flatness, and not its profile."""
    rows = [line for line in tiny.touches().splitlines() if ",left," not in line]
    kept = sum(line[:1].isdigit() for line in rows)
    text = "\n".join(rows).replace("# rows: 18", f"# rows: {kept}") + "\n"
    change = added(tolerance("top form", "top", kind="flatness", width=0.05))
    study = tiny.write(tmp_path, change, ('features = ["front", "left"]', 'features = ["front"]'), touches_csv=text)
    assert main(["inspect", str(study)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "the alignment cannot be made" in told
    results = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    words = {one["name"]: one["word"] for one in results["tolerances"]}
    assert words == {"top": "not judged", "sides": "not judged", "top form": "conforms"}
    assert results["part"] == "undecided"
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "<b>Not judged</b>: the alignment cannot be made" in page
