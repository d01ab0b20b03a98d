"""Another results file in place of the study's own (inspect --touches, watch, batches): read as the study says."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tiny

import probekit as pk

TEXT = """[touches]
file = "touches.csv"
unit = "in"
recorded = "centre"
separator = ";"
decimal = ","
columns = {x = "X1", y = "Y1", z = "Z1", touch = "No"}
plan = "plan.csv"
"""


def as_the_control_writes(text: str, *, shift: float = 0.0) -> tuple[str, str]:
    """The same touches in inches with commas, as a control of the shop could write them, and their plan."""
    table = pd.read_csv(io.StringIO(text), comment="#")
    plan = table[["touch", "feature", "x0", "y0", "z0", "i", "j", "k"]]
    out = pd.DataFrame({"No": table["touch"], **{f"{c.upper()}1": (table[c] + shift) / 25.4 for c in "xyz"}})
    return out.to_csv(index=False, sep=";", decimal=","), "# unit: mm\n" + plan.to_csv(index=False)


@pytest.fixture
def shop(tmp_path: Path) -> pk.study.model.Study:
    (text, plan), (later, _) = as_the_control_writes(tiny.touches()), as_the_control_writes(tiny.touches(seed=9))
    old = tiny.STUDY[tiny.STUDY.index("[touches]") :].split("\n\n")[0]
    tiny.write(tmp_path, (old, TEXT.rstrip("\n")))
    (tmp_path / "touches.csv").write_text(text)
    (tmp_path / "plan.csv").write_text(plan)
    (tmp_path / "later.csv").write_text(later)
    (tmp_path / "own.csv").write_text(tiny.touches(seed=9))
    return pk.study.load(tmp_path / "study.toml")


def test_a_text_of_the_same_control_is_read_as_the_study_reads_its_own(shop):
    """The layout, the unit and the plan were dropped before: such a file could not be read."""
    later = pk.study.run(shop.with_touches(shop.file("later.csv")))
    own = pk.study.run(shop.with_touches(shop.file("own.csv")))
    assert later.verdict.part == own.verdict.part
    found, expected = (one.verdict.table["deviation"].to_numpy() for one in (later, own))
    np.testing.assert_allclose(found, expected, atol=1e-4)  # own.csv has four decimals


def test_a_file_that_says_its_unit_is_not_told_another(shop):
    found = pk.study.run(shop.with_touches(shop.file("own.csv")))
    assert np.abs(found.verdict.table["deviation"]).max() < 0.02


def test_a_run_of_the_virtual_machine_says_where_it_is(tmp_path):
    tiny.write(tmp_path, ("[touches]\n", '[touches]\ncoordinates = "machine"\nwork_offset = [5, 6, 7]\n'))
    one = pk.study.load(tmp_path / "study.toml")
    text = tiny.touches()
    (tmp_path / "shop.csv").write_text(text)
    (tmp_path / "trial.csv").write_text("# machine: virtual machine (a model, not a measurement)\n" + text)
    kept = one.with_touches(tmp_path / "shop.csv").settings["touches"]
    assert (kept["coordinates"], kept["work_offset"]) == ("machine", [5, 6, 7])
    assert set(one.with_touches(tmp_path / "trial.csv").settings["touches"]) <= {"file", "plan", "moves"}


def test_a_file_that_is_not_there_is_named_when_it_is_read(shop):
    with pytest.raises(pk.InputError, match="nowhere"):
        pk.study.run(shop.with_touches(shop.file("nowhere.csv")))


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ('separator = ";"\ncolumns = {touch = "touch", x = "x", y = "y", z = "z"}', 'touches.unit\'.*expected "mm"'),
        ('unit = "mm"\npattern = "P(?P<touch>\\\\d+)"', 'touches.recorded\'.*expected "centre"'),
        ('separator = ";"', "touches.separator': this key would do nothing"),
        ('decimal = ","', "touches.decimal': this key would do nothing"),
    ],
)
def test_keys_that_lack_or_do_nothing_are_named(tmp_path, said, words):
    """Without `unit` this ended as a fault of the program; without `columns` a separator was passed over."""
    tiny.write(tmp_path, ('file = "touches.csv"', f'file = "touches.csv"\n{said}'))
    (tmp_path / "touches.csv").write_text(tiny.touches())
    with pytest.raises(pk.InputError, match=words):
        pk.study.run(pk.study.load(tmp_path / "study.toml"))


def test_a_results_file_saved_by_a_spreadsheet_of_another_language_gives_the_same_verdict(tmp_path):
    tiny.write(tmp_path)
    text = tiny.touches()
    (tmp_path / "touches.csv").write_text(text)
    own = pk.study.run(pk.study.load(tmp_path / "study.toml"))
    saved = [line if line[0] == "#" else line.replace(",", ";").replace(".", ",") for line in text.splitlines()]
    (tmp_path / "touches.csv").write_text("\n".join([*saved, ""]))
    again = pk.study.run(pk.study.load(tmp_path / "study.toml"))
    pd.testing.assert_frame_equal(again.verdict.table, own.verdict.table)
