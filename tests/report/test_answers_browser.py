"""Answers given on the page, in a real Chromium, from a file: saved, read back, saved again."""

from __future__ import annotations

import hashlib
import json
import re
from functools import partial

import pytest
from benchmarks.bench_report import until
from settle.answering import COMMENTS, NAUGHTY, answer
from thorough import some

from probekit import settle
from probekit.settle.pages import page_from

pytestmark = pytest.mark.browser
NO_3D = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-3d-apis")  # drawn elsewhere; here it only costs time
NO_SUBTLE = "Object.defineProperty(globalThis.crypto, 'subtle', {value: undefined})"
CHECKED = "document.querySelector('#answers').dataset.checked"


@pytest.fixture(scope="module")
def browser(playwright_session, chromium):
    running = playwright_session.chromium.launch(executable_path=chromium, args=list(NO_3D))
    yield running
    running.close()


@pytest.fixture
def open_answers(open_page):
    """Open a page that can be answered."""
    return partial(open_page, ready=False, allowed=("3D view did not start", "WebGL"))


def give(page, name="M. Keller", what="re-cut", reason="0.03 left on", text="", on="touch", touch="7"):
    page.locator("#answer-name").fill(name)
    page.locator("#answer-role").fill("planner")
    page.locator(f"#answer input[value='{what}']").check()
    page.locator("#answer-reason").fill(reason)
    if text:
        page.locator("#answer-on").select_option(on)
        if on == "touch":
            page.locator("#answer-touch").fill(touch)
        page.locator("#answer-text").fill(text)
        page.locator("#answer-add").click()


def downloaded(page, button, tmp_path):
    with page.expect_download() as waiting:
        page.locator(button).click()
    path = tmp_path / waiting.value.suggested_filename
    waiting.value.save_as(path)
    return path


def test_an_answer_is_saved_and_settled(open_answers, written, tmp_path):
    page = open_answers("#touch=7")
    give(page, text=NAUGHTY[:90].replace("\u2028", ""), touch="")
    page.locator("#answer-touch").fill("7")
    page.locator("#answer-add").click()
    page.locator("#answer-on").select_option("part")
    page.locator("#answer-text").fill("not added by its button")
    path = downloaded(page, "#answer-save", tmp_path)
    of = settle.read_page(written)
    assert path.name == f"answer_{of.hash[:8]}_M_Keller.json"
    (found,) = settle.read_answers(path.read_bytes(), source=path.name)
    assert (found.who, found.disposition, found.reason) == ("M. Keller, planner", "re-cut", "0.03 left on")
    assert [(one.on, one.id) for one in found.comments] == [("touch", "7"), ("part", "")]
    assert found.comments[0].text == NAUGHTY[:90].replace("\u2028", "").strip()
    assert settle.merge(of, [found]).sentence == "Disposition: re-cut (M. Keller, planner)."


def test_the_text_to_copy_is_the_same_answer(open_answers, written):
    page = open_answers()
    give(page, what="concession", text="a hand's breadth off", on="part")
    page.locator("#answer-show").click()
    text = page.locator("#answer-copy").input_value()
    (found,) = settle.read_answers(text.encode(), source="mail")
    assert found.disposition == "concession"
    assert settle.merge(settle.read_page(written), [found]).decision == "concession"


@pytest.mark.parametrize(
    ("spoil", "told"),
    some(
        [
            ({"name": " "}, "Type your name"),
            ({"reason": " "}, "Type the reason for your disposition: re-cut"),
            ({"what": ""}, "Choose what should be done, or add a comment."),
            ({"text": "x", "touch": "4711"}, "There is no such touch on this page: 4711"),
            ({"reason": "turned \u202e"}, "cannot be seen"),
        ]
    ),
)
def test_what_is_missing_is_said_and_nothing_is_saved(open_answers, spoil, told):
    page = open_answers()
    give(page, **spoil)
    if "touch" not in spoil:
        page.locator("#answer-show").click()
    assert told in page.locator("#answer-told").inner_text()
    assert page.locator("#answer-copy").is_hidden()


@pytest.mark.parametrize("subtle", [True, False])
def test_the_page_checks_its_data_with_and_without_the_browsers_own_sha(open_answers, written, tmp_path, subtle):
    page = open_answers()
    if not subtle:
        page.add_init_script(NO_SUBTLE)
        page.reload()
        assert page.evaluate("crypto.subtle") is None
    assert until(page, CHECKED) == "yes"
    assert page.locator("#page-name").inner_text() == settle.read_page(written).hash[:8]
    assert "those that it was made with" in page.locator("#page-check").inner_text()
    changed = tmp_path / "changed.html"
    text = written.read_text(encoding="utf-8")
    changed.write_text(text.replace('"wordOrder":', '"wordOrder": '), encoding="utf-8")
    page = open_answers(path=changed)
    if not subtle:
        page.add_init_script(NO_SUBTLE)
        page.reload()
    assert until(page, CHECKED) == "no"
    assert "were changed" in page.locator("#page-check").inner_text()
    assert page.locator("#answer").is_hidden()


def test_our_sha_is_sha(open_answers):
    """Against hashlib, at every length around the blocks of 64 bytes (FIPS 180-4, 5.1.1)."""
    page = open_answers()
    found = page.evaluate(
        """[...Array(200).keys()].map(n =>
            probekitAnswers.sha256(Uint8Array.from({length: n}, (_, k) => (k * 7 + n) % 256)))"""
    )
    assert found == [hashlib.sha256(bytes((k * 7 + n) % 256 for k in range(n))).hexdigest() for n in range(200)]


def test_a_saved_page_works_and_its_copy_is_the_same(open_answers, written, tmp_path):
    page = open_answers()
    page.locator("tr[data-row='4'] a").click()  # the live page is not what is saved
    page.locator("#unit").click()
    give(page, text="see <b>here</b>", touch="5", reason=NAUGHTY[:80].replace("\u2028", ""))
    path = downloaded(page, "#answer-page", tmp_path)
    (found,) = settle.read_answers(path.read_bytes(), source=path.name)
    assert found.reason == NAUGHTY[:80].replace("\u2028", "").strip()
    assert not page_from(path.read_text(encoding="utf-8")).intact, "a browser wrote it"
    scripts = [
        re.findall(r"<script>(.*?)</script>", p.read_text(encoding="utf-8"), flags=re.S) for p in (path, written)
    ]
    assert scripts[0] == scripts[1]

    copy = open_answers("#touch=5", path=path)
    assert copy.evaluate("window.hurt") is None
    assert copy.evaluate("probekit.selected()") == "5"
    assert until(copy, CHECKED) == "yes"
    assert "Disposition: re-cut (M. Keller, planner)." in copy.locator("#decision").inner_text()
    assert "see <b>here</b>" in copy.locator("#said").inner_text()
    assert copy.locator("#said b").count() == 1, "the disposition, and nothing that was typed"
    again = tmp_path / "again.html"
    again.write_text(copy.evaluate("probekitAnswers.written()"), encoding="utf-8")
    assert again.read_bytes() == path.read_bytes(), "a copy of a copy is the same"
    plain = open_answers(path=again, java_script_enabled=False)
    assert "Disposition: re-cut" in plain.locator("#decision").inner_text()
    assert plain.locator("#answer").is_hidden()

    give(copy, name="B. Ito", what="scrap")
    second = downloaded(copy, "#answer-page", tmp_path)
    assert len(settle.read_answers(second.read_bytes())) == 2
    assert "contradict each other" in open_answers(path=second).locator("#decision").inner_text()


def test_the_page_says_what_python_says(open_answers, written, tmp_path):
    """Without and with script a settled page shows the same words; and what it would save again holds the same."""
    of = settle.read_page(written)
    given = [
        answer(of, comments=COMMENTS),
        answer(of, "Ö. Äß", "accept", 3, reason=NAUGHTY),
        answer(of, "a. novak", "scrap", 9),
        answer(of, "C", "", 4, role="", comments=COMMENTS[::-1]),
        answer(of, "D", "scrap", 4, edition="c" * 64),
    ]
    path = tmp_path / "settled.html"
    settled = settle.merge(of, given)
    path.write_text(settle.render(of, settled), encoding="utf-8")
    page, plain = open_answers(path=path), open_answers(path=path, java_script_enabled=False)
    for place in ("#decision", "#said"):
        told = page.locator(place).inner_html()
        assert told == plain.locator(place).inner_html()
        assert told
    assert page.locator("#decision .settled").inner_text() == settled.sentence
    assert page.locator(".sides > li").count() == 2
    text = page.evaluate("probekitAnswers.written()")
    assert set(page_from(text).given) == set(given)
    ids = page.evaluate(
        """answers => answers.map(one => {
            const sorted = v => Array.isArray(v) ? v.map(sorted) : v && typeof v === "object" ?
            Object.fromEntries(Object.keys(v).sort().map(k => [k, sorted(v[k])])) : v;
            return probekitAnswers.sha256(new TextEncoder().encode(JSON.stringify(sorted(one)))); })""",
        [one.data for one in given],
    )
    assert ids == [one.id for one in given], "the bytes that are signed are the same in both languages"


@pytest.mark.parametrize("width", [360, 768])
def test_the_form_fits_a_phone(open_answers, width):
    page = open_answers(viewport={"width": width, "height": 740}, is_mobile=True, has_touch=True)
    give(page, text="x" * 300, on="part", reason="y" * 300)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    low = page.evaluate(
        "[...document.querySelectorAll('#answer button, #answer input:not([type=radio]), #answer select')]"
        ".filter(e => e.offsetHeight && e.offsetHeight < 36).map(e => e.outerHTML)"
    )
    assert low == []


def test_the_form_is_reached_and_named(open_answers):
    page = open_answers()
    unnamed = page.evaluate(
        "[...document.querySelectorAll('#answer input, #answer select, #answer textarea, #answer button')].filter(e =>"
        "!(e.getAttribute('aria-label') || e.textContent.trim() || e.labels?.[0]?.textContent.trim())).map(e => e.id)"
    )
    assert unnamed == []
    assert json.loads(page.locator("#given").inner_text()) == []
