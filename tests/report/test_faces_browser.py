"""Choosing faces on their page, in a browser: pictures and table are one choice, the line for a study is ready."""

from __future__ import annotations

import pytest
import tiny
from browser import serious

from probekit import nominal
from probekit.report.faces_page import faces_page
from probekit.scene.face_pictures import face_pictures

pytestmark = pytest.mark.browser


def test_faces_are_chosen_in_pictures_and_table(open_page, tmp_path):
    tiny.write(tmp_path)
    part = nominal.load(tmp_path / "block.stl", unit="mm", faces={'a "b"': [30, 20, 20]})
    page = open_page(
        path=faces_page(nominal.list_faces(part), face_pictures(part), title="block", to=tmp_path / "faces.html"),
        ready=False,
    )
    page.locator("#pictures a[data-face='a \"b\"']").first.click()
    shown = page.locator("#picked pre")
    assert shown.text_content() == '[part.faces]\nyour_name = "a \\"b\\""'
    page.locator("tr[data-face=face_3] button").click()
    assert shown.text_content().endswith('your_name = ["a \\"b\\"", "face_3"]')
    assert page.locator("#pictures a.on").count() >= 2
    page.locator("tr[data-face=face_3] button").click()
    assert page.locator("tr.on").count() == 1
    page.select_option("#language", "de")
    assert page.locator("html").get_attribute("lang") == "de"
    said = page.locator("body").inner_text()
    for word in ("Flächen in einem Bild oder in der Tabelle wählen", "Ebene", "Flächeninhalt", "6 Flächen"):
        assert word in said
    assert "Blick von" in page.locator("#pictures svg").first.text_content()
    assert not {"plane", "normal there", "faces,"} & set(said.split())
    page.set_viewport_size({"width": 360, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert serious(page) == []
