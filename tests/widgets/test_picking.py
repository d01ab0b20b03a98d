"""What is picked by clicks: the tables, the targets they make, the text that repeats them in a study."""

from __future__ import annotations

import re
import sys
import tomllib
from html import unescape
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import shapes
from widgets.tree import inside

from probekit import nominal, plan, study, widgets
from probekit.columns import NORMAL, TARGET, array
from probekit.errors import InputError
from probekit.study.asked import targets_made
from probekit.study.model import nominal_of
from probekit.widgets import picked_text, picking

FOIL = Path(__file__).parents[2] / "data" / "foil" / "foil.step"
ON_SKIN, ON_TOP = (-13.519, -3.169, 45.0), (50.0, -30.0, 0.0)
BALL = 3.0
PROBE = plan.Probe(6.0, 4.0, 40.0, body=((40, 25), (120, 25)))
TOP, BELOW = 5, 4  # faces of the box, of two facets each


@pytest.fixture(scope="module")
def foil():
    pytest.importorskip("OCP")
    return nominal.load(FOIL)


@pytest.fixture(scope="module")
def every(foil):
    """One of each kind, with single targets that stand together and apart."""
    tables = [
        picking.single(ON_TOP, "base_top", 'datum "A"'),
        picking.single((40, -30, 0), "base_top", 'datum "A"'),
        picking.plane(ON_SKIN, (0, 0, 1), 9, face="skin"),
        picking.single(ON_SKIN, "skin"),
        picking.edge(foil, (0.0, -44.0, 0.0), "base_top", 5),
        picking.iso(foil, ON_SKIN, "skin", "u", 6, "line"),
        picking.iso(foil, ON_SKIN, "skin", "v", 4),
        picking.spread("base_top", 7, margin=BALL, seed=4),
    ]
    picked = picking.Picked()
    for table in tables:
        picked = picking.added(picked, table)
    return picked


def test_a_study_with_the_text_makes_the_same_targets(foil, every, tmp_path):
    found = picking.made(every, foil, {}, ball_radius=BALL)
    text = f'[study]\noutside = ["{FOIL.parent.as_posix()}"]\n'
    text += f'[part]\nmodel = "{FOIL.as_posix()}"\n[stylus]\nball_diameter = {2 * BALL}\n{picking.plan_text(every)}'
    text += '[touches]\nfile = "touches.csv"\n[[tolerance]]\nkind = "profile"\nwidth = 0.1\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    read = study.load(tmp_path / "study.toml")
    again = targets_made(read, nominal_of(read))
    assert 20 < len(found.targets) < len(found.all), "the ends of the curves are too near to the edge for the ball"
    pd.testing.assert_frame_equal(again.drop(columns="critical"), found.targets, check_exact=True)


def test_targets_are_those_of_the_functions_of_plan(foil, every):
    found = picking.made(every, foil, {})
    tables = [
        plan.pick(foil, [ON_TOP, (40, -30, 0)], faces="base_top", feature='datum "A"'),
        plan.along(foil, plan.section(foil, every.tables[2]["point"], (0, 0, 1), faces="skin"), n=9, feature="skin"),
        plan.pick(foil, [every.tables[3]["points"][0]], faces="skin", feature="skin"),
        plan.along(foil, plan.boundary(foil, "base_top", beside="side_front"), n=5, feature="base_top"),
        plan.along(foil, plan.iso(foil, "skin", u=every.tables[5]["u"]), n=6, feature="line"),
        plan.along(foil, plan.iso(foil, "skin", v=every.tables[6]["v"]), n=4, feature="skin"),
        plan.blue_noise(foil, 7, np.random.default_rng(4), faces="base_top", margin=BALL, feature="base_top"),
    ]
    pd.testing.assert_frame_equal(found.all, plan.join(*tables), check_exact=True)
    sizes = [1, 1, len(tables[1]), 1, *(len(one) for one in tables[3:])]
    assert found.owner.tolist() == np.repeat(range(8), sizes).tolist()
    # geometry that needs no library: the edge lies on y = -45, z = 0, evenly; the parameter lines pass near the click
    edge = array(tables[3], TARGET)
    assert np.abs(edge[:, 1:] - [-45.0, 0.0]).max() < 1e-6
    assert np.ptp(np.diff(np.sort(edge[:, 0]))) < 1e-6
    for line in every.tables[5:7]:
        dense = picking.made(picking.Picked(({**line, "n": 400},)), foil, {}).all
        assert np.linalg.norm(array(dense, TARGET) - ON_SKIN, axis=1).min() < 0.5


def test_move_delete_redistribute_break_up_and_undo(foil, every):
    known: dict[str, pd.DataFrame] = {}
    before = picking.made(every, foil, known)
    elsewhere = picking.moved(every, 3, (-13.4, -3.0, 60.0), "skin")
    found = picking.made(elsewhere, foil, known)
    changed = np.abs(array(found.all, TARGET) - array(before.all, TARGET)).max(axis=1) > 1e-3
    assert changed.tolist() == (before.owner == 3).tolist()
    with pytest.raises(InputError, match="cannot be moved by itself"):
        picking.moved(every, 2, ON_SKIN, "skin")
    fewer = picking.made(picking.with_number(every, 2, 5), foil, known)
    assert (fewer.owner == 2).sum() == 5
    with pytest.raises(InputError, match="no number of targets"):
        picking.with_number(every, 0, 5)
    gone = picking.made(picking.without(every, 4), foil, known)
    assert len(gone.all) == len(before.all) - (before.owner == 4).sum()
    apart = picking.broken_up(every, 2, before.all[before.owner == 2])
    assert len(apart.tables) == len(every.tables) + 8
    off = array(picking.made(apart, foil, known).all, TARGET) - array(before.all, TARGET)
    assert np.abs(off).max() < 1e-4, "as far as the text rounds"
    assert picking.undone(apart) == every
    assert picking.undone(picking.Picked()) == picking.Picked()


def test_text_is_toml_whatever_the_names(every):
    hostile = 'a "b" \\ \n[[plan]] \x7f é \U0001f600'
    table = picking.single((1e-9, -2.5, 1e5), "face", hostile)
    read = tomllib.loads(picking.plan_text(picking.Picked((table,))))["plan"]
    assert read == [{"how": "pick", "points": [[0.0, -2.5, 100000.0]], "faces": "face", "feature": hostile}]
    assert len(tomllib.loads(picking.plan_text(every))["plan"]) == 7, "single targets that follow each other are one"
    assert picking.plan_text(picking.Picked()) == ""
    html = picked_text.table_html([picked_text.Row(1, "<b>", (0, 0, 0), "planned", "", "<img>")], chosen=True)
    assert "<b>" not in html.replace("<b>Targets", "").replace("<b></b>", "")
    assert "<img" not in html


@pytest.fixture
def shown():
    pytest.importorskip("pythreejs")
    return widgets.pick(shapes.box(), probe=PROBE)


def click(shown, face, share=(0.3, 0.3, 0.4), thing=None, turned=0.0):
    """What the renderer tells of a press and a release on the first facet of a face."""
    part = shown._nominal
    facet = 0 if thing else int(np.flatnonzero(part.facet_face == face)[0])
    point = np.array(share) @ part.vertices[part.facets[facet]]
    for picker, eye in ((shown._part.stage._down, 100.0), (shown._part.stage._up, 100.0 + turned)):
        shown._part.stage.camera.position = (eye, 0.0, 0.0)
        picker.object = thing or shown._part.surface
        picker.faceIndex, picker.point = facet, tuple(point - shown._part.overview.target)
        picker.distance = 12.0
    return point


def button(shown, words):
    import ipywidgets

    return next(one for one in inside(shown, ipywidgets.Button) if one.description == words)


def plain(html):
    return unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", html)))


def test_clicks_make_choose_move_and_delete(shown):
    told = []
    shown.observe(lambda change: told.append(change["new"]), "plan_text")
    point = click(shown, TOP)
    np.testing.assert_allclose(array(shown.targets, TARGET), [point], atol=1e-4)
    np.testing.assert_allclose(array(shown.targets, NORMAL), [[0.0, 0.0, 1.0]], atol=1e-12)
    assert tomllib.loads(told[-1])["plan"][0]["faces"] == shapes.BOX_FACES[TOP]
    assert "1 target, 1 can be touched" in plain(shown._head.value)
    click(shown, TOP, turned=20.0)
    assert len(shown.targets) == 1, "a click that ends a turn of the view makes nothing"
    click(shown, BELOW)
    assert "2 targets, 1 can be touched, 1 cannot be" in plain(shown._head.value)
    assert shown.reached["reachable"].tolist() == [True, False]
    assert shown.reached["reason"].iloc[1][:40] in plain(shown._table.value)
    click(shown, TOP, share=(0.99, 0.005, 0.005))
    assert "1 kept out" in plain(shown._head.value)
    assert len(shown.targets) == 2
    click(shown, None, thing=shown._part.signs)
    assert shown._chosen == 0
    shown._move.value = True
    point = click(shown, TOP, share=(0.2, 0.5, 0.3))
    np.testing.assert_allclose(array(shown.targets, TARGET)[0], point, atol=1e-4)
    assert not shown._move.value
    button(shown, "Delete").click()
    for _ in range(2):
        button(shown, "Undo").click()
    assert len(shown._picked.tables) == 3
    kept = shown._repr_mimebundle_()["text/html"]
    assert shown.plan_text in unescape(kept)
    assert "dry run" in kept
    assert "dry run, single block, reduced feed" in plain(shown._caution.value)


def test_curves_by_a_click_and_what_cannot_be_made_is_said(shown):
    shown._what.value = "section across x"
    click(shown, TOP)
    assert (shown._made.owner == 0).sum() == 8
    shown._number.value = 4
    button(shown, "Redistribute").click()
    assert (shown._made.owner == 0).sum() == 4
    button(shown, "Break into single targets").click()
    assert len(shown._picked.tables) == 4
    shown._what.value = "edge of the face"
    click(shown, TOP, share=(0.5, 0.49, 0.01))
    assert shown._picked.tables[-1]["how"] == "boundary"
    shown._what.value = "parameter line, u fixed"
    click(shown, TOP)
    assert "made of facets" in plain(shown._said.value)
    assert len(shown._picked.tables) == 5
    shown._what.value = "single target"
    for at, words in (("5, 5, nonsense", "three numbers are wanted"), ("5, 5, 10.2", "Click on the part")):
        shown._at.value = at
        button(shown, "Make it there").click()
        assert words in plain(shown._said.value)
    np.testing.assert_allclose(array(shown._made.all, TARGET)[-1], [5, 5, 10])


def test_why_a_target_cannot_be_touched_is_said():
    made = SimpleNamespace(
        all=pd.DataFrame({"touch": [1, 2, 3, 4], "face": "skin", "x0": 0.0, "y0": 0.0, "z0": 0.0}),
        kept=np.array([True, True, True, False]),
    )
    known = pd.DataFrame({"reachable": [True, False], "clearance": [1.5, np.nan], "reason": ["", "the body meets it"]})
    judged = {b"1": known.iloc[0], b"2": known.iloc[1]}
    rows = picked_text.rows_of(made, judged, [b"1", b"2", b"3", b"4"])
    assert [row.word for row in rows] == ["can be touched", "cannot", "?", "kept out"]
    assert [row.state for row in rows] == ["planned", "left out", "planned", "left out"]
    assert rows[1].reason == "the body meets it"
    assert [row.word for row in picked_text.rows_of(made, None, [b"1"] * 4)] == ["", "", "", "kept out"]


@pytest.mark.browser
def test_in_a_notebook_clicks_place_choose_and_undo(chromium, tmp_path):
    pytest.importorskip("playwright.sync_api")
    pytest.importorskip("jupyterlab")
    from test_widget_browser import quiet_notebook

    cell = (
        f"import sys; sys.path.insert(0, {str(Path(shapes.__file__).parent)!r})\n"
        "import shapes\nfrom probekit import plan, widgets\n"
        f"probe = plan.Probe(6.0, 4.0, 40.0, body=((40, 25), (120, 25)))\n"
        "widgets.pick(shapes.box(), probe=probe)"
    )
    with quiet_notebook(chromium, tmp_path, cell) as page:
        canvas = page.locator("canvas")
        page.wait_for_timeout(1000)

        def at(x, y):
            canvas.click(position={"x": x, "y": y})

        def tells(words):
            page.get_by_text(words).first.wait_for()

        at(320, 150)
        tells("1 target, 1 can be touched.")
        at(320, 150)  # its sign
        tells("Targets of the chosen entry")
        page.get_by_label("A click makes").select_option("section across x")
        at(250, 190)
        tells("section across x at")
        page.get_by_label("next click moves the chosen target").check()
        at(400, 190)
        tells("cannot be moved by itself")
        text = page.get_by_label("Text", exact=True).input_value()
        assert [one["how"] for one in tomllib.loads(text)["plan"]] == ["pick", "section"]
        page.screenshot(path=str(tmp_path / "picker.png"))
        page.get_by_role("button", name="Undo").click()
        tells("1 target, 1 can be touched.")
