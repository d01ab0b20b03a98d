"""The report page as text: no browser needed."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from report import unpacking
from scene import synthetic
from scipy.spatial import cKDTree

from probekit import report
from probekit import scene as pk_scene
from probekit.errors import InputError
from probekit.report import language, places, ruler, words
from probekit.report.packing import Packed
from probekit.report.page import asset
from probekit.verdict.words import WORST_FIRST


def test_policy_names_exactly_the_inline_parts(written):
    text = written.read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text).group(1)
    for tag, count in (("script", 19), ("style", 1)):
        bodies = re.findall(rf"<{tag}>(.*?)</{tag}>", text, flags=re.S)
        assert len(bodies) == count
        for body in bodies:
            digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in policy


def test_no_event_handler_no_style_attribute_no_address(written):
    class Reader(HTMLParser):
        found: list = []  # noqa: RUF012

        def handle_starttag(self, tag, attrs):
            for name, value in attrs:
                address = name in ("src", "href") and not (value or "").startswith(("#", "data:"))
                if name.startswith("on") or name == "style" or address:
                    self.found.append((tag, name, value))

    reader = Reader()
    reader.feed(written.read_text(encoding="utf-8"))
    assert reader.found == []


@pytest.mark.parametrize("name", sorted(one.name for one in files("probekit.report").joinpath("assets").iterdir()))
def test_scripts_hold_nothing_that_ends_a_script(name):
    assert name[-3:] != ".js" or not re.search(r"</script|<!--", asset(name), flags=re.I)


def test_the_bundle_ships_with_its_licence():
    assert "MIT License" in asset("three.LICENSE.txt")
    assert "three.js authors" in asset("three.LICENSE.txt")


def test_data_gives_the_scene_back(written, nominal, verdict):
    """The same facets at the same places with the same deviations, in an order that packs better."""
    scene = pk_scene.build(nominal, verdict)
    data = unpacking.block(written.read_text(encoding="utf-8"))
    mesh, found = data["mesh"], unpacking.arrays(data)
    position = found["position"] * np.array(mesh["step"]) + mesh["low"]
    assert np.max(mesh["step"]) < 0.002, "a 100 mm part is rounded by less than 1 um"
    nearest = cKDTree(np.column_stack([scene.vertices, 1e3 * scene.vertex_face]))
    face = np.repeat([0, 1], mesh["faceCounts"])
    away, own = nearest.query(np.column_stack([position, 1e3 * face]))
    assert away.max() < np.max(mesh["step"])
    assert sorted(own) == list(range(len(scene.vertices))), "every vertex once"

    def turned(facets):
        first = facets.argmin(axis=1)
        return sorted(map(tuple, np.take_along_axis(facets, (first[:, None] + np.arange(3)) % 3, axis=1).tolist()))

    assert turned(own[found["facets"]]) == turned(scene.facets)
    assert sorted(map(tuple, np.sort(own[found["edges"]], axis=1).tolist())) == sorted(
        map(tuple, np.sort(scene.edges, axis=1).tolist())
    )
    steps, deviation = found["value"], scene.deviation[own]
    np.testing.assert_array_equal(steps == -32768, np.isnan(deviation))
    shown = ~np.isnan(deviation)
    np.testing.assert_allclose(steps[shown] * mesh["valueStep"], deviation[shown], atol=0.51 * mesh["valueStep"])
    assert mesh["valueStep"] <= scene.legend.span / 400
    assert mesh["faceLimits"] == [[-0.05, 0.05], [pytest.approx(-0.08), 0.02]]


def test_data_gives_the_touches_back(written, verdict):
    data = unpacking.block(written.read_text(encoding="utf-8"))
    found, table = unpacking.arrays(data), verdict.table
    for name, step in data["touches"]["steps"].items():
        values = np.where(found[f"number:{name}"] == -(2**31), np.nan, found[f"number:{name}"] * step)
        np.testing.assert_allclose(values, table[name].to_numpy(float), atol=0.51 * step)
    assert data["touches"]["steps"]["deviation"] == 1e-6
    for name, texts in data["touches"]["texts"].items():
        column = "verdict" if name == "word" else name
        assert [texts[k] for k in found[f"text:{name}"]] == table[column].fillna("").astype(str).tolist()
    places = found["anchor"] * 1e-4 + data["mesh"]["low"]
    there = table["foot_x"].notna().to_numpy()
    np.testing.assert_allclose(places[there], table.loc[there, ["foot_x", "foot_y", "foot_z"]], atol=1e-4)


@pytest.mark.parametrize("kind", ["u1", "u2", "i2", "u4", "i4"])
@pytest.mark.parametrize("how", ["", "d"])
def test_packed_numbers_come_back(kind, how):
    """Also the extremes, whose differences do not fit into the kind."""
    info = np.iinfo(kind)
    rng = np.random.default_rng(5)
    values = rng.integers(info.min, info.max, size=(40, 3), endpoint=True)
    values[:4, 0] = [info.min, info.max, info.min, info.max]
    packed = Packed()
    packed.add("a", values, kind, how)
    packed.add("b", values[:, 1], kind, how)
    found = unpacking.arrays({"packed": packed.text(), "entries": packed.entries})
    np.testing.assert_array_equal(found["a"], values)
    np.testing.assert_array_equal(found["b"], values[:, 1])


def test_same_input_same_bytes(nominal, verdict, tmp_path):
    scene = pk_scene.build(nominal, verdict)
    pages = [report.page(scene, verdict, to=tmp_path / f"{k}.html").read_bytes() for k in range(2)]
    assert pages[0] == pages[1]


def test_what_was_not_given_is_not_shown(nominal, verdict, tmp_path):
    text = report.page(pk_scene.build(nominal, verdict), verdict, to=tmp_path / "r.html").read_text(encoding="utf-8")
    assert 'id="next"' not in text
    assert '<h2 data-w="where">Where to look</h2>' in text
    assert ">Alignment</h2>" not in text
    assert "$" not in re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S)


def test_caution_stands_before_the_suggestions(written):
    text = written.read_text(encoding="utf-8")
    assert "suggestions from a computation, not orders" in text.split('id="places"')[1].split("</section>")[0]
    text = text[text.index('<section id="next"') :]
    assert (
        0
        < text.index("Caution</h3>")
        < text.index("suggestions from a computation, not orders")
        < text.index("Region 1 on")
    )


def test_a_folder_that_is_not_there_is_named(nominal, verdict, tmp_path):
    scene = pk_scene.build(nominal, verdict)
    with pytest.raises(InputError, match=r"no_such_folder.r\.html"):
        report.page(scene, verdict, to=tmp_path / "no_such_folder" / "r.html")
    assert list(tmp_path.iterdir()) == []


def test_many_touches_list_the_worst_and_say_so(tmp_path):
    nominal = synthetic.part()
    verdict = synthetic.verdict(nominal, 2200)
    text = report.page(pk_scene.build(nominal, verdict), verdict, to=tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Only the 200 worst of 2200 touches are listed here; the results file has all." in text
    assert text.count("<tr id=") == 200
    listed = [int(row) for row in re.findall(r'<tr id="touch=\d+" data-row="(\d+)"', text)]
    rank = verdict.table["verdict"].map({word: k for k, word in enumerate(WORST_FIRST)}).to_numpy()
    worse = list(zip(rank, -verdict.table["share"].fillna(0.0), strict=True))
    assert max(worse[row] for row in listed) <= min(worse[row] for row in range(2200) if row not in set(listed))
    assert text.count("<use ") < 1500, "marks of the worst alone"


@pytest.mark.parametrize(
    ("value", "digits", "signed", "text"),
    [
        (-0.01234, 4, True, "\N{MINUS SIGN}0.0123"),
        (0.01234, 4, True, "+0.0123"),
        (-0.00001, 4, True, "0.0000"),
        (0.0, 2, True, "0.00"),
        (12.3456, 3, False, "12.346"),
    ],
)
def test_numbers(value, digits, signed, text):
    assert words.number(value, digits, signed) == text


def test_unknown_lengths_are_dashes():
    for value in (None, np.nan, np.inf):
        assert "\N{EN DASH}" in words.length(value)


def test_table_of_any_frame_is_escaped():
    import pandas as pd

    text = words.frame(
        pd.DataFrame({"<b>": ["<i>", None], "ok": [True, False], "share": [0.25, np.nan]}), "c", {"share": "%"}
    )
    assert "<i>" not in text
    assert "<b>" not in text
    assert "25.0 %" in text
    assert "<td>yes</td>" in text


def test_ruler_puts_marks_where_their_deviation_is(nominal, verdict):
    """A mark at the upper limit's deviation has the x of the limit line; every touch with a deviation has one mark."""
    scene = pk_scene.build(nominal, verdict)
    text = ruler.ruler(scene)
    rows = [int(r) for r in re.findall(r'data-row="(\d+)"', text)]
    assert sorted(rows) == [k for k, d in enumerate(verdict.table["deviation"]) if np.isfinite(d)]
    ticks = dict(re.findall(r'data-mm="([^"]+)" data-n="\d" data-inch="\d" x="([\d.]+)%"', text))
    x = {float(v): float(p) for v, p in ticks.items()}
    slope = (x[max(x)] - x[min(x)]) / (max(x) - min(x))
    marks = re.findall(r'data-row="(\d+)"[^>]*><use href="#s-\w+" x="([\d.]+)%"', text)
    assert len(marks) == len(rows)
    for row, place in marks:
        assert float(place) == pytest.approx(50 + slope * verdict.table["deviation"].iloc[int(row)], abs=0.02)


def test_planned_sections_show_each_touch_where_it_is(written, verdict):
    """Beside the plane y = 45, by brute force: which touches, in what order, how high; and what the caption states."""
    text = written.read_text(encoding="utf-8").partition('<section id="sections">')[2].partition("</section>")[0]
    first, bare = text.split("</figure>")[:2]
    table = verdict.table
    near = table[(table["foot_y"] - 45).abs() < 4]  # the skin is sloped: nearer than 6 along it for sure
    rows = re.findall(r'<th scope="row">(\d+)</th><td class="n"><span class="q" data-mm="([^"]+)"', first)
    shown = {int(touch): float(value) for touch, value in rows}
    assert set(near.loc[near["face"] == "skin", "touch"]) <= set(shown)
    assert len(shown) < len(table) / 2
    by = table.set_index("touch")
    assert shown == pytest.approx(by["deviation"].loc[list(shown)].to_dict(), abs=1e-6)
    x = by["foot_x"].loc[list(shown)].to_numpy()
    assert (np.diff(x) > 0).all() or (np.diff(x) < 0).all(), "along the curve"
    plotted = first.partition('data-w-label="plot.label"')[2].partition("</svg>")[0]
    marks = re.findall(r'href="#touch=(\d+)".*?x="([\d.]+)" y="([\d.]+)"', plotted)
    assert [int(touch) for touch, _, _ in marks] == list(shown)
    high = np.array([float(y) for _, _, y in marks])
    line = np.polyfit(list(shown.values()), high, 1)
    assert line[0] < 0
    assert np.abs(np.polyval(line, list(shown.values())) - high).max() < 0.1, "the picture is to scale"
    along = np.array([float(place) for _, place, _ in marks])
    stations = re.findall(r'<tr><td class="n"><span class="q" data-mm="([^"]+)"', first)
    assert np.ptp(np.array(stations, float) - np.polyval(np.polyfit(along, np.array(stations, float), 1), along)) < 0.3
    assert "rib &lt;1&gt;" in first
    assert "curve on facets" in first
    assert "U = 2 u" in first
    assert 'data-w="section.none"' in bare


def test_every_language_has_every_word(written):
    words_of = language.table()
    assert set(words_of) == set(language.LANGUAGES)
    assert set(words_of["de"]) == set(words_of["en"])
    asked = set()
    for name in ("page.js", "saying.js", "verdict.js", "reading.js", "plot.js", "compare.js"):
        asked |= set(re.findall(r'say\("([^"]+)"\)', asset(name)))
    text = written.read_text(encoding="utf-8")
    asked |= set(re.findall(r'data-w(?:-label)?="([^"]+)"', text))
    assert asked <= set(words_of["en"])
    with pytest.raises(InputError, match="fr"):
        language.say("next", "fr")


def test_every_link_and_picture_is_named(written):
    """No picture that claims to be one image holds links, and every link says where it goes."""
    text = re.sub(r"<(script|style).*?</\1>", "", written.read_text(encoding="utf-8"), flags=re.S)
    for picture in re.findall(r'<svg[^>]*role="img".*?</svg>', text, flags=re.S):
        assert "<a " not in picture
    for attributes, inner in re.findall(r"<a ([^>]*)>(.*?)</a>", text, flags=re.S):
        assert "aria-label=" in attributes or re.sub(r"<[^>]*>", "", inner).strip(), attributes


def test_places_are_ranked_by_share_of_the_zone(verdict, results):
    """Region by region the worst touch, by share: 0.12 of a zone of 0.1 before 0.021 of one of 0.02."""
    found = places.find(verdict, results["action"])
    share = verdict.table["share"].to_numpy(float)
    regions = [one for one in found if one.word in ("high", "low")]
    assert len(regions) == len(results["action"].regions) >= 2
    worst = [share[one.row] for one in regions]
    assert worst == sorted(worst, reverse=True)
    for region, todo in zip(results["action"].regions.itertuples(), results["action"].todo, strict=True):
        rows = np.flatnonzero(verdict.table["touch"].isin(region.ids))
        place = next(one for one in regions if one.row in rows)
        assert share[place.row] == share[rows].max()
        assert place.todo == todo
        assert ("no re-cut" in todo) == (not region.can_recut)
    assert found[-1].word == "missed"
    named = places.labels(verdict, found)
    assert named == list(dict.fromkeys(one.row for one in found))


def test_text_in_a_table_is_not_squeezed_and_takes_no_class_of_the_answers():
    table = words.frame(pd.DataFrame({"a": ["short", "a text that is longer than some words are"]}), "c")
    assert "<td>short</td>" in table
    assert '<td class="prose">' in table
    assert "td.prose" in asset("page.css")
    assert ".prose" not in asset("answers.css")
    assert ".said" in asset("answers.css"), "which is why a cell is not of that class"
