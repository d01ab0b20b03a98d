"""What a study says between its touches: with the condition and the blind spot beside every probability."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import InputError, cli, deviation, study, tolerance, verdict
from probekit.field import nodes
from probekit.study import between

HILL = "hill = {radius = 8.0, height = 0.13}"


def changed(folder: Path, source: Path, surface: str, *, without: tuple[int, ...] = ()) -> Path:
    """The demo with a table [surface], without some touches."""
    shutil.copytree(source.parent, folder / "demo", ignore=shutil.ignore_patterns("results"))
    path = folder / "demo" / source.name
    path.write_text(path.read_text(encoding="utf-8") + f"\n[surface]\n{surface}\n", encoding="utf-8")
    touches = folder / "demo" / "touches.csv"
    lines = touches.read_text(encoding="utf-8").splitlines(keepends=True)
    touches.write_text(
        "".join(x for x in lines if x.split(",")[0] not in map(str, without) and not x.startswith("# rows")),
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def gouge_untouched(tmp_path_factory, demo_study, demo):
    """The demo without the touches that found its gouge and its ridge: nothing left is out."""
    table = demo.verdict.table
    out = table.loc[table["verdict"].isin(["high", "low"]) & (table["feature"] == "skin"), "touch"].tolist()
    assert 2 < len(out) < 12
    surface = f'tolerances = "skin profile"\n{HILL}'
    path = changed(tmp_path_factory.mktemp("untouched"), demo_study, surface, without=tuple(out))
    cli.main(["inspect", str(path), "--quiet"])
    return path.parent / "results"


def test_what_nobody_touched_is_not_promised_and_the_blind_spot_stands_beside_it(gouge_untouched):
    """The conscience: the part is out, no touch says so, and the sentence must not be read as a promise.

    Of the ridge a touch on its flank is left (33): there the surface is in doubt. Of the gouge none.
    """
    (one,) = json.loads((gouge_untouched / "results.json").read_text())["between_touches"]
    assert one["word"] == "not decided"
    assert 0.6 < one["probability"] < 0.99
    assert one["node_spacing"] < 3.2, "as close as the form asks for, where the study does not say"
    first = one["touch_next"][0]
    assert first["z0"] < 12, "on the ridge, see data/README.md"
    assert -6 < first["x0"] < 36.5
    assert "if its form is smooth between the touches" in one["said"]
    share = int(re.search(r"8 mm radius and 0.13 mm is felt at (\d+) of 100 places", one["said"]).group(1))
    assert 35 <= share <= 75
    assert "1.00" not in one["said"]
    page = (gouge_untouched / "report.html").read_text(encoding="utf-8")
    section = re.search(r'<section id="between">(.*?)</section>', page, flags=re.S).group(1)
    assert "felt at" in section
    assert f"<p>{one['said'].split(':')[0]}: " in section, "the name of the tolerance as the study has it"
    assert "verdict above is that of the touches alone" in section
    assert "whether the probe reaches them is not checked here" in section
    assert '"meanStep"' in page, "the estimate between the touches is there to be drawn"
    assert "Estimated between the touches: a model of what was touched, not a measurement." in page


def test_a_touch_that_is_out_needs_no_model(tmp_path, demo_study):
    path = changed(tmp_path, demo_study, HILL)
    found = study.run(study.load(path))
    said = {one.name: one for one in found.surfaces}
    assert len(said) >= 2
    assert said["skin profile"].surface is None
    assert "by the touches alone" in said["skin profile"].sentence
    assert "felt at" in said["skin profile"].sentence
    assert found.verdict.part == "does not conform"
    for one in said.values():
        assert "felt at" in one.sentence or "unfelt" in one.sentence, "never without the blind spot"


@pytest.mark.parametrize(
    ("surface", "words"),
    [
        ('tolerances = ["skin", "nonsense"]', "not a profile of a surface"),
        ("hill = {radius = 8.0}", "lacks a key"),
        ("hill = {radius = -8.0, height = 0.1}", "positive"),
        ("defects = {rate = 1, radius = [14, 6], height = [0.01, 0.02]}", "smaller value first|rising"),
        ("nodes = 20", "too small"),
        ("hil = {radius = 8.0, height = 0.1}", "unknown key"),
    ],
)
def test_bad_tables_are_named(tmp_path, demo_study, surface, words):
    path = changed(tmp_path, demo_study, surface)
    with pytest.raises(InputError, match=words):
        study.run(study.load(path))


@pytest.mark.parametrize(("off", "words"), [(0.0, "the pattern of 22 earlier parts"), (0.03, "not like the earlier")])
def test_earlier_parts_of_an_archive_have_a_say_if_this_one_is_like_them(tmp_path, demo_study, demo, off, words):
    """Invented parts with the form of the demo, as an export of an archive holds them; strangers with waves on it."""
    table = demo.verdict.table
    out = table.loc[table["verdict"].isin(["high", "low"]) & (table["feature"] == "skin"), "touch"].tolist()
    kept = table[(table["feature"] == "skin") & ~table["touch"].isin(out)].dropna(subset=["deviation"])
    rng, parts = np.random.default_rng(2), []
    waves = off * np.sin(kept["x0"].to_numpy() / 5.0)
    for record in range(1, 23):
        y = (
            kept["deviation"].to_numpy()
            + waves
            + 0.004 * rng.standard_normal()
            + 0.003 * rng.standard_normal(len(kept))
        )
        columns = ["touch", "feature", "x0", "y0", "z0", "i", "j", "k"]
        parts.append(kept[columns].assign(deviation=y, record=record))
    path = changed(tmp_path, demo_study, 'tolerances = "skin profile"\nearlier = "touches_1.csv"', without=tuple(out))
    pd.concat(parts).to_csv(path.parent / "touches_1.csv", index=False)
    (one,) = study.run(study.load(path)).surfaces
    assert words in one.sentence
    assert "felt at" in one.sentence, "never without the blind spot"


def test_a_table_of_earlier_parts_that_cannot_be_used_is_named(tmp_path, demo_study, demo):
    table = demo.verdict.table
    out = table.loc[table["verdict"].isin(["high", "low"]) & (table["feature"] == "skin"), "touch"].tolist()
    path = changed(tmp_path, demo_study, 'tolerances = "skin profile"\nearlier = "old.csv"', without=tuple(out))
    with pytest.raises(InputError, match="cannot be read"):
        study.run(study.load(path))
    table[["touch", "feature", "deviation"]].to_csv(path.parent / "old.csv", index=False)
    with pytest.raises(InputError, match="does not say the part"):
        study.run(study.load(path))


def test_faces_without_touches_are_not_part_of_what_is_said():
    """A profile over the whole part, touched on its top alone: the sentence names the top."""
    part, rng = shapes.box(), np.random.default_rng(1)
    at = nodes(part, 45, rng, faces="top")
    x, y, z = (at.places + at.normals * 0.002 * rng.standard_normal((len(at.places), 1))).T
    table = pd.DataFrame({"touch": range(len(x)), "feature": "top", "x": x, "y": y, "z": z, "u": 0.002})
    found = deviation.project(table, part, stylus=0.0)
    for features, words in (((), "profile (top, the faces that have touches): "), (("top",), "profile: ")):
        judged = verdict.classify(found, tolerance.profile(found, 0.1, features=features), rule=verdict.simple())
        (said,) = between.between({"nodes": 200}, part, judged, None)
        assert said.sentence.startswith(words)
        assert "if its form is smooth between the touches" in said.sentence


def box_top(count: int = 45) -> tuple[pd.DataFrame, object]:
    """Deviations of touches on the top of a box with a smooth form, and the box."""
    part, rng = shapes.box(), np.random.default_rng(1)
    at = nodes(part, count, rng, faces="top")
    y = 0.02 * np.sin(at.places[:, 0] / 12.0) + 0.001 * rng.standard_normal(len(at.places))
    x, y, z = (at.places + at.normals * y[:, None]).T
    table = pd.DataFrame({"touch": range(len(x)), "feature": "top", "x": x, "y": y, "z": z, "u": 0.002})
    return deviation.project(table, part, stylus=0.0), part


@pytest.mark.parametrize(("beyond", "out"), [(0.0005, 0), (0.01, 5)])
def test_a_touch_is_out_by_the_decision_rule_alone(beyond, out):
    """Half a micrometre beyond a limit, u of two: the verdict on it is undecided, and here it was called out."""
    found, part = box_top()
    zone = tolerance.profile(found, 2.0 * (found["deviation"].abs().max() - beyond), features=("top",))
    judged = verdict.classify(found, zone, rule=verdict.proved())
    assert judged.table["verdict"].isin(["high", "low"]).sum() >= out
    (said,) = between.between({"nodes": 200}, part, judged, None)
    if out:
        assert "out of its zone at touches " in said.sentence
        assert "by the touches alone" in said.sentence
    else:
        assert not judged.table["verdict"].isin(["high", "low"]).any()
        assert "by the touches alone" not in said.sentence
        assert 0.02 < said.surface.probability < 0.6


def test_where_no_further_touch_is_proposed_it_is_said():
    """An empty list looked like an answer that was forgotten."""
    found, part = box_top()
    zone = tolerance.profile(found, 2.0 * found["deviation"].abs().max() + 0.001, features=("top",))
    judged = verdict.classify(found, zone, rule=verdict.proved())
    (said,) = between.between({"nodes": 200}, part, judged, None)
    assert said.surface.open, said.sentence
    bare = replace(said, further=said.further[:0])
    assert bare.lines[1:] == ["No touch at a further place would by itself change this much."]
