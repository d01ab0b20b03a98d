"""The page of a plan: as text, and in a real Chromium, offline, from a file."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bench_report import until
from scene import planned, synthetic
from thorough import some

from probekit import program, report
from probekit.errors import InputError
from probekit.plan.route.pace import CycleTime
from probekit.scene.playing import played_all

SELECTED = "probekit.selected()"


@pytest.fixture(scope="module")
def given():
    return planned.planned()


@pytest.fixture(scope="module")
def scene():
    return planned.planned_scene(title="Block <b> & $co")


@pytest.fixture(scope="module")
def plan_file(scene, given, tmp_path_factory):
    return report.plan_page(
        scene,
        route=given["route"],
        cautions=["a <spindle> moves"],
        provenance=[("study", "</script><script>window.hurt=3</script>")],
        notes=["a note with <i>tags</i>"],
        to=tmp_path_factory.mktemp("plan") / "plan.html",
    )


@pytest.fixture(scope="module")
def text(plan_file):
    return plan_file.read_text(encoding="utf-8")


@pytest.fixture
def open_plan(open_page, plan_file):
    return lambda fragment="", **options: open_page(fragment, path=plan_file, **options)


@pytest.mark.parametrize(("seconds", "told"), [(369.4, "6:09"), (369.6, "6:10"), (59.7, "1:00"), (3.0, "0:03")])
def test_card_and_player_tell_the_same_time(given, scene, seconds, told, tmp_path):
    route = given["route"]
    one = played_all(program.moves_of(route, given["probe"], given["kinematics"], tool=1), given["kinematics"],
                     given["probe"], route.pace, {})[0]  # fmt: skip
    one = replace(one, seconds=one.seconds * seconds / one.seconds[-1])
    text = report.plan_page(
        replace(scene, plays=(one,)), route=route, time=CycleTime(seconds, 0.0, 0.0, 0.0), to=tmp_path / "p.html"
    ).read_text("utf-8")
    minutes, rest = told.split(":")
    assert f"{minutes} min {rest} s" in text
    assert f'"lasts":"{told}"' in text.replace(": ", ":")


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", html))


def test_headline_and_counts(text, given):
    assert re.search(r"10 of 12 targets can be touched ?\. 1 of them is critical; 2 left out", plain(text))
    features = re.search(r'<section id="features">(.*?)</section>', text, flags=re.S).group(1)
    rows = [plain(row).split() for row in re.findall(r"<tr>(.*?)</tr>", features)]
    assert rows[1][-4:] == ["6", "6", "0", "0"], "top"
    assert rows[2][-4:] == ["4", "4", "1", "0"], "front"
    assert rows[3][-4:] == ["2", "0", "0", "2"], "left, behind the clamp"
    assert f"{given['route'].time.touching:.0f} s" in text


def test_the_table_is_in_the_order_of_touching(text, given):
    rows = re.findall(r'<tr id="touch=(\d+)" data-row="(\d+)"><td class="n">(.*?)</td>', text)
    route = given["route"]
    assert [int(touch) for touch, _, _ in rows] == [*route.targets["touch"], *route.left_out["touch"]]
    assert [order for _, _, order in rows[:10]] == [str(k) for k in range(1, 11)]
    assert all("\N{EN DASH}" in order for _, _, order in rows[10:])


def test_every_target_left_out_has_its_reason_on_the_page(text, given):
    section = re.search(r'<section id="left-out">(.*?)</section>', text, flags=re.S).group(1)
    for reason in given["route"].left_out["reason"]:
        assert reason in section.replace("&#x27;", "'")


def test_hostile_text_is_text(text):
    body = text.split('<script type="application/json"')[0]
    assert "<img src=x" not in body
    assert "Block &lt;b&gt; &amp; $co" in body
    assert "A &lt;spindle&gt; moves" in body
    assert "window.hurt=3" in plain(body)
    assert body.count("<script") == 0


def test_motions_go_column_by_column(text, scene):
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, flags=re.S).group(1))
    for packed, solid in zip(data["solids"], scene.solids, strict=True):
        if solid.motions is None:
            assert packed["motions"] is None
            continue
        motions = np.frombuffer(base64.b64decode(packed["motions"]), "<f8").reshape(-1, 4, 4)
        np.testing.assert_array_equal(motions.transpose(0, 2, 1), solid.motions)
        assert np.isnan(motions[-1]).all(), "left out: the probe is nowhere"
    line = data["lines"][0]
    points = np.frombuffer(base64.b64decode(line["points"]), "<f4").reshape(-1, 3)
    np.testing.assert_array_equal(points, scene.lines[0].points)


def test_without_a_route_and_without_reach(given, tmp_path):
    columns = ["touch", "feature", "face", "x0", "y0", "z0", "i", "j", "k"]
    bare = planned.planned_scene(targets=given["targets"][columns], route=None, probe=None, fixtures=())
    page = report.plan_page(bare, to=tmp_path / "bare.html").read_text(encoding="utf-8")
    assert "12 of 12 targets are planned; their reach has not been checked yet" in plain(page).replace("  ", " ")
    for absent in ("Left out, and why", "Estimated time", 'data-layer="probe"', 'id="pose"'):
        assert absent not in page


def test_a_scene_of_a_verdict_is_refused(nominal, verdict, tmp_path):
    from probekit.scene import build

    with pytest.raises(InputError, match="not that of a plan"):
        report.plan_page(build(nominal, verdict), to=tmp_path / "no.html")


@pytest.mark.browser
def test_click_on_a_target_selects_its_row_and_back(open_plan, scene):
    page = open_plan()
    box = page.locator("canvas").bounding_box()
    picked = {}
    for touch in scene.touches["touch"]:
        at = page.evaluate("id => probekit.place(id)", int(touch))
        page.mouse.click(box["x"] + at["x"], box["y"] + at["y"])
        picked[str(touch)] = page.evaluate(SELECTED)
    right = [touch for touch, found in picked.items() if found == touch]
    assert len(right) >= 5, picked
    page.locator("tr[data-row='7'] a").click()
    chosen = str(scene.touches["touch"].iloc[7])
    assert page.evaluate(SELECTED) == chosen
    reading = page.locator("#reading").inner_text()
    assert f"Touch {chosen}" in reading
    assert "No. 8" in reading
    assert "A60 C0" in reading
    assert page.locator(".over .name.on text").text_content() == f"{chosen}: A60 C0"


@pytest.mark.browser
def test_the_selected_target_is_in_sight_beside_the_probe(open_plan, scene):
    """What a click in the middle of the view finds after turning to a target is that target."""
    page = open_plan()
    for row in (0, 5, 8):
        page.locator(f"tr[data-row='{row}'] a").click()
        box = page.locator("canvas").bounding_box()
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        assert page.evaluate(SELECTED) == str(scene.touches["touch"].iloc[row])
        away = np.hypot(*(ink_of_the_probe(page) - [box["width"] / 2, box["height"] / 2]).T)
        covered = np.count_nonzero((away > 14) & (away < 24)) / (np.pi * (24**2 - 14**2))
        assert 0.02 < covered < 0.6, "the probe stands beside the target, not over it"


PIXELS = """on => new Promise(done => {
    const box = document.querySelector("[data-layer='probe']"), canvas = document.querySelector("canvas");
    box.checked = on ?? box.checked;
    box.dispatchEvent(new Event("change"));  // has the next frame drawn: what is asked after it in that frame sees it
    requestAnimationFrame(() => {
        const gl = canvas.getContext("webgl2"), [width, height] = [canvas.width, canvas.height];
        const pixels = new Uint8Array(4 * width * height);
        gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, pixels);
        let text = "";
        for (let k = 0; k < pixels.length; k += 32768) text += String.fromCharCode(...pixels.subarray(k, k + 32768));
        done([width, height, btoa(text)]);
    });
})"""


def pixels(page, probe=None):
    """(height, width, 4) what the stage draws, read where it is drawn: a screenshot may show an earlier frame."""
    page.bring_to_front()  # behind another page nothing is drawn
    width, height, text = page.evaluate(PIXELS, probe)
    return np.frombuffer(base64.b64decode(text), np.uint8).reshape(height, width, 4)[::-1]


def ink_of_the_probe(page):
    """(m, 2) x and y of the pixels of the stage that change when the probe is hidden."""
    hidden, shown = pixels(page, probe=False), pixels(page, probe=True)
    return np.argwhere((hidden != shown).any(axis=2))[:, ::-1]


@pytest.mark.browser
def test_the_probe_is_drawn_at_the_selected_target(open_plan):
    """Between two targets of one pose its picture moves by as much as the targets lie apart in the picture."""
    page = open_plan()
    box, lowest, places = page.locator("canvas").bounding_box(), [], []
    for touch in (1, 5):
        at = page.evaluate("id => probekit.place(id)", touch)
        page.mouse.click(box["x"] + at["x"], box["y"] + at["y"])
        assert page.evaluate(SELECTED) == str(touch)
        column, row = ink_of_the_probe(page).T
        lowest.append((column[row > row.max() - 8].mean(), row.max()))
        places.append((at["x"], at["y"]))
    np.testing.assert_allclose(np.subtract(*lowest), np.subtract(*places), atol=2.5)
    page.evaluate("location.hash = '#touch=11'")
    until(page, f"{SELECTED} === '11'")
    assert not len(ink_of_the_probe(page)), "left out: no probe"


@pytest.mark.browser
@pytest.mark.long
def test_layers_can_be_hidden_and_shown_again(open_plan):
    page = open_plan()
    pictures = [pixels(page).tobytes()]
    for name in ("probe", "ways", "fixtures"):
        page.locator(f"[data-layer='{name}']").uncheck()
        pictures.append(pixels(page).tobytes())
    assert len(set(pictures)) == 4
    for name in ("probe", "ways", "fixtures"):
        page.locator(f"[data-layer='{name}']").check()
    assert pixels(page).tobytes() == pictures[0]


@pytest.mark.browser
@pytest.mark.long
def test_pose_filter_and_left_out_filter(open_plan):
    page = open_plan()
    page.locator("#pose").select_option(label="A60 C0")
    assert page.locator("#touches tbody tr:visible").count() == 4
    assert "4 of 12" in page.locator("#shown").inner_text()
    page.locator("#all").click()
    page.locator("input[data-verdict='left out']").uncheck()
    assert page.locator("#touches tbody tr:visible").count() == 10
    page.locator("#all").click()
    assert page.locator("#touches tbody tr:visible").count() == 12


@pytest.mark.browser
def test_a_target_left_out_tells_its_reason(open_plan, given):
    left = given["route"].left_out.iloc[0]
    page = open_plan(f"#touch={left['touch']}")
    assert left["reason"] in page.locator("#reading").inner_text()
    assert page.locator("#reading .symbol use").get_attribute("href") == "#s-left_out"


@pytest.mark.browser
def test_hostile_names_do_nothing(open_plan):
    page = open_plan()
    assert page.evaluate("window.hurt") is None
    assert page.locator("#feature option", has_text=synthetic.HOSTILE).count() == 1
    assert page.locator("main img").count() == 0


@pytest.mark.browser
@pytest.mark.parametrize("column", some(["x0", "approach_angle", "order"], every=3))
def test_sorting_by_a_column(open_plan, scene, column):
    page = open_plan()
    head = {"x0": "x", "approach_angle": "angle", "order": "no."}[column]
    for name in ("y", head):
        page.get_by_role("button", name=name, exact=True).click()
    rows = page.evaluate("[...document.querySelectorAll('#touches tbody tr')].map((tr) => Number(tr.dataset.row))")
    values = scene.touches[column].to_numpy(float)[rows]
    known = values[np.isfinite(values)]
    assert sorted(rows) == list(range(12))
    np.testing.assert_array_equal(values[: len(known)], np.sort(known))


@pytest.mark.browser
@pytest.mark.long
def test_inches(open_plan):
    page = open_plan("#touch=1")
    page.locator("#unit").click()
    assert "in" in page.locator("#reading").inner_text()
    cell = page.locator("tr[data-row='0'] td.n .q").first.inner_text()
    assert float(cell.replace("\N{MINUS SIGN}", "-")) == pytest.approx(-20 / 25.4, abs=1e-4)


@pytest.mark.browser
@pytest.mark.parametrize("width", some([360, 1280]))
def test_nothing_is_wider_than_the_window(open_plan, width):
    page = open_plan("#touch=3", viewport={"width": width, "height": 800})
    wide = """width => [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > width
        && !e.closest('.scroll, .ruler, .stage, .skip, .units')).map((e) => e.outerHTML.slice(0, 80))"""
    assert page.evaluate("document.documentElement.scrollWidth") <= width, page.evaluate(wide, width)


@pytest.mark.browser
def test_on_a_phone_the_caution_stands_beside_what_can_be_touched(open_plan):
    page = open_plan(viewport={"width": 360, "height": 640})
    said, caution, picture = (page.locator(one).bounding_box() for one in (".verdict", "#cautions", "#view"))
    assert said["y"] + said["height"] <= caution["y"]
    assert caution["y"] + caution["height"] <= picture["y"] < 640


@pytest.mark.browser
def test_without_webgl_pictures_and_table_stay(playwright_session, chromium, plan_file):
    browser = playwright_session.chromium.launch(
        executable_path=chromium, args=["--headless", "--no-sandbox", "--disable-gpu", "--disable-3d-apis"]
    )
    page = browser.new_page()
    page.goto(plan_file.as_uri())
    until(page, "typeof probekit === 'object'")
    assert page.locator(".stage").is_hidden()
    assert page.locator(".stills svg:visible").count() >= 1
    page.locator(".stills a[href='#touch=7'] use").first.dispatch_event("click")
    assert page.evaluate(SELECTED) == "7"
    assert "front" in page.locator("#reading").inner_text()
    browser.close()


@pytest.mark.browser
def test_without_script_the_table_is_there(browser, plan_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(plan_file.as_uri())
    assert page.locator("#touches tbody tr:visible").count() == 12
    assert page.locator(".stills svg:visible").count() >= 1
    assert page.locator(".stage").is_hidden()
    context.close()


@pytest.fixture(scope="module")
def played_file(scene, given, tmp_path_factory):
    """The page with two ways of the probe, the second one half as long."""
    moves = program.moves_of(given["route"], given["probe"], given["kinematics"], tool=9)
    rows = {int(touch): row for row, touch in enumerate(scene.touches["touch"])}
    (whole,) = played_all(moves, given["kinematics"], given["probe"], given["route"].pace, rows)
    half = len(whole.seconds) // 2
    short = {name: getattr(whole, name)[:half] for name in ("seconds", "place", "frame", "row", "kind")}
    both = (whole, replace(whole, name="stops: <early>", **short))
    to = tmp_path_factory.mktemp("played") / "plan.html"
    return report.plan_page(replace(scene, plays=both), route=given["route"], to=to)


def seconds_of(page) -> list[float]:
    """When the probe is at each place of the first way."""
    return page.evaluate(
        "[...new Float32Array(Uint8Array.from(atob(JSON.parse(document.querySelector('#data').textContent)"
        ".plays[0].seconds), c => c.charCodeAt(0)).buffer)]"
    )


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_the_player_moves_the_probe_by_hand_and_by_itself(open_page, played_file, width):
    page = open_page(path=played_file, viewport={"width": width, "height": 800}, reduced_motion="no-preference")
    told, slider = page.locator("#doing"), page.locator("#played")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    before = page.evaluate("probekit.view.drawn()")
    slider.evaluate("e => { e.value = e.max / 2; e.dispatchEvent(new Event('input')); }")
    middle = told.inner_text()
    assert re.match(r"\d+:\d\d of \d+:\d\d: ", middle)
    slider.focus()
    page.keyboard.press("ArrowRight")
    further = float(slider.input_value())
    assert min(abs(further - one) for one in seconds_of(page)) < 0.06, "a key goes to a place of the program"
    assert further > float(slider.get_attribute("max")) / 2
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    assert float(slider.input_value()) < float(slider.get_attribute("max")) / 2
    assert told.inner_text() == slider.get_attribute("aria-valuetext")
    slider.evaluate("e => { e.value = e.max / 2; e.dispatchEvent(new Event('input')); }")
    page.locator("#play").focus()
    page.keyboard.press("Enter")
    until(page, f"document.querySelector('#doing').textContent !== {json.dumps(middle)}")
    page.keyboard.press("Enter")
    assert page.locator("#play").inner_text() == "Play"
    page.locator("#way").select_option(label="stops: <early>")
    assert float(slider.input_value()) == 0.0
    assert page.evaluate("probekit.view.drawn()") == before, "the camera stays"


@pytest.mark.browser
def test_who_wants_less_motion_gets_steps(open_page, played_file):
    page = open_page(path=played_file)  # reduced motion, as all pages of these tests
    page.locator("#play").click()
    until(page, "Number(document.querySelector('#played').value) > 0")
    page.locator("#play").click()
    at = float(page.locator("#played").input_value())
    assert min(abs(at - one) for one in seconds_of(page)) < 0.06, "it stands at a place, not between two"


@pytest.mark.browser
def test_the_player_and_a_chosen_target_do_not_contradict_one_another(open_page, played_file):
    page = open_page(path=played_file)
    told, slider = page.locator("#doing"), page.locator("#played")
    idle = told.inner_text()
    slider.evaluate("e => { e.value = e.max / 2; e.dispatchEvent(new Event('input')); }")
    assert told.inner_text() != idle
    page.locator("#next-touch").click()
    assert page.evaluate(SELECTED) is not None
    assert told.inner_text() == idle, "the probe is at the target, not where the player left it"
    slider.focus()
    page.keyboard.press("ArrowRight")
    assert page.evaluate(SELECTED) is None
    assert told.inner_text() != idle


def test_a_page_without_a_program_has_no_player_to_see(text):
    assert re.search(r'<div class="player js-only gl-only" id="player"[^>]* hidden>', text)
