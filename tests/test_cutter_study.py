"""Tools, operations and faces stated in a study: what may stand there, and that it reaches the suggestions."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
import tiny

from probekit import InputError, cli, study

CUTTER = '\n[[cutter]]\ntool = 5\noperation = "finish sides"\nfaces = ["front", "left"]\nentry = "radius"\n'


def written(folder: Path, more: str, *, high: float = 0.0) -> Path:
    """The tiny study with more tables, and its touches on front and left this much high [mm]."""
    path = tiny.write(folder)
    path.write_text(path.read_text() + more)
    lines = (folder / "touches.csv").read_text().splitlines()
    head = next(n for n, line in enumerate(lines) if line.startswith("touch,"))
    names = lines[head].split(",")
    for n in range(head + 1, len(lines)):
        cells = lines[n].split(",")
        if high and cells[names.index("feature")] in ("front", "left"):
            for place, normal in zip("xyz", "ijk", strict=True):
                at = names.index(place)
                cells[at] = f"{float(cells[at]) + high * float(cells[names.index(normal)]):.4f}"
            lines[n] = ",".join(cells)
    (folder / "touches.csv").write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("[[cutter]]\ntool = 5\n", r"\[cutter\] lacks a key"),
        (CUTTER + "axis = [0, 0, 0]\n", r"three zero components"),
        (CUTTER.replace('"radius"', '"length"'), r"along the axis"),
        (CUTTER.replace('"radius"', '"height"'), r"cutter\.entry"),
        (CUTTER + "scatter = 5.0\n", r"cutter\.scatter.*in mm: 5 um are 0\.005"),
        (CUTTER + "radius = 0\n", r"must be positive"),
        (CUTTER.replace('"left"]', '"lefft"]'), r"tool 5 \(operation finish sides\).*found 'lefft'"),
        (CUTTER + CUTTER.replace("5", "6", 1), r"two cutters.*same face last"),
    ],
)
def test_what_a_cutter_may_not_be(tmp_path, more, message):
    with pytest.raises(InputError, match=message):
        study.run(study.load(written(tmp_path, more)))


def test_the_page_and_the_file_tell_the_tool(tmp_path):
    """Front and left 0.15 mm high, the set-up taken from elsewhere: tool 5, its radius entry."""
    path = written(tmp_path, CUTTER, high=0.15)
    path.write_text(
        path.read_text().replace('features = ["top", "front", "left"]', 'features = ["top"]\nfree = ["tz"]')
    )
    cli.main(["inspect", str(path), "--quiet"])
    page = (tmp_path / "results" / "report.html").read_text()
    found = json.loads((tmp_path / "results" / "results.json").read_text())["action"]
    text = next(one for one in found["suggestions"] if one.startswith("Tool 5 (operation finish sides): +0.1"))
    assert "lowering the radius entry by 0.1" in text
    assert text.replace("'", "&#x27;") in page
    assert ">What each would bring</h3>" in page
    assert page.index("hands clear of the spindle") < page.index(">What each would bring</h3>")
    assert found["promises"]


def test_a_recut_map_is_written_where_a_recut_is_offered(tmp_path):
    """As above; a study whose touches are good leaves none of its files, and takes those of the run before away."""
    path = written(tmp_path, CUTTER + "radius = 4.0\n", high=0.15)
    path.write_text(
        path.read_text().replace('features = ["top", "front", "left"]', 'features = ["top"]\nfree = ["tz"]')
    )
    cli.main(["inspect", str(path), "--quiet"])
    names = ("recut.csv", "recut_field.csv", "recut.ply")
    assert all((tmp_path / "results" / name).exists() for name in names)
    table = pd.read_csv(tmp_path / "results" / "recut.csv", comment="#")
    assert table["stock"].mean() == pytest.approx(0.15, abs=0.02)
    assert set(table["face"]) == {"front", "left"}
    assert set(table["tool"]) == {5}
    page = (tmp_path / "results" / "report.html").read_text()
    assert ">Re-cut map</h3>" in page
    assert "none is a program" in page
    cli.main(["inspect", str(written(tmp_path, CUTTER)), "--quiet"])
    assert not any((tmp_path / "results" / name).exists() for name in names)
