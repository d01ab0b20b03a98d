"""The report page as text: no browser needed."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from scene import synthetic

from probekit import report
from probekit import scene as pk_scene
from probekit.errors import InputError
from probekit.report import ruler, words
from probekit.report.page import asset


def test_policy_names_exactly_the_inline_parts(written):
    text = written.read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text).group(1)
    for tag, count in (("script", 7), ("style", 1)):
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


def test_scripts_hold_nothing_that_ends_a_script():
    for name in (
        "three.bundle.js",
        "extras.js",
        "view.js",
        "reading.js",
        "plan.js",
        "page.js",
        "pristine.js",
        "answers.js",
    ):
        assert not re.search(r"</script|<!--", asset(name), flags=re.I)


def test_the_bundle_ships_with_its_licence():
    assert "MIT License" in asset("three.LICENSE.txt")
    assert "three.js authors" in asset("three.LICENSE.txt")


def test_data_gives_the_scene_back(written, nominal, verdict):
    scene = pk_scene.build(nominal, verdict)
    text = written.read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, flags=re.S).group(1))
    mesh = data["mesh"]

    def numbers(packed, kind):
        return np.frombuffer(base64.b64decode(packed), kind)

    position = numbers(mesh["position"], "<u2").reshape(-1, 3) * mesh["step"] + mesh["low"]
    np.testing.assert_allclose(position, scene.vertices, atol=0.51 * np.max(mesh["step"]))
    assert np.max(mesh["step"]) < 0.002, "a 100 mm part is rounded by less than 1 um"
    threes = numbers(mesh["facets"], "u1").reshape(-1, 3).astype(int) @ [1, 256, 65536]
    np.testing.assert_array_equal(threes.reshape(-1, 3), scene.facets)
    steps = numbers(mesh["value"], "<i2")
    np.testing.assert_array_equal(steps == -32768, np.isnan(scene.deviation))
    shown = ~np.isnan(scene.deviation)
    np.testing.assert_allclose(steps[shown] * mesh["valueStep"], scene.deviation[shown], atol=mesh["valueStep"])
    np.testing.assert_array_equal(np.repeat([0, 1], mesh["faceCounts"]), scene.vertex_face)
    assert mesh["faceLimits"] == [[-0.05, 0.05], [pytest.approx(-0.08), 0.02]]
    assert data["touches"]["deviation"][-1] is None
    assert data["touches"]["feature"] == [str(f) for f in scene.touches["feature"]]


def test_same_input_same_bytes(nominal, verdict, tmp_path):
    scene = pk_scene.build(nominal, verdict)
    pages = [report.page(scene, verdict, to=tmp_path / f"{k}.html").read_bytes() for k in range(2)]
    assert pages[0] == pages[1]


def test_what_was_not_given_is_not_shown(nominal, verdict, tmp_path):
    text = report.page(pk_scene.build(nominal, verdict), verdict, to=tmp_path / "r.html").read_text(encoding="utf-8")
    assert "What next" not in text
    assert "<h2>Alignment" not in text
    assert "$" not in re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S)


def test_caution_stands_before_the_suggestions(written):
    text = written.read_text(encoding="utf-8")
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
    assert "Only the 2000 worst of 2200 touches are listed here" in text
    assert text.count("<tr id=") == 2000
    for row in np.flatnonzero(verdict.table["verdict"].isin(["high", "low", "missed", "undecided"])):
        assert f'data-row="{row}"' in text


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
    ticks = dict(re.findall(r'data-mm="([^"]+)" data-n="\d" x="([\d.]+)%"', text))
    x = {float(v): float(p) for v, p in ticks.items()}
    slope = (x[max(x)] - x[min(x)]) / (max(x) - min(x))
    marks = re.findall(r'data-row="(\d+)"[^>]*><use href="#s-\w+" x="([\d.]+)%"', text)
    assert len(marks) == len(rows)
    for row, place in marks:
        assert float(place) == pytest.approx(50 + slope * verdict.table["deviation"].iloc[int(row)], abs=0.02)
