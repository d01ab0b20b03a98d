"""Who measured what, and when, comes from study or results file and is found on the page, in JSON and in CSV."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest
import tiny

from probekit import InputError, cli, study, touches

ABOUT = """[about]
part_number = "4711-B"
serial = 3
order = "A 20.17"
operator = "M. Maier <night>"
temperature = 20.5

[touches]"""


def inspected(folder: Path, *headers: str, about: str = ABOUT) -> tuple[str, dict, dict]:
    """Text of the verdict on the page, the JSON file and the headers of the CSV file."""
    tiny.write(folder, ("[touches]", about))
    text = (folder / "touches.csv").read_text()
    (folder / "touches.csv").write_text("".join(f"# {one}\n" for one in headers) + text)
    cli.main(["inspect", str(folder / "study.toml"), "--quiet"])
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    verdict = page.split('<section id="verdict">')[1].split("</section>")[0]
    return (
        unescape(re.sub(r"<[^>]+>", "", verdict)),
        json.loads((folder / "results" / "results.json").read_text()),
        touches.read(folder / "results" / "results.csv").attrs,
    )


def test_who_what_when_is_on_the_page_in_json_and_in_csv(tmp_path):
    verdict, content, headers = inspected(
        tmp_path, "operator: K. Klein", "Serial-Number: 12E4", "time: 2026-11-20T14:05"
    )
    for said in (
        "part number 4711-B",
        "serial 12E4",
        "operator K. Klein",
        "date 2026-11-20T14:05",
        "20.5 \N{DEGREE SIGN}C",
    ):
        assert said in verdict
    assert "Not stated: machine." in verdict
    assert content["about"] == {
        "part_number": "4711-B",
        "serial": "12E4",
        "order": "A 20.17",
        "operator": "K. Klein",
        "machine": None,
        "date": "2026-11-20T14:05",
        "temperature": 20.5,
    }
    assert {name: headers[name] for name in ("part_number", "serial", "operator", "order")} == {
        name: content["about"][name] for name in ("part_number", "serial", "operator", "order")
    }


def test_a_header_that_contradicts_the_study_is_said(tmp_path):
    tiny.write(tmp_path, ("[touches]", ABOUT))
    (tmp_path / "touches.csv").write_text("# operator: M. Gross\n" + tiny.touches())
    found = study.run(study.load(tmp_path / "study.toml"))
    assert found.about["operator"] == "M. Gross"
    assert any("the results file M. Gross" in note for note in found.notes)
    assert "another part" not in {one.name for one in found.findings}


def test_results_of_another_part_are_not_accepted(tmp_path):
    tiny.write(tmp_path, ("[touches]", ABOUT))
    (tmp_path / "touches.csv").write_text("# Serial No: 17\n" + tiny.touches())
    found = study.run(study.load(tmp_path / "study.toml"))
    assert found.about["serial"] == 17
    (look,) = (one for one in found.findings if one.name == "another part")
    assert look.level == "look"
    assert "found 17 in the results file; expected 3, as [about] says" in look.sentence
    assert look.sentence in found.verdict.reasons


def test_nothing_stated_is_one_quiet_line(tmp_path, capsys):
    tiny.write(tmp_path)
    cli.main(["inspect", str(tmp_path / "study.toml")])
    line = "Not stated: part number, serial, order, operator, machine, date, temperature."
    assert capsys.readouterr().out.count(line) == 1


def test_the_page_says_of_which_study_touches_and_time_it_is(tmp_path):
    verdict, content, _ = inspected(tmp_path)
    used = study.load(tmp_path / "study.toml")
    sums = (used.sha256[:8], touches.read(tmp_path / "touches.csv").attrs["sha256"][:8])
    assert content["stamp"] == "study {}, touches {}".format(*sums)
    assert re.search(content["stamp"] + r"; judged 20\d\d-\d\d-\d\d \d\d:\d\d", verdict)


@pytest.mark.parametrize(("key", "value"), [("serial", "-1"), ("operator", '" "'), ("temperature", "293.15")])
def test_values_that_cannot_be_meant_are_refused(tmp_path, key, value):
    tiny.write(tmp_path, ("[touches]", f"[about]\n{key} = {value}\n[touches]"))
    with pytest.raises(InputError, match=f"about.{key}"):
        study.load(tmp_path / "study.toml")
