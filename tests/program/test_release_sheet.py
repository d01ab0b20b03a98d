"""The release sheet: complete, escaped, self-contained, readable on a phone; and it releases nothing."""

from __future__ import annotations

import hashlib
import os
import re
from html import escape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from browser import ARGUMENTS

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis
from probekit.plan.probe import Probe, Tip
from probekit.program import check, merge, release_sheet, run
from probekit.program.checking.by_hand import by_hand

PROBE = Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (110.0, 40.0)))
TABLE = Kinematics((RotaryAxis("A", "table"), RotaryAxis("C", "head")), travel=((-200, 200), (-150, 150), (-50, 300)))
MILLING = (
    "%\nG21 G90 G94 G17 G54\n(FACE)\nT1 M6\nG43 H1\nS9000 M3\nG0 X0 Y0\nG0 Z50\nG1 Z1 F300\nG0 Z50\nM5 M9\nM30\n%\n"
)
PROBING = (
    "(PROBEKIT BEGIN)\nM5\nM9\nT9 M6\nG43 H19\nG0 Z40\nG0 A30 C0\nG0 X5 Y5\nG38.2 Z1 F100\n"
    "(PROBEKIT RECORD 17 top_face 5 5 0 0 0 1)\nG0 Z40\n(PROBEKIT END)\n"
)
MERGED = merge(MILLING, PROBING, after="end", kinematics=TABLE, lift="G0 Z45")
FINDINGS = check(MERGED.text, kinematics=TABLE, probe=PROBE)
EVIL = "<script>alert('x')</script>\"&"


class Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.tags.append(tag)
        assert not [name for name, _ in attrs if name.startswith("on") or name in ("src", "href", "style")]
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text.append(data)


def read(page: str) -> Words:
    words = Words()
    words.feed(page)
    assert words.open == []
    return words


def sheet(**options: object) -> str:
    return release_sheet(MERGED, FINDINGS, **({"kinematics": TABLE, "probe": PROBE} | options))


def test_it_lists_set_up_tools_offsets_moves_and_checks() -> None:
    text = " ".join(" ".join(read(sheet(title="Part 7", set_up=[("Machine", "mill 3")])).text).split())
    for wanted in (
        *("Part 7", "mill 3", "ball 6 mm", "A turns the part", "C turns the tool", "X -200 to 200"),
        *("T1 milling tool H1 9000 300", "T9 probe H19 stands 100", "G54 probing"),
        *("17 top_face 5.000 5.000 0.000", "TOUCH 5.000 5.000 1.000 30 0 100 G38.2 Z1 F100"),
        *("All 13 lines of the milling program are present", "Clamping", "Zero point found by"),
    ):
        assert wanted in text, wanted
    for made in FINDINGS.checks:
        assert made.about in text
    for found in FINDINGS:
        assert found.what in text
        assert found.todo in text
    assert hashlib.sha256(MERGED.data).hexdigest()[:32] in text


def test_it_says_who_releases_and_carries_the_cautions() -> None:
    text = " ".join(read(sheet()).text)
    assert "NOT RELEASED" in text
    assert "To be released by" in text
    for word in (
        "Dry run",
        "single block",
        "override reduced",
        "hands",
        "qualified",
        "local codes",
        "manual of the machine",
    ):
        assert word in text
    assert not re.search(r"\b(is|was) released\b|\bsafe\b", text, re.IGNORECASE)


def test_everything_is_escaped_and_nothing_is_fetched() -> None:
    milling = MILLING.replace("(FACE)", f"({EVIL.replace('(', '').replace(')', '')})")
    probing = PROBING.replace("top_face", "<b>top</b>").replace("G43 H19", "G43 H19 <img>")
    merged = merge(milling, probing, after="end", kinematics=TABLE, lift="G0 Z45")
    page = release_sheet(
        merged, check(merged.text, kinematics=TABLE), title=EVIL, set_up=[(EVIL, EVIL)], kinematics=TABLE
    )
    words = read(page)
    assert not {"script", "img", "b", "link", "iframe", "a"} & set(words.tags)
    assert EVIL in "".join(words.text)
    assert "<b>top</b>" in "".join(words.text)
    assert "default-src 'none'" in page
    assert "http:" not in page
    assert "https:" not in page


def test_severities_are_told_by_word_and_shape_too() -> None:
    hot = check(PROBING.replace("M9", "M8"), kinematics=TABLE)
    text = " ".join(read(release_sheet(PROBING, hot, kinematics=TABLE)).text)
    assert "■ STOP" in text
    assert "▲ LOOK" in text
    assert "□ NOT MADE" in text
    assert "○ nothing found" in text
    assert "Changes to the milling program" not in text


def test_a_program_that_does_not_probe_and_a_file(tmp_path: Path) -> None:
    program = tmp_path / "a b.nc"
    program.write_text("G21\nG0 X1\nM30\n")
    page = release_sheet(program, check(program), to=tmp_path / "sheet.html")
    assert (tmp_path / "sheet.html").read_text(encoding="utf-8") == page
    text = " ".join(read(page).text)
    assert "a b.nc" in text
    assert "None is recorded" in text
    assert str(tmp_path) not in text
    with pytest.raises(InputError, match="cannot be written"):
        release_sheet(program, check(program), to=tmp_path / "none" / "sheet.html")


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1200])
def test_no_sideways_scrolling_and_no_error_in_a_browser(tmp_path: Path, width: int) -> None:
    playwright = pytest.importorskip("playwright.sync_api")
    chromium = Path("/usr/bin/chromium")
    if not chromium.exists() and not os.environ.get("PROBEKIT_REQUIRE_BROWSER"):
        pytest.skip("no Chromium")
    page_file = tmp_path / "sheet.html"
    sheet(to=page_file, title="A rather long name of a part with many words")
    with playwright.sync_playwright() as run:
        browser = run.chromium.launch(executable_path=str(chromium), args=list(ARGUMENTS))
        try:
            page = browser.new_page(viewport={"width": width, "height": 800})
            said: list[str] = []
            page.on("console", lambda message: said.append(message.text))
            page.goto(page_file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            # the style is applied: its checksum in the policy is right
            assert page.evaluate("getComputedStyle(document.querySelector('.findings')).listStyleType") == "none"
            assert said == []
        finally:
            browser.close()


def told_by_hand(kinematics: Kinematics, probe: Probe, body: str = "") -> list[str]:
    text = f"G21 G90 G94 G54 G61\nT9 M6\nG43 H9\nM5\n{body}G0 X0 Y0\nG0 Z50\nG38.2 Z12 F60\nM2\n"
    return by_hand(list(run(text, kinematics=kinematics)), kinematics, probe, {9})


def test_the_length_offset_reaches_to_the_centre_of_the_ball() -> None:
    lines = told_by_hand(Kinematics(), Probe(6.0, 4.0, 50.0, tool_length=170.0))
    assert any(re.search(r"H9 .*CENTRE of the ball: 170 mm.*lower end .* 3 mm too long", line) for line in lines)
    assert any(line.startswith("G54: its zero must be the origin of the model") for line in lines)
    assert len(lines) == 2


@pytest.mark.parametrize("sense", [1, -1])
def test_place_sense_and_pivot_of_rotary_axes_are_told(sense: int) -> None:
    """A positive A of a table turns the part left-handedly about X (ISO 841, from memory): Y plus goes down."""
    probe = Probe(6.0, 4.0, 50.0, tool_length=170.0)
    tilting = RotaryAxis("A", "table", (3, 5, -60.0), (-110, 30), sense=sense)
    table = Kinematics((tilting, RotaryAxis("C", "table", (1, 2, 0))))
    told = "\n".join(told_by_hand(table, probe, "G0 A-30 C0\nT9 M6\nG43 H9\n"))
    assert "Table axis A lies along X plus and passes through Y5 Z-60 of G54" in told
    assert "Table axis C lies along Z plus and passes through X1 Y2 of G54" in told
    assert f"the side of the table towards Y plus must move towards Z {'minus' if sense == 1 else 'plus'}" in told
    assert "the side of the table towards X plus must move towards Y minus" in told
    assert "limits are -110 to 30 degrees" in told
    assert "A carries C" in told
    assert "When the program starts, the display must show A0 C0" in told
    head = Kinematics((RotaryAxis("B", "head", limits=(-100, 100), sense=sense), RotaryAxis("C", "head")), gauge=150.0)
    told = "\n".join(told_by_hand(head, probe))
    assert f"the ball must move towards X {'minus' if sense == 1 else 'plus'}" in told
    assert "the spindle turns counter-clockwise, seen from Z plus" in told
    assert "pivot to the spindle nose 150 mm; from the pivot to the centre of the ball 320 mm" in told


def test_the_sheet_says_how_the_spindle_of_a_star_is_oriented_and_can_be_ticked() -> None:
    star = Probe(4.0, 2.0, 30.0, hub=12.0, tips=(Tip(3.0, 2.0, 20.0, (1, 0, 0), name="right"),), orientation="by hand")
    told = told_by_hand(Kinematics(), star)
    assert "a person turns the spindle" in told[-1]
    assert "right towards (1, 0, 0)" in told[-1]
    text = "G21 G90 G94 G54 G61\nT9 M6\nG43 H9\nM5\nG0 X0 Y0\nG0 Z50\nG38.2 Z12 F60\nM2\n"
    page = release_sheet(text, check(text), probe=star)
    assert all(f'<span class="box"></span><span>{escape(line)}' in page for line in told)
