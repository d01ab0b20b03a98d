"""What a reader sees first, what a screen reader is told, and what a copy of the live page is worth."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bench_report import MARK, until
from browser import serious

from probekit import report
from probekit import scene as pk_scene
from probekit.scene.states import with_states

pytestmark = pytest.mark.browser
IN_SIGHT = """selectors => selectors.filter(s => {
    const all = [...document.querySelectorAll(s)].filter(e => e.getClientRects().length);
    const out = b => b.top < 0 || b.left < 0 || b.bottom > innerHeight + 1 || b.right > innerWidth + 1;
    return !all.length || all.some(e => out(e.getBoundingClientRect()));
})"""

BOXES = """[...document.querySelectorAll('.over .name rect')].map(e => {
    const b = e.getBBox();
    return [b.x, b.y, b.width, b.height];
})"""

SPY = """let make;
Object.defineProperty(globalThis, "probekitTree", {
    get: () => (...all) => { performance.mark("tree"); return make(...all); }, set: (real) => { make = real; },
});"""


@pytest.fixture(scope="module")
def stated(nominal, verdict, results, tmp_path_factory):
    scene = pk_scene.build(nominal, verdict, title="Patch")
    scene = with_states(scene, verdict, nominal, results["alignment"])
    return report.page(scene, verdict, **results, to=tmp_path_factory.mktemp("stated") / "report.html")


@pytest.mark.parametrize("size", [(360, 640), (861, 700)])
def test_the_first_screen_says_it(open_page, stated, size):
    """Verdict, how bad, who, the picture, its switches, and what next, without scrolling; then a touch's numbers."""
    page = open_page(path=stated, viewport={"width": size[0], "height": size[1]})
    shown = [".head h1", ".head .how", ".head .who", ".stage", ".chips #more", "#places h2", "#places li:first-child"]
    assert page.evaluate(IN_SIGHT, shown) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert page.locator(".stage").bounding_box()["height"] > 240
    page.locator("#places a.line").first.click()
    assert (
        page.evaluate(
            IN_SIGHT, ["#reading h2", "#reading .dev", "#reading .zonebar", "#reading .row button", ".over .name.on"]
        )
        == []
    )


def test_axe_finds_nothing_serious(open_page, stated):
    for size, acts in (
        ((1280, 800), ()),
        ((360, 640), ("#places a.line", "#needles", "#section", "#compare", "#more")),
    ):
        page = open_page(path=stated, viewport={"width": size[0], "height": size[1]})
        for selector in acts:
            page.locator(selector).first.click()
        assert serious(page) == []


def crossings(paths):
    """Pairs of leaders, from the bend to the touch, that cross."""
    lines = [
        np.array([p.split("H")[1].split("L")[0] + " " + p.split()[1].split("H")[0], p.split("L")[1]]) for p in paths
    ]
    ends = [np.array([[float(v) for v in one.split()] for one in line]) for line in lines]

    def side(p, q, r):
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return sum(
        side(a[0], a[1], b[0]) * side(a[0], a[1], b[1]) < 0 and side(b[0], b[1], a[0]) * side(b[0], b[1], a[1]) < 0
        for i, a in enumerate(ends)
        for b in ends[i + 1 :]
    )


def test_leaders_do_not_cross_and_names_do_not_overlap(open_page, stated):
    """From ten sides, twelve touches named: more than a page names by itself."""
    page = open_page(path=stated)
    page.evaluate("probekit.overlay.setRows([...Array(12).keys()].map(k => 4 * k + 2))")
    seen = 0
    for k in range(10):
        page.evaluate("k => probekit.view.lookFrom([Math.cos(k), Math.sin(k), 0.5 + 0.1 * (k % 4)])", k)
        page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        paths = page.evaluate("[...document.querySelectorAll('.over .lead')].map(e => e.getAttribute('d'))")
        assert crossings(paths) == 0, paths
        boxes = page.evaluate(BOXES)
        for i, a in enumerate(boxes):
            for b in boxes[i + 1 :]:
                assert a[0] + a[2] <= b[0] or b[0] + b[2] <= a[0] or a[1] + a[3] <= b[1] or b[1] + b[3] <= a[1]
        dashed = page.evaluate("[...document.querySelectorAll('.over .lead.far')].length")
        assert dashed == page.evaluate("[...document.querySelectorAll('.over .name.far')].length")
        seen += len(paths)
    assert seen > 50


def test_states_carry_no_verdict_signs(open_page, stated, verdict):
    page = open_page("#touch=9", path=stated)
    page.locator("#compare").click()
    buttons = page.locator(".compare button")
    assert buttons.all_inner_texts() == ["as judged", "as clamped", "next part, offset off"]
    judged = page.locator("#reading .dev").inner_text()
    assert page.locator("#reading h2 .symbol").count() == 1
    buttons.nth(1).click()
    assert page.locator("#reading .dev").inner_text() != judged
    assert page.locator("#reading h2").inner_text().startswith("Touch 9")
    assert verdict.table["verdict"].iloc[8] not in page.locator("#reading h2").inner_text()
    assert page.locator("#reading h2 .symbol, .over .name use").count() == 0
    assert "not judged" in page.locator(".exaggerated").inner_text()
    page.locator("#compare").click()
    assert page.locator("#reading .dev").inner_text() == judged
    assert page.locator(".exaggerated").is_hidden()


def test_the_cut_follows_the_surface(open_page, stated, nominal):
    """Its places lie on the facets and on the plane; against scipy's own reading of the deviations between vertices."""
    page = open_page(path=stated)
    chains = page.evaluate("probekitSection(probekit.view.surface).cut([1, 0, 0], 33.3).chains")
    places = np.array([[float("nan") if v is None else v for v in p] for chain in chains for p in chain])
    np.testing.assert_allclose(places[:, 0], 33.3, atol=1e-4)
    feet = nominal.engine.feet(places[:, :3])
    assert np.linalg.norm(feet.foot - places[:, :3], axis=1).max() < 2e-3
    along = np.abs(np.diff(np.array([p[1] for p in max(chains, key=len)])))
    assert sum(len(c) for c in chains) > 40
    assert along.max() < 10, "the pieces are joined in order"
    page.locator("#section").click()
    assert page.locator("#cut .plot .curve").get_attribute("d").count("L") > 20
    assert page.locator("#cut .plot .band").count() == 1


def test_german_and_the_decimal_comma(open_page, stated):
    page = open_page("#touch=9", path=stated)
    page.locator("#more").click()
    page.locator("#language").select_option("de")
    assert page.locator("h1").inner_text() == "Nicht konform"
    assert page.evaluate("document.documentElement.lang") == "de"
    assert page.locator("#reading h2").inner_text().startswith("Antastung 9")
    assert "," in page.locator("#reading .dev").inner_text()
    assert page.locator("#inch").inner_text() == "Ganze Sätze bleiben auf Englisch."
    form = page.locator("#answer").inner_text()
    for word in ("Ihre Antwort", "nacharbeiten", "nur Kommentare", "Meine Antwort speichern", "einer Antastung"):
        assert word in form, word
    assert "Your answer" not in form
    page.locator("#answer-show").click()
    assert page.locator("#answer-told").inner_text() == "Wer antwortet? Geben Sie Ihren Namen ein."
    assert page.locator("#page-check").inner_text() == "Ihre Daten sind die, mit denen sie erzeugt wurde."
    assert "Toleranz profile skin" in page.locator("#answer-on option").all_inner_texts()
    page.locator("#answer-on").select_option("Toleranz profile skin")
    page.locator("#answer-text").fill("x")
    page.locator("#answer-add").click()
    assert page.locator("#answer-list").inner_text() == "Toleranz profile skin: x entfernen"
    cell = page.locator("tr[data-row='8'] td").nth(1).inner_text()
    page.locator("#language").select_option("en")
    page.locator("#comma").uncheck()
    assert page.locator("tr[data-row='8'] td").nth(1).inner_text() == cell.replace(",", ".")


def test_the_first_picture_does_not_wait_for_the_search_tree(browser, stated):
    """The names of touches need the tree, which tells what hides them: they come right after the first picture."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(SPY)
    page.goto(stated.as_uri())
    first = until(page, MARK)
    trees = page.evaluate("performance.getEntriesByName('tree').map(e => e.startTime)")
    named = page.evaluate(BOXES)
    page.close()
    assert len(trees) == 1
    assert trees[0] >= first
    assert named


def test_a_copy_of_the_live_page_works(open_page, stated, tmp_path):
    """What a browser saves after use opens, draws, selects, and says nothing on the console."""
    page = open_page("#touch=9", path=stated)
    for selector in ("#needles", "#section", "#compare", "#unit", "#more"):
        page.locator(selector).click()
    copy = tmp_path / "copy.html"
    copy.write_text("<!DOCTYPE html>\n" + page.evaluate("document.documentElement.outerHTML"), encoding="utf-8")
    again = open_page("#touch=12", path=copy)
    assert until(again, MARK)
    assert again.evaluate("probekit.selected()") == "12"
    assert again.locator("#unit").inner_text() == "mm"
    assert again.locator("#faces label").count() == page.locator("#faces label").count()


def test_hover_tells_what_is_measured_and_what_is_interpolated(open_page, stated):
    page = open_page(path=stated)
    box = page.locator("canvas").bounding_box()
    told = set()
    for x in range(int(box["width"] * 0.3), int(box["width"] * 0.7), 23):
        page.mouse.move(box["x"] + x, box["y"] + box["height"] * 0.5)
        page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        if page.locator(".tip").is_visible():
            told.add(page.locator(".tip").inner_text())
    assert any("interpolated" in text for text in told), told


def test_a_distance_between_two_touches(open_page, stated, verdict):
    page = open_page("#touch=9", path=stated)
    page.locator("#more").click()
    page.locator("#measure").click()
    page.evaluate("location.hash = '#touch=12'")
    until(page, "probekit.selected() === '12'")
    contact = verdict.table[["cx", "cy", "cz"]].to_numpy(float)
    told = page.locator("#reading .measured").inner_text()
    assert f"{np.linalg.norm(contact[11] - contact[8]):.4f} mm" in told


def test_the_tree_finds_what_trying_every_facet_finds(open_page, stated):
    page = open_page(path=stated)
    wrong = page.evaluate(
        """() => {
        const s = probekit.view.surface, tree = probekitTree(s.position, s.index);
        const seed = ((a) => () => { a = (a * 1664525 + 1013904223) % 4294967296; return a / 4294967296; })(7);
        const one = (_, f) => probekitTree(s.position, s.index.slice(3 * f, 3 * f + 3));
        const ones = Array.from({ length: s.facets }, one);
        let bad = 0, hits = 0;
        for (let n = 0; n < 300; n++) {
            const o = [100 * seed(), 70 * seed(), 60], d = [seed() - 0.5, seed() - 0.5, -1];
            const u = d.map(x => x / Math.hypot(...d));
            let best = Infinity;
            for (let f = 0; f < s.index.length; f += 3) {
                const met = ones[f / 3].cast(o, u);
                if (met && met.way < best) best = met.way;
            }
            const found = tree.cast(o, u)?.way ?? Infinity;
            hits += found < Infinity;
            if (found !== best) bad++;
        }
        return [bad, hits];
    }"""
    )
    assert wrong[0] == 0
    assert wrong[1] > 100
