"""The words beside the picture: every text escaped, every number the one of the table."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest
from scene import synthetic

from probekit.scene.model import Limits
from probekit.widgets import text


class Tags(HTMLParser):
    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}


HARMLESS = {"div", "b", "span", "table", "tr", "th", "td", "svg", "path", "br"}


def plain(html: str) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", html))


def test_panel_shows_the_numbers_of_the_table(scene):
    row = int(np.flatnonzero(scene.touches["verdict"] == "high")[0])
    touch = scene.touches.iloc[row]
    shown = plain(text.panel_html(scene, row))
    assert f"{100 * touch['share']:.0f} % (100 % is a limit)" in shown
    for expected in (
        f"Touch {touch['touch']}",
        "high",
        "material left on",
        f"{touch['deviation']:+.4f} mm",
        f"{touch['upper']:+.4f} mm",
        f"{touch['lower']:+.4f} mm",
        f"{touch['x']:.3f}, {touch['y']:.3f}, {touch['z']:.3f}",
        touch["tolerance"],
    ):
        assert expected in shown


def test_panel_of_a_missed_touch_gives_its_reason_and_no_invented_number(scene):
    row = int(np.flatnonzero(scene.touches["verdict"] == "missed")[0])
    html = text.panel_html(scene, row)
    shown = plain(html)
    assert scene.touches["reason"].iloc[row] in shown
    assert "nan" not in shown.lower()
    assert "measured \N{EN DASH}" not in shown
    assert re.search(r"deviation\s+\N{EN DASH}", shown)


def test_panel_without_a_choice_says_what_to_do(scene):
    assert "Click a glyph" in plain(text.panel_html(scene, None))


def test_texts_from_files_cannot_become_markup(scene):
    hostile = synthetic.HOSTILE
    wall = int(np.flatnonzero(scene.touches["feature"] == hostile)[0])
    touches = scene.touches.copy()
    for column in ("feature", "face", "tolerance", "flag", "reason", "verdict"):
        touches[column] = hostile
    touches["touch"] = hostile
    bad = replace(
        scene,
        title=hostile,
        touches=touches,
        captions=(hostile,),
        legend=replace(scene.legend, limits=(Limits(hostile, -0.1, 0.1),)),
    )
    for html in (
        text.panel_html(scene, wall),
        text.panel_html(bad, 0),
        text.legend_html(bad.legend),
        text.note_html(bad, 10, 3),
        text.captions_html(bad),
    ):
        tags = Tags(html)
        assert tags.names <= HARMLESS
        assert not any(name.startswith("on") for name in tags.attributes)
        assert hostile in plain(html)


def test_legend_has_every_stop_limit_and_verdict(scene):
    legend = scene.legend
    html = text.legend_html(legend)
    assert re.findall(r"(#[0-9a-f]{6}) [\d.]+%", html) == [colour for _, colour in legend.stops]
    assert [float(p) for p in re.findall(r"#[0-9a-f]{6} ([\d.]+)%", html)] == pytest.approx(
        np.linspace(0, 100, len(legend.stops)), abs=0.01
    )
    shown = plain(html)
    assert "profile skin: -0.05 to +0.05" in shown
    assert "profile wall: -0.08 to +0.02" in shown
    for entry in legend.verdicts:
        assert (f"({entry.count})" in shown) == (entry.count > 0)
        assert (entry.text in shown) == (entry.count > 0)
        assert (f'fill="{entry.colour}"' in html) == (entry.count > 0)
    left, width = re.search(r"left:([\d.]+)%;width:([\d.]+)%", html).groups()
    assert float(left) == pytest.approx(50 * (1 - 0.05 / legend.span), abs=0.01)
    assert float(width) == pytest.approx(50 * 0.1 / legend.span, abs=0.01)


def test_legend_says_when_a_tolerance_has_one_limit_or_the_colours_end_early(scene):
    inf = float("inf")
    limits = (Limits("a", -inf, 0.05), Limits("b", -0.05, inf), Limits("c", -inf, inf))
    shown = plain(text.legend_html(replace(scene.legend, limits=limits, clipped=True)))
    assert "a: at most +0.05" in shown
    assert "b: at least -0.05" in shown
    assert "c: no limits" in shown
    assert f"\N{LESS-THAN OR EQUAL TO} -{scene.legend.span:g}" in shown
    assert f"\N{GREATER-THAN OR EQUAL TO} +{scene.legend.span:g}" in shown


@pytest.mark.parametrize(
    ("factor", "hidden", "words"),
    [
        (0.0, 0, "Shape: nominal."),
        (1.0, 0, "deviations at true size"),
        (50.0, 1, "50 times larger than they are. 1 touch is hidden"),
        (2.0, 7, "7 touches are hidden"),
    ],
)
def test_heading_says_what_the_picture_does_to_the_truth(scene, factor, hidden, words):
    shown = re.sub(r"\s+", " ", plain(text.note_html(scene, factor, hidden)))
    assert scene.title in shown
    assert words in shown
    assert ("hidden" in shown) == (hidden > 0)
