"""The browser adds up what proves a value, and says so where it does not come out."""

from __future__ import annotations

import copy

import numpy as np
import pytest
import shapes
from tolerance.test_proving import out_of_round
from tolerance.touched import table as touched

from probekit import report
from probekit import scene as pk_scene
from probekit.deviation import project
from probekit.report.page import asset
from probekit.report.proofs import proof_data
from probekit.tolerance import flatness, size
from probekit.verdict import classify

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def proofs() -> dict[str, dict]:
    rng = np.random.default_rng(4)
    at = np.column_stack([rng.uniform(-25, 25, (30, 2)), rng.normal(scale=0.003, size=30)])
    side = np.repeat([-1.0, 1.0], 15)
    web = np.column_stack([rng.uniform(-20, 20, (30, 2)), side * (5 + rng.normal(scale=0.01, size=30))])
    corners = np.array([[x, y, z] for x in (-3, 3) for y in (-3, 3) for z in (-3, 3)], dtype=float)
    flat = touched(at, [0, 0, 1.0])
    planes = touched(
        web, np.column_stack([np.zeros((30, 2)), side]), foot=web * [1, 1, 0] + np.outer(5 * side, [0, 0, 1])
    )
    ball = touched(corners, corners / np.sqrt(27.0), foot=corners)
    judged = {
        "zone": (flat, flatness(flat, 0.05)),
        "bore": (bore := out_of_round(bore=True), size(bore, (19.8, 20.2))),
        "boss": (boss := out_of_round(bore=False), size(boss, (19.8, 20.2))),
        "planes": (planes, size(planes, (9.9, 10.1), of="width")),
        "sphere": (ball, size(ball, (10.2, 10.6), of="sphere", method="minimum_circumscribed")),
    }
    return {
        name: proof_data(classify(table.assign(u=0.001), one))[0]
        | {"size": one.envelopes[0].size if one.envelopes else one.actual}
        for name, (table, one) in judged.items()
    }


@pytest.fixture(scope="module")
def prove(browser):
    page = browser.new_page()
    page.evaluate(f"() => {{ {asset('proof.js')} }}")
    yield lambda one: page.evaluate("one => globalThis.probekitProve(one)", one)
    page.close()


def test_what_holds_is_found_to_hold_and_what_does_not_is_not(proofs, prove):
    for name, one in proofs.items():
        assert prove(one)["holds"], name
        assert prove(one)["proved"] == pytest.approx(one["size"], abs=4e-6)
        heavier = copy.deepcopy(one)
        heavier["weight"][0] += 0.01
        heavier["weight"][1] -= 0.01
        assert not prove(heavier)["holds"], f"{name}: other weights"
        doubled = copy.deepcopy(one)
        doubled["rows"][0] = doubled["rows"][1]
        assert not prove(doubled)["holds"], f"{name}: one touch twice"
        minus = copy.deepcopy(one) | {"weight": [-w for w in one["weight"]]}
        assert not prove(minus)["holds"], f"{name}: negative weights"
        if name == "zone":
            assert not prove(one | {"value": one["value"] - 1e-5})["holds"], "a narrower zone"
            continue
        assert not prove(one | {"radius": one["radius"] + 1e-5})["holds"], f"{name}: another size"
        away = np.asarray(one["at"]) + np.array([0, 0, 1e-3] if name == "planes" else [1e-3, 0, 0])
        assert not prove(one | {"at": away.tolist()})["holds"], f"{name}: another place"
        further = copy.deepcopy(one)
        free = next(k for k in range(len(one["points"])) if k not in one["rows"]) if name != "sphere" else 0
        centre = np.asarray(one["at"])
        off = np.asarray(further["points"][free]) - centre
        if one["direction"] is not None and name != "planes":
            off = off - (off @ np.asarray(one["direction"])) * np.asarray(one["direction"])
        further["points"][free] = (np.asarray(one["points"][free]) + off * (0.02 if one["outside"] else -0.02)).tolist()
        assert not prove(further)["holds"], f"{name}: a touch beyond it"


def test_the_page_says_what_it_has_added_up(open_page, tmp_path):
    """And where a number of the page was changed, that it does not add up."""
    rng, part = np.random.default_rng(4), shapes.plane_patch()
    xy = rng.uniform(-25, 25, (30, 2))
    table = project(np.column_stack([xy, 0.01 * np.sin(xy[:, 0] / 9) + rng.normal(scale=0.003, size=30)]), part)
    table = table.assign(touch=np.arange(101, 131), feature="top", u=0.001)
    judged = classify(table, flatness(table, 0.05, features=["top"]))
    path = report.page(pk_scene.build(part, judged), judged, to=tmp_path / "page.html")
    page = open_page(path=path)
    assert "no small motion makes it narrower" in page.locator(".proof").inner_text()
    assert "Added up in this browser" in page.locator(".proof span").inner_text()
    text = path.read_text(encoding="utf-8")
    value = f'"value":{proof_data(judged)[0]["value"]}'
    assert text.count(value) == 1
    actual = judged.evaluations[0].actual
    assert f"it holds with {actual:.4f} mm" in page.locator(".proof span").inner_text()
    shown = f'data-mm="{actual:.7g}"'
    assert text.count(shown) == 2, "on the card and in the headline"
    first, last = text.index(shown), text.rindex(shown)
    for changed in (
        text.replace(value, '"value":0.001'),
        text.replace('"times":2', '"times":1'),
        text[:first] + text[first:].replace(shown, 'data-mm="0.007"', 1),
        text[:last] + text[last:].replace(shown, 'data-mm="0.007"', 1),
    ):
        path.write_text(changed, encoding="utf-8")
        assert "does not add up" in open_page(path=path).locator(".proof.fails span").inner_text()
