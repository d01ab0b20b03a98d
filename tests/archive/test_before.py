"""Earlier parts for the page of this one: those of one revision alone, without this part, in their order."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip("pyarrow")

from archive.made import record

import probekit as pk
from probekit.archive.before import earlier_parts
from probekit.report.earlier import earlier_section

OTHER = "9" * 64


def this_part(actual: float = 0.05, word: str = "conforms") -> SimpleNamespace:
    one = SimpleNamespace(name="top", actual=actual, width=0.1)
    return SimpleNamespace(pairs=[(one, SimpleNamespace(word=word, actual=actual))])


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> pk.archive.Archive:
    """Five parts, the fourth out; one of them twice; two of another model, one of another study; this part before."""
    archive = pk.archive.Archive(tmp_path_factory.mktemp("shop"))
    for k, actual in enumerate((0.02, 0.03, 0.04, 0.12, 0.06)):
        word = "does not conform" if actual > 0.1 else "conforms"
        archive.append(record(f"S{k}", k, actual=actual, word=word))
    archive.append(record("S1", 11, actual=0.035))
    archive.append(record("M0", 12, actual=0.5, model=OTHER))
    archive.append(record("M1", 13, actual=0.6, model=OTHER))
    archive.append(record("N0", 14, actual=0.7, settings=OTHER))
    archive.append(record("me", 15, actual=0.9))
    return archive


def test_only_parts_of_one_revision_are_compared_and_the_rest_is_counted(shop):
    found = earlier_parts(shop, record("me", 16, actual=0.05))
    assert found.parts == 5
    assert dict(zip(found.table["part"], found.table["actual"], strict=True)) == {
        "S0": 0.02, "S1": 0.035, "S2": 0.04, "S3": 0.12, "S4": 0.06,
    }  # fmt: skip
    assert dict(found.left_out) == {
        "superseded by a later inspection of the part": 1,
        "of another model": 2,
        "of another study": 1,
        "an earlier inspection of this part": 1,
    }
    assert "5 earlier parts of the same study, model and plan" in found.sentence
    other = earlier_parts(shop, record("new", 17, model="8" * 64))
    assert other.parts == 0
    assert not len(other.table)


def test_a_copied_results_file_is_named_and_an_empty_archive_says_nothing(shop, tmp_path):
    assert earlier_parts(pk.archive.Archive(tmp_path), record("me", 1)) is None
    (note,) = earlier_parts(shop, record("me", 2)).notes
    assert note == "part S2 has the same measured positions to the last digit"
    assert earlier_section(None, this_part()) == ""


def test_the_chart_is_to_scale_and_says_where_this_part_stands(shop):
    text = earlier_section(earlier_parts(shop, record("me", 16)), this_part())
    assert "Earlier parts in the archive:</span> <b>5</b>" in text
    assert "2 of another model" in text
    marks = re.findall(r'<path class="part (\w+)" d="M([\d.]+) ([\d.]+)', text.partition("<figure")[2])
    assert [kind for kind, _, _ in marks] == ["good", "good", "good", "bad", "good", "good"]
    high = np.array([float(y) for _, _, y in marks])
    actual = np.array([0.02, 0.035, 0.04, 0.12, 0.06, 0.05])
    slope = np.polyfit(actual, high, 1)
    assert np.abs(np.polyval(slope, actual) - high).max() < 0.1
    limits = [float(y) for y in re.findall(r'<path class="limit" d="M[\d.]+ ([\d.]+)', text)]
    assert np.abs(np.polyval(slope, 0.1) - limits).max() < 0.1
    assert len(limits) == 1, "one width for all"
    said = re.sub("<[^>]*>", "", text.partition("<figcaption>")[2].partition("</figcaption>")[0])
    assert "this part 0.0500 of 0.1000 mm, conforms" in said
    assert "earlier 0.0200 to 0.1200 mm, median 0.0400 mm" in said
    assert "smaller than this one 3 of 5" in said
    assert "does not conform 1 of 5" in said


def test_no_earlier_part_is_said_and_nothing_is_drawn(shop):
    text = earlier_section(earlier_parts(shop, record("new", 17, model="8" * 64)), this_part())
    assert "<b>0</b>" in text
    assert "<figure" not in text
    assert "9 of another model" in text
