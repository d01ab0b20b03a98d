"""The history: parts of another revision never mixed in, drifts and spare touches that were put in found back."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from archive.made import record

import probekit as pk
from probekit.archive.bulk import digest_of, kinds_of, tidied
from probekit.archive.choosing import choose
from probekit.archive.earning import earning, foretold
from probekit.archive.record import Record, refused_record
from probekit.archive.trends import setups
from probekit.errors import InputError

pytest.importorskip("pyarrow")

DRIFT = 0.0004  # mm a part, put in
PARTS = 40


def part(k: int, rng: np.random.Generator, **changed: str) -> Record:
    """A part with two features: the top drifts, the side does not; touches 1 and 2 of the top say the same."""
    common, own = rng.normal(0, 0.004), rng.normal(0, 0.0002, 6)
    top = DRIFT * k + common + own
    top[4] = DRIFT * k + rng.normal(0, 0.006)  # a touch that goes its own way
    deviation = np.r_[top, rng.normal(0, 0.004, 4)]
    deviation[5] += 0.02  # the one that decides
    table = tidied(
        pd.DataFrame({"touch": np.arange(1, 11), "feature": ["top"] * 6 + ["side"] * 4, "deviation": deviation}).assign(
            x=deviation, lower=-0.05, upper=0.05, share=np.abs(deviation) / 0.05
        )
    )
    made = record(f"S{k}", 0, actual=2 * float(np.abs(deviation[:6]).max()), **changed)
    body = made.body | {"at": f"2026-01-01T00:{k // 60:02d}:{k % 60:02d}+00:00"}
    body["hashes"] = body["hashes"] | {"measured": digest_of(table[["x"]])}
    body["results"]["evaluations"] = [{"name": "top", "ruling": [1 + int(np.abs(deviation[:6]).argmax())]}]
    body["results"]["alignment"] = {
        "translation": [rng.normal(0, 0.01), 0.002 * k + rng.normal(0, 0.01), 0.5],
        "rotation_deg": [0.0, 0.0, rng.normal(0, 0.01)],
        "rms": 0.004 + abs(rng.normal(0, 0.0005)),
    }
    body["settings"] = {"alignment": {"features": ["side"]}}
    body["touches"] = {"rows": 10, "columns": kinds_of(table), "sha256": digest_of(table)}
    return Record(body, table)


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> pk.archive.Archive:
    archive = pk.archive.Archive(tmp_path_factory.mktemp("shop") / "archive")
    rng = np.random.default_rng(8)
    for k in range(3):
        archive.append(part(k + 500, rng, plan="e" * 64))
    archive.append(part(600, rng, settings="f" * 64, model="f" * 64))
    for k in range(PARTS):
        archive.append(part(k, rng))
    return archive


@pytest.fixture(scope="module")
def told(shop) -> pk.archive.telling.History:
    return pk.archive.history(shop)


def test_other_revisions_are_left_out_and_the_sentence_says_why(told):
    assert len(told.chosen.parts) == PARTS
    assert told.chosen.parts["key"].tolist() == [f"S{k}" for k in range(PARTS)]
    assert told.sentence == (
        "block: 40 conform. 40 parts of one revision of study, model and plan; 4 records left out: 3 of another plan, "
        "1 of another study and model"
    )
    assert told.tolerances["parts"].tolist() == [PARTS]


def test_another_revision_can_be_asked_for(shop):
    found = choose(shop, like=2)
    assert found.parts["key"].tolist() == ["S500", "S501", "S502"]
    assert found.left_out["why"].value_counts().to_dict() == {
        "of another plan": 40,
        "of another study and model and plan": 1,
    }
    with pytest.raises(InputError, match="no such inspection"):
        choose(shop, like=999)


def test_the_drift_that_was_put_in_is_found_and_no_other(told):
    drifts = told.drifts.set_index("what")
    low, high = drifts.loc["top", ["slope_low", "slope_high"]]
    assert low < 1e3 * DRIFT < high
    assert drifts.loc["top", "p"] < 1e-6 < 0.01 < drifts.loc["side", "p"]
    set_up = told.setups.set_index("what")
    assert set_up.loc["ty", "slope"] == pytest.approx(0.002, abs=0.0005)
    assert set_up.loc["ty", "p"] < 1e-3
    assert "tz" not in set_up.index  # it never changes
    named = [note.split(":")[0] for note in told.notes if "(p " in note]
    assert named == ["top drifts", "ty moves"]


def test_turns_are_charted_in_degrees_and_shifts_in_mm():
    """All charts of the set-up were headed mm; their sentences had seven digits."""
    draw = np.random.default_rng(5)
    placed = pd.DataFrame({"part": np.arange(1, 13.0)} | {
        name: 0.01 * draw.standard_normal(12) for name in ("tx", "ty", "tz", "rx", "ry", "rz", "rms")
    })  # fmt: skip
    _, charts, _ = setups(placed)
    for name, chart in charts.items():
        unit, other = ("degrees", " mm") if name[-2:] in ("rx", "ry", "rz") else ("mm", "degrees")
        assert [panel.y.endswith(f"[{unit}]") for panel in chart.figure] == [True, True]
        assert f" {unit}, sigma 0.0" in chart.sentence
        assert other not in chart.sentence
        centre = re.search(r"centre (-?[\d.]+) ", chart.sentence)[1]
        assert float(centre) == pytest.approx(chart.values["centre"], abs=0.1 * chart.values["sigma"])
        assert len(centre.split(".")[1]) <= 4


def test_numbers_are_those_of_the_archive(told, shop):
    actual = [shop.body(n)["results"]["tolerances"][0]["actual"] for n in told.chosen.parts["record"]]
    row = told.tolerances.iloc[0]
    assert row["mean"] == pytest.approx(np.mean(actual))
    assert row["largest"] == max(actual)
    ppk = (0.1 - np.mean(actual)) / 3 / np.std(actual, ddof=1)  # one-sided, by its definition
    assert row["ppk"] == pytest.approx(ppk)
    assert row["ppk_low"] < ppk


def test_touches_that_say_the_same_could_be_spared_others_not(told):
    words = told.touches.set_index("touch")["word"]
    assert words["6"].startswith("earns its time: decided in")
    assert words["5"].startswith("earns its time: ")
    spared = [name for name in "1234" if words[name].startswith("could be spared")]
    kept = [name for name in "1234" if words[name].startswith("earns")]
    assert spared
    assert all(words[name] == "earns its time: the alignment rests on it" for name in ("7", "8", "9", "10"))
    by = told.touches.set_index("touch")["told_by"]
    assert not {by[name] for name in spared} & set(spared), kept  # what tells a spared touch stays


def test_likeness_by_chance_is_no_reason_to_spare_a_touch():
    rng = np.random.default_rng(3)
    names = [str(k) for k in range(60)]
    deviations = pd.DataFrame(rng.normal(0, 0.02, (25, 60)), columns=names)
    feature = pd.Series("skin", index=names)
    width = pd.Series(0.2, index=names)
    table = earning(deviations, 0 * deviations, width, feature, pd.Series(dtype=float), set())
    assert (table["word"] == "earns its time: no other touch tells it").mean() > 0.95
    quiet = earning(deviations / 10, 0 * deviations, width, feature, pd.Series(dtype=float), set())
    assert quiet["word"].str.startswith("could be spared: it hardly changes").mean() > 0.9
    left = np.array([left for _, _, left in foretold(deviations, feature)])
    assert np.median(left) > 0.019  # with the neighbour chosen on all parts it would seem a third less


def test_with_few_parts_nothing_is_spared_and_the_reasons_stand_in_the_table(tmp_path):
    archive = pk.archive.Archive(tmp_path)
    rng = np.random.default_rng(2)
    for k in range(4):
        archive.append(part(k, rng))
    found = pk.archive.history(archive)
    assert np.isnan(found.tolerances["ppk"]).all()
    said = found.tolerances["said"].iloc[0]
    assert said.startswith("no capability: there are too few readings (found 4; expected at least 10)")
    assert found.drifts["said"].str.contains("too few").all()
    assert not found.touches["word"].str.startswith("could").any()
    text = pk.archive.showing.history_text(found)
    assert "too few parts to say (4 of 20)" in text


def test_a_part_inspected_twice_counts_once_and_a_fail_that_became_a_pass_is_named(tmp_path):
    archive = pk.archive.Archive(tmp_path)
    archive.append(record("S1", 1, word="does not conform"))
    archive.append(record("S2", 2))
    archive.append(record("S1", 3, word="conforms"))
    archive.answer(3, "re-clamped, chip under the part", by="J. Doe", at="2026-02-02T00:00:00+00:00")
    found = choose(archive)
    assert found.parts["key"].tolist() == ["S1", "S2"]
    assert found.parts["record"].tolist() == [3, 2]
    assert found.parts["earlier"].tolist() == ["1 (does not conform)", ""]
    assert found.parts["answers"].tolist() == ["re-clamped, chip under the part (J. Doe, 2026-02-02)", ""]
    assert found.left_out[["record", "why"]].values.tolist() == [[1, "superseded by a later inspection of the part"]]
    assert any("S1 conforms in record 3, and did not in 1" in note for note in found.notes)


def test_parts_are_in_the_order_of_their_dates_if_all_state_one(tmp_path):
    archive = pk.archive.Archive(tmp_path)
    for serial, day in (("S2", "2026-02-02"), ("S1", "2026-02-01"), ("S3", "2026-02-03")):
        made = record(serial, int(serial[1]))
        made.body["about"]["date"] = day
        archive.append(made)
    assert choose(archive).parts[["part", "key"]].values.tolist() == [[1, "S1"], [2, "S2"], [3, "S3"]]
    archive.append(record("S0", 7))
    found = choose(archive)
    assert found.parts["key"].tolist() == ["S2", "S1", "S3", "S0"]
    assert any("without a date: 1;" in note for note in found.notes)


def test_copies_and_refusals_are_named(tmp_path):
    archive = pk.archive.Archive(tmp_path)
    archive.append(record("S1", 1))
    archive.append(record("S2", 1))
    archive.append(refused_record("study.toml", tmp_path / "lost.csv", InputError("cut short"), serial="S3"))
    found = choose(archive)
    assert any("S1, S2 have the same measured positions" in note for note in found.notes)
    assert found.left_out[["key", "why"]].values.tolist() == [["S3", "could not be judged"]]
    archive.append(record("S3", 3))
    assert choose(archive).left_out.empty  # it was judged since


def test_names_from_files_are_text_on_the_page(told, tmp_path):
    archive = pk.archive.Archive(tmp_path / "a")
    made = part(1, np.random.default_rng(1))
    made.body["key"], made.body["part"] = "<script>1</script>", "<img src=x onerror=1>"
    archive.append(made)
    text = pk.archive.history_page(pk.archive.history(archive), tmp_path / "h.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "<img" not in text
    page = pk.archive.history_page(told, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    assert page.count("<figure>") == len(told.studies)
    assert " style=" not in page  # the policy forbids it


def test_an_empty_archive_says_so(tmp_path):
    with pytest.raises(InputError, match="no archive"):
        pk.archive.history(pk.archive.Archive(tmp_path))
    archive = pk.archive.Archive(tmp_path)
    archive.append(refused_record("study.toml", tmp_path / "lost.csv", InputError("cut short")))
    with pytest.raises(InputError, match="no inspected part"):
        pk.archive.history(archive)
