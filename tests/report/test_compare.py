"""Two parts side by side: refused where the models differ; linked cameras and one chosen touch in the browser."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import tiny
from benchmarks.bench_report import until
from browser import serious
from scene import synthetic

from probekit import scene as pk_scene
from probekit.cli import main
from probekit.errors import InputError
from probekit.report import Side, compare_page, language
from probekit.scene.pictures import choose_directions

READY = "globalThis.probekit?.sides?.length === 2 && performance.getEntriesByName('probekit:first-view').length"


@pytest.fixture(scope="module")
def sides(nominal, verdict):
    other = synthetic.verdict(nominal, 60, seed=3)
    moved = other.table.assign(deviation=other.table["deviation"] + 0.01)
    first = pk_scene.build(nominal, verdict, title="Patch")
    away = moved[["i", "j", "k"]].to_numpy() @ choose_directions(first)[0] < 0
    moved["verdict"] = np.where(moved["verdict"] == "missed", "missed", np.where(away, "high", "within"))
    other = replace(other, table=moved)
    second = pk_scene.build(nominal, other, title="Patch")
    assert not np.allclose(choose_directions(first)[0], choose_directions(second)[0]), "each suits another side"
    return [
        Side(scene, one, "ab" * 32, f"part <{k}>") for k, (scene, one) in enumerate(((first, verdict), (second, other)))
    ]


@pytest.fixture(scope="module")
def compared(sides, tmp_path_factory):
    return compare_page(*sides, to=tmp_path_factory.mktemp("two") / "compare.html")


def test_other_models_are_refused(sides, tmp_path):
    for model in ("cd" * 32, ""):
        with pytest.raises(InputError, match="different models are not compared"):
            compare_page(sides[0], replace(sides[1], model=model), to=tmp_path / "x.html")
    with pytest.raises(InputError, match="different models"):
        compare_page(*(replace(one, model="") for one in sides), to=tmp_path / "x.html")
    assert not (tmp_path / "x.html").exists()


def test_the_table_has_the_differences(compared):
    text = compared.read_text(encoding="utf-8")
    assert "part &lt;1&gt;" in text
    views = re.findall("seen from</span> ([^<]*)<", text)
    assert len(views) >= 2
    assert views[: len(views) // 2] == views[len(views) // 2 :], "both are seen from the same sides"
    ids = re.findall(r'<svg[^>]* id="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    rows = text.partition('id="touches"')[2].count('data-mm="0.01"')
    assert rows == 59, "every touch but the missed one differs by 0.01"


def test_every_word_of_it_has_an_entry(compared):
    asked = set(re.findall(r'data-w(?:-label)?="([^"]+)"', compared.read_text(encoding="utf-8")))
    assert {"two.difference", "two.canvas.right", "two.frames"} < asked
    assert asked <= set(language.table()["de"])


def test_touches_at_two_places_are_not_subtracted(sides, tmp_path):
    """One number is not one point: the other study may have another plan."""
    table = sides[1].verdict.table
    elsewhere = replace(
        sides[1].verdict, table=table.assign(x0=table["x0"].where(table["touch"] != 7, table["x0"] + 0.02))
    )
    path = compare_page(sides[0], replace(sides[1], verdict=elsewhere), to=tmp_path / "two.html")
    text = path.read_text(encoding="utf-8")
    assert "one number at two places, not in the table:</span> 1: 7" in text
    assert 'data-apart="[&quot;7&quot;]"' in text
    assert text.partition('id="touches"')[2].count('data-mm="0.01"') == 58


def test_the_command_never_writes_over_what_it_reads(tmp_path):
    study = tiny.write(tmp_path)
    other = tmp_path / "other.csv"
    other.write_bytes((tmp_path / "touches.csv").read_bytes())
    before = other.read_bytes()
    assert main(["compare", str(study), str(other), "--to", str(other)]) == 2
    assert other.read_bytes() == before


@pytest.mark.browser
def test_cameras_are_linked_and_a_touch_is_chosen_on_both(open_page, compared, verdict):
    page = open_page(path=compared, ready=False)
    until(page, READY)
    poses = lambda: page.evaluate("probekit.sides.map(s => s.view.pose())")  # noqa: E731

    def alike(pair):
        return all(np.allclose(pair[0][name], pair[1][name], atol=1e-6) for name in ("target", "toward", "zoom"))

    first = poses()
    assert alike(first)
    box = page.locator("#right").bounding_box()
    page.mouse.move(box["x"] + 60, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 130, box["y"] + 90, steps=4)
    page.mouse.up()
    turned = poses()
    assert alike(turned)
    assert not np.allclose(turned[0]["toward"], first[0]["toward"], atol=1e-3)
    page.locator("#left").focus()
    for key in ("ArrowLeft", "ArrowUp", "+"):
        before = poses()
        page.keyboard.press(key)
        after = poses()
        assert alike(after)
        assert after != before, key
    page.keyboard.press("Escape")
    until(page, "probekit.sides.every(s => s.view.pose().zoom === 1)")
    page.locator("#touches tbody td").first.click()  # anywhere in its row
    touch = page.evaluate("probekit.selected()")
    said = page.locator("#reading").inner_text()
    assert said.startswith(f"Touch {touch}: left ")
    assert "right minus left +0.0100 mm" in said
    row = verdict.table.set_index("touch").loc[int(touch)]
    assert f"{abs(row['deviation']):.4f}" in said
    assert page.locator(".over .name.on").count() == 2
    assert page.locator("tr.on").count() == 1
    page.locator("#language").select_option("de")
    said = page.locator("#reading").inner_text()
    assert said.startswith(f"Antastung {touch}: links ")
    assert "rechts minus links +0,0100 mm" in said, "with a decimal comma"
    page.locator("#unit").click()
    assert "rechts minus links +0,00039 in" in page.locator("#reading").inner_text(), "0.01 mm / 25.4"
    first = page.locator("#touches tbody tr").first
    shown = float(first.locator("td.n").nth(2).inner_text().replace(",", "."))
    assert shown == pytest.approx(0.01 / 25.4, abs=6e-6)
    assert "zwei Teile" in page.locator("h1").inner_text()
    assert page.locator(".over text", has_text=re.compile(r"[\d] in$")).count() >= 2, "the scale bars, too"


@pytest.mark.browser
def test_it_fits_a_phone_and_paper_and_axe_finds_nothing_serious(open_page, compared):
    page = open_page(path=compared, ready=False, viewport={"width": 360, "height": 640})
    until(page, READY)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    boxes = [page.locator(name).bounding_box() for name in ("#left", "#right")]
    assert boxes[0]["y"] + boxes[0]["height"] <= boxes[1]["y"], "one above the other"
    assert serious(page) == []
    page.emulate_media(media="print")
    assert page.locator("canvas").first.is_hidden()
    assert page.locator(".stills svg").count() >= 2
    assert page.locator(".stills svg").first.is_visible()
