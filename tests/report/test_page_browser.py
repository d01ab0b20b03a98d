"""The report page in a real Chromium, offline, from a file."""

from __future__ import annotations

import base64
import re
import struct

import numpy as np
import pytest
from benchmarks.bench_report import until
from browser import PATIENCE, serious
from scene import synthetic
from thorough import some

from probekit import scene as pk_scene
from probekit.scene import colour

pytestmark = pytest.mark.browser
SELECTED = "probekit.selected()"


def at(page, touch) -> tuple[float, float]:
    """Where a touch is in the window [CSS px]."""
    box = page.locator("canvas").bounding_box()
    place = page.evaluate("id => probekit.place(id)", touch)
    return box["x"] + place["x"], box["y"] + place["y"]


def visible(verdict):
    """Touches of the skin, which the first view shows."""
    table = verdict.table
    return table[(table["face"] == "skin") & (table["verdict"] != "missed")]


def lonely(page, verdict):
    """Ids of skin touches with no other touch within 30 px, so that a click there can mean one only."""
    places = {t: at(page, t) for t in verdict.table["touch"]}

    def alone(touch):
        x, y = places[touch]
        return all(abs(x - a) + abs(y - b) > 30 for other, (a, b) in places.items() if other != touch)

    return [t for t in visible(verdict)["touch"] if alone(t)]


def test_nothing_leaves_the_page_and_nothing_injected_runs(open_page):
    """Requests and console are watched by the fixture; hostile text from every field is there as text only."""
    page = open_page()
    assert page.evaluate("window.hurt") is None
    assert page.locator(".head .name").inner_text() == "Bumpy <patch> & $co"
    assert page.locator("#touches td", has_text=synthetic.HOSTILE).count() > 0
    assert page.locator("#feature option", has_text=synthetic.HOSTILE).count() == 1
    assert page.locator("#provenance dd").nth(1).inner_text() == "</script><script>window.hurt=3</script>"
    assert page.locator("main img").count() == 0
    assert page.locator("body script:not([type])").count() == 19


def test_the_policy_forbids_what_is_not_ours(open_page):
    page = open_page(allowed=("Content Security Policy", "violates the following"))
    policy = page.locator("meta[http-equiv]").get_attribute("content")
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    page.evaluate(
        """() => {
            const script = document.createElement("script");
            script.textContent = "window.hurt = 4";
            document.body.append(script);
            document.body.insertAdjacentHTML("beforeend", "<img src='data:,x' onerror='window.hurt = 5'>");
        }"""
    )
    page.wait_for_timeout(200)
    assert page.evaluate("window.hurt") is None
    refused = page.evaluate("fetch('https://example.invalid/').then(() => 'sent', error => error.name)")
    assert refused == "TypeError"


def test_a_click_on_a_glyph_picks_that_touch(open_page, verdict):
    page = open_page()
    touches = lonely(page, verdict)
    assert len(touches) > 8
    for touch in touches[:8]:
        page.mouse.click(*at(page, touch))
        assert page.evaluate(SELECTED) == str(touch)
        row = verdict.table.set_index("touch").loc[touch]
        reading = page.locator("#reading").inner_text()
        assert f"Touch {touch}: {row['verdict']}" in reading
        assert f"{abs(row['deviation']):.4f} mm" in reading
        assert ("material left on" if row["deviation"] > 0 else "material missing") in reading
        assert page.locator("tr.on").get_attribute("data-row") == str(touch - 1)


@pytest.mark.long
def test_picking_follows_the_exaggerated_shape(open_page, verdict):
    page = open_page()
    page.locator("#more").click()
    page.locator("#exaggeration").fill(page.locator("#exaggeration").get_attribute("max"))
    page.locator("#more").click()
    picked = {}
    for touch in lonely(page, verdict):
        page.mouse.click(*at(page, touch))
        picked[str(touch)] = page.evaluate(SELECTED)
    assert all(found in (touch, None) for touch, found in picked.items()), "None: hidden in the exaggerated pit"
    assert sum(found is not None for found in picked.values()) > 10


def test_a_drag_turns_and_does_not_pick(open_page, verdict):
    page = open_page()
    touch = lonely(page, verdict)[0]
    x, y = at(page, touch)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y + 25, steps=4)
    page.mouse.up()
    assert page.evaluate(SELECTED) is None
    assert at(page, touch) != pytest.approx((x, y), abs=3)
    page.evaluate(f"location.hash = '#touch={touch}'")
    until(page, f"{SELECTED} === '{touch}'")
    box = page.locator("canvas").bounding_box()
    page.mouse.move(box["x"] + 8, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] + 30, box["y"] + 20, steps=3)
    page.mouse.up()
    assert page.evaluate(SELECTED) == str(touch), "a tap beside the part clears the reading, a drag keeps it"


def test_a_touch_behind_the_part_is_not_picked(open_page, verdict):
    """Half a turn about z puts the wall behind the skin: what a click found there before, it does not find now."""
    page = open_page()
    table = verdict.table
    found = []
    for touch in table[(table["face"] == "wall") & table["x0"].between(25, 60)]["touch"]:
        page.mouse.click(*at(page, touch))
        if page.evaluate(SELECTED) == str(touch):
            found.append(touch)
    assert len(found) >= 3
    box = page.locator("canvas").bounding_box()
    page.mouse.move(box["x"] + 30, box["y"] + 30)
    page.mouse.down()
    page.mouse.move(box["x"] + 30 + box["height"] / 2, box["y"] + 30, steps=5)  # half a turn about z
    page.mouse.up()
    for touch in found:
        page.mouse.click(*at(page, touch))
        assert page.evaluate(SELECTED) != str(touch)


def test_link_opens_at_its_touch(open_page):
    page = open_page("#touch=17")
    assert page.evaluate(SELECTED) == "17"
    x, y = at(page, 17)
    box = page.locator("canvas").bounding_box()
    assert (x, y) == pytest.approx((box["x"] + box["width"] / 2, box["y"] + box["height"] / 2), abs=2)
    page.mouse.click(x, y)
    assert page.evaluate(SELECTED) == "17", "it is in front, not hidden"
    row, table = page.locator("tr.on").bounding_box(), page.locator("#touches").bounding_box()
    assert table["y"] <= row["y"] <= table["y"] + table["height"] - row["height"]
    page.evaluate("location.hash = '#touch=23'")
    until(page, f"{SELECTED} === '23'")
    assert page.locator(".over .name.on text").text_content().startswith("23: ")


@pytest.mark.long
def test_link_to_an_unknown_touch_selects_nothing(open_page):
    page = open_page("#touch=%3Cimg%20src=x%3E")
    assert page.evaluate(SELECTED) is None


@pytest.mark.long
def test_table_and_ruler_select_in_the_view(open_page):
    page = open_page()
    page.locator("tr[data-row='4'] a").click()
    assert page.evaluate(SELECTED) == "5"
    assert page.locator(".over .name.on").get_attribute("data-row") == "4"
    assert page.url.endswith("#touch=5")
    page.locator(".ruler a[data-row='8'] use").dispatch_event("click")
    assert page.evaluate(SELECTED) == "9"
    assert page.locator(".ruler a.on").get_attribute("data-row") == "8"


def test_filters_hide_rows_marks_and_glyphs(open_page, verdict):
    page = open_page()
    within = verdict.table[verdict.table["verdict"] == "within"]
    touch = next(t for t in lonely(page, verdict) if t in set(within["touch"]))
    page.locator("input[data-verdict=within]").uncheck()
    left = len(verdict.table) - len(within)
    assert page.locator("#touches tbody tr:visible").count() == left
    assert page.locator("#shown").inner_text() == f"Filter on: {left} of {len(verdict.table)} touches shown."
    page.evaluate("scrollTo(0, 0)")
    page.mouse.click(*at(page, touch))
    assert page.evaluate(SELECTED) is None
    page.locator("#all").click()
    page.evaluate("scrollTo(0, 0)")
    page.mouse.click(*at(page, touch))
    assert page.evaluate(SELECTED) == str(touch)
    page.locator("#feature").select_option(label="back")
    assert page.locator("#touches tbody tr:visible").count() == (verdict.table["feature"] == "back").sum()


def test_units_switch_every_figure(open_page, verdict):
    page = open_page("#touch=3")
    deviation = verdict.table["deviation"].iloc[2]
    cell = page.locator("tr[data-row='2'] td").nth(1)
    assert cell.inner_text() == f"{deviation:+.4f}".replace("-", "\N{MINUS SIGN}")
    page.locator("#unit").click()
    inch = f"{deviation / 25.4:+.5f}".replace("-", "\N{MINUS SIGN}")
    assert cell.inner_text() == inch
    assert f"{inch} in" in page.locator("#reading .dev").inner_text()
    assert f"of {0.1 / 25.4:.5f} in" in page.locator(".card .of").first.inner_text()
    assert "mm" not in page.locator(".cards").inner_text()
    assert page.locator("#inch").is_visible()
    ticks = page.locator(".ruler .axis text").all_text_contents()
    assert len(set(ticks)) == len(ticks), "no two ticks of the ruler read alike"
    shown = page.locator("body").inner_text()
    assert " in inches" in shown
    assert re.search(r"\bin in\b", shown) is None
    page.locator("#unit").click()
    assert cell.inner_text() == f"{deviation:+.4f}".replace("-", "\N{MINUS SIGN}")


def test_keyboard_goes_from_touch_to_touch(open_page):
    page = open_page()
    page.locator("canvas").focus()
    page.keyboard.press("ArrowRight")
    assert page.evaluate(SELECTED) == "1"
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate(SELECTED) == "2"
    assert page.locator("#reading").get_attribute("aria-live") == "polite"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Escape")
    assert page.evaluate(SELECTED) is None


def test_everything_operable_is_reached_by_tab_and_named(open_page):
    page = open_page()
    unnamed = page.evaluate(
        """[...document.querySelectorAll("button, input, select, canvas, [role=region]")].filter(e =>
            !(e.getAttribute("aria-label") || e.textContent.trim() || e.labels?.[0]?.textContent.trim()))
            .map(e => e.outerHTML)"""
    )
    assert unnamed == []
    reached = set()
    for _ in range(14):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
    assert {"CANVAS", "unit", "needles", "section", "whole", "more"} <= reached


@pytest.mark.long
def test_exaggeration_is_labelled(open_page):
    page = open_page()
    page.locator("#more").click()
    slider, label = page.locator("#exaggeration"), page.locator(".exaggerated")
    assert label.is_hidden()
    before = at(page, 9)
    slider.fill("4")
    assert label.inner_text() == "Shape exaggerated × 10"
    assert slider.get_attribute("aria-valuetext") == "exaggerated × 10"
    assert max(abs(a - b) for a, b in zip(at(page, 9), before, strict=True)) > 1
    slider.fill("0")
    assert label.inner_text() == "Nominal shape: deviations not drawn"
    slider.fill("1")
    assert label.is_hidden()


def test_colours_on_screen_are_those_of_the_legend(open_page, nominal, verdict):
    """A pixel of the surface beside a touch, facing the viewer, has the sRGB colour that the scene gave it."""
    page = open_page("#touch=9")
    page.locator("input[data-verdict=high]").uncheck()
    page.evaluate("scrollTo(0, 0)")
    box = page.locator("canvas").bounding_box()
    x, y = int(box["x"] + box["width"] / 2), int(box["y"] + box["height"] / 2)
    span = pk_scene.build(nominal, verdict).legend.span
    expected = colour.srgb_to_oklab(colour.diverging(np.array(verdict.table["deviation"].iloc[8] / span)))
    for _ in range(PATIENCE // 1000):  # a busy machine shows a frame late
        page.bring_to_front()
        page.wait_for_timeout(300)
        pixel = pixels(page, page.screenshot(clip={"x": x, "y": y, "width": 1, "height": 1}))
        if np.linalg.norm(colour.srgb_to_oklab(np.array(pixel)) - expected) < 0.03:
            return
    raise AssertionError(f"the pixel stays {pixel}")


def pixels(page, png: bytes) -> list[int]:
    """First pixel of a PNG, decoded by the browser in a page of its own."""
    reader = page.context.new_page()
    try:
        return reader.evaluate(
            """async text => {
                const image = new Image();
                image.src = "data:image/png;base64," + text;
                await image.decode();
                const canvas = document.createElement("canvas");
                canvas.width = canvas.height = 1;
                const pen = canvas.getContext("2d");
                pen.drawImage(image, 0, 0);
                return [...pen.getImageData(0, 0, 1, 1).data].slice(0, 3);
            }""",
            base64.b64encode(png).decode(),
        )
    finally:
        reader.close()


@pytest.mark.long
def test_sorting_by_deviation(open_page):
    page = open_page()
    page.get_by_role("button", name="deviation").click()
    shown = [
        t.replace("\N{MINUS SIGN}", "-") for t in page.locator("#touches tbody tr td:nth-child(3)").all_inner_texts()
    ]
    values = [float(t) for t in shown if t != "\N{EN DASH}"]
    assert values == sorted(values)
    assert shown[-1] == "\N{EN DASH}", "a missed touch comes last"


def test_without_webgl_the_pictures_and_the_table_do_the_job(playwright_session, chromium, written):
    arguments = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-3d-apis"]
    with playwright_session.chromium.launch(executable_path=chromium, args=arguments) as plain:
        page = plain.new_page(viewport={"width": 1280, "height": 800})
        errors = []
        page.set_default_timeout(PATIENCE)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(written.as_uri() + "#touch=7")
        assert page.locator("p.nogl").is_visible()
        assert page.locator("canvas").is_hidden()
        assert page.locator("#exaggeration").is_hidden()
        page.emulate_media(media="print")
        assert page.locator("#touches").is_visible()
        heads = page.locator("#touches thead th")
        assert "deviation" in heads.all_inner_texts(), "as text: a head printed again on each sheet shows no button"
        assert page.locator("#touches thead button:visible").count() == 0
        page.emulate_media(media="screen")
        assert page.locator(".stills svg image").first.is_visible()
        assert "Touch 7:" in page.locator("#reading").inner_text()
        mark = page.locator(".stills a[href='#touch=12'] use").first
        mark.dispatch_event("click")
        assert "Touch 12:" in page.locator("#reading").inner_text()
        page.get_by_role("button", name="Next touch").click()
        assert "Touch 12:" not in page.locator("#reading").inner_text()
        page.locator("#language").select_option("de")  # language, decimals, units and print need no 3D
        assert page.locator("h1").inner_text() == "Nicht konform"
        assert "," in page.locator(".head .how .q").first.inner_text()
        assert page.locator(".card .word").first.inner_text() == "nicht konform"
        assert page.locator("#next h2").inner_text() == "Nächste Schritte"
        assert page.locator("#next .caution h3").inner_text() == "Vorsicht"
        page.locator("#comma").uncheck()
        assert "." in page.locator(".head .how .q").first.inner_text()
        page.locator("#unit").click()
        assert page.locator(".head .how .unit").inner_text() == "in"
        page.locator("#brief").check()
        assert page.evaluate("document.body.classList.contains('brief')")
        page.set_viewport_size({"width": 360, "height": 640})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.evaluate("scrollTo(0, 0)")
        assert page.locator("#reading").bounding_box()["y"] < 640, "what was chosen stands on the first screen"
        assert serious(page) == []
        assert errors == []


def test_without_script_it_is_still_a_report(open_page, verdict):
    page = open_page("#touch=17", ready=False, java_script_enabled=False)
    assert page.locator(".verdict .part").inner_text() == "The part does not conform."
    assert page.locator(".stills svg image").first.is_visible()
    assert page.locator("#touches tbody tr").count() == len(verdict.table)
    assert page.locator("canvas").is_hidden()
    assert page.locator("#exaggeration").is_hidden()
    row, head = (page.locator(s).bounding_box() for s in ("tr[id='touch=17']", "#touches thead"))
    assert head["y"] + head["height"] <= row["y"] + 1 < 800, "the link scrolled to the row, below the head"


@pytest.mark.parametrize("width", some([360, 768]))
def test_narrow_screens_do_not_scroll_sideways(open_page, width):
    page = open_page(viewport={"width": width, "height": 740}, is_mobile=True, has_touch=True)
    page.locator("#unit").click()
    assert page.evaluate("document.documentElement.scrollWidth") == width
    small = page.evaluate(
        """[...document.querySelectorAll("button:not(.sort), select, .units label, .key label")].filter(e => {
            const box = e.getBoundingClientRect();
            return box.width && box.height < 34;
        }).map(e => e.outerHTML)"""
    )
    assert small == []


def test_a_tap_picks_on_a_phone(open_page, verdict):
    page = open_page(viewport={"width": 360, "height": 740}, is_mobile=True, has_touch=True)
    places = {t: at(page, t) for t in verdict.table["touch"]}
    touch = next(
        t
        for t in visible(verdict)["touch"]
        if all(abs(places[t][0] - a) + abs(places[t][1] - b) > 36 for o, (a, b) in places.items() if o != t)
    )
    x, y = places[touch]
    page.touchscreen.tap(x + 5, y - 5)  # a finger is not exact
    assert page.evaluate(SELECTED) == str(touch)


def test_print_shows_pictures_and_every_row(open_page):
    page = open_page()
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 750, "height": 1000})
    assert page.locator("canvas").is_hidden()
    assert page.locator("#previous").is_hidden()
    assert page.locator(".stills svg image").first.is_visible()
    assert page.locator("#touches").evaluate("e => e.scrollHeight === e.clientHeight"), "no row is cut off"
    assert page.evaluate("document.documentElement.scrollWidth") <= 750
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 2


def test_one_sheet_is_one_sheet(open_page):
    page = open_page()
    page.locator("#more").click()
    page.locator("#brief").check()
    page.emulate_media(media="print")
    for kept in (".head", ".stills", ".cards", "#verdict .about", "#features .rule"):
        assert page.locator(kept).first.is_visible(), kept
    for left in ("#touches", "#ruler", "#key", "#provenance", "#answers", "#features table"):
        assert page.locator(left).first.is_hidden(), left
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4"))) == 1


def test_the_png_in_the_page_is_what_the_rasteriser_made(open_page):
    page = open_page()
    href = page.locator(".stills image").first.get_attribute("href")
    data = base64.b64decode(href.partition(",")[2])
    assert struct.unpack(">II", data[16:24]) == (1080, 720)
