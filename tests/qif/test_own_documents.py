"""Documents of QIF 3.0 that are written here: valid by the published schema, and read back without a loss.

The schema is that of the QIF community's public repository (ISO 23952; Boost Software License 1.0), which is shipped.
"""

import io
import re

import numpy as np
import pandas as pd
import pytest
import tiny
from lxml import etree
from tolerance.touched import around, table

import probekit as pk
from probekit.columns import CONTACT, NORMAL, TARGET, array
from probekit.qif.document import NAMESPACE, checked
from probekit.qif.kinds import INSPECTION, STATUS
from probekit.tolerance import Evaluation
from probekit.tolerance.spec import KINDS
from probekit.verdict import classify, simple
from probekit.verdict.words import PART_WORDS, TOLERANCE_WORDS


@pytest.fixture(scope="module")
def inspected(tmp_path_factory):
    folder = tmp_path_factory.mktemp("qif")
    rows = tiny.touches().splitlines()
    missed = rows[-1].split(",")
    rows[-1] = ",".join([*missed[:8], "", "", "", "no trigger"])
    return pk.study.run(pk.study.load(tiny.write(folder, tiny.QUALIFIED, touches_csv="\n".join(rows) + "\n")))


@pytest.fixture(scope="module")
def written(inspected):
    return pk.qif.results(
        inspected.verdict, part=inspected.part.name, provenance=inspected.provenance, standard="ASME Y14.5-2018"
    )


def saved(tmp_path, data, name="r.qif"):
    (tmp_path / name).write_bytes(data)
    return tmp_path / name


def test_the_touches_come_back_as_they_were(inspected, written, tmp_path):
    found = pk.qif.read(saved(tmp_path, written))
    wanted, got = inspected.verdict.table, found.touches
    assert got["touch"].tolist() == wanted["touch"].tolist()
    assert got["feature"].tolist() == wanted["feature"].tolist()
    np.testing.assert_array_equal(array(got, ("x", "y", "z")), array(wanted, CONTACT))
    np.testing.assert_array_equal(array(got, (*TARGET, *NORMAL)), array(wanted, (*TARGET, *NORMAL)))
    assert (got["reason"] != "").tolist() == (wanted["reason"] != "").tolist(), "a missed touch stays a missed one"
    assert got.attrs["recorded"] == "contact"
    assert (got["radius"] == 0.0).all()
    assert found.part == "block (invented)"
    assert found.notes == ()


def test_the_values_come_back_as_they_were(inspected, written, tmp_path):
    values, wanted = pk.qif.read(saved(tmp_path, written)).values, inspected.verdict.tolerances
    assert values["name"].tolist() == wanted["name"].tolist()
    for ours, theirs in (("value", "actual"), ("u", "u"), ("tolerance", "width")):
        np.testing.assert_allclose(values[ours], wanted[theirs], rtol=1e-14)
    assert values["status"].tolist() == [STATUS[word] for word in wanted["word"]]
    assert values["features"].tolist() == ["top", "front, left"]


def test_the_same_results_give_the_same_bytes(inspected, written):
    again = pk.qif.results(
        inspected.verdict, part=inspected.part.name, provenance=inspected.provenance, standard="ASME Y14.5-2018"
    )
    assert again == written
    other = pk.qif.results(inspected.verdict, part="another", provenance=inspected.provenance)
    identities = [re.search(rb"<QPId>(.*?)</QPId>", text).group(1) for text in (written, other)]
    assert identities[0] != identities[1]


def test_an_inspection_of_the_document_finds_the_same_part(inspected, written, tmp_path):
    """Contacts in the part frame, found again: the values agree to what a second fit of the same points may change."""
    study = tiny.write(tmp_path, tiny.QUALIFIED, ("touches.csv", "r.qif"))
    saved(tmp_path, written)
    again = pk.study.run(pk.study.load(study))
    np.testing.assert_allclose(again.verdict.tolerances["actual"], inspected.verdict.tolerances["actual"], atol=2e-5)
    assert again.verdict.table["verdict"].tolist() == inspected.verdict.table["verdict"].tolist()


def test_a_plan_comes_back_as_it_was(inspected, tmp_path):
    targets = inspected.verdict.table
    found = pk.qif.read(saved(tmp_path, pk.qif.plan(targets, part="block (invented)")))
    np.testing.assert_array_equal(array(found.targets, (*TARGET, *NORMAL)), array(targets, (*TARGET, *NORMAL)))
    assert found.targets["feature"].tolist() == targets["feature"].tolist()
    assert not len(found.touches)


def test_every_kind_of_tolerance_and_every_word_is_valid():
    hole = around(20.0, heights=(0.0, 10.0), bore=True)
    kinds = ["profile of a surface", *KINDS, "a check of one's own"]
    made = [
        Evaluation.as_whole(hole, np.arange(len(hole)), 0.01 + 0.001 * n, 0.03, name=f"<{kind}> & {n}", kind=kind)
        for n, kind in enumerate(kinds)
    ]
    root = etree.fromstring(pk.qif.results(classify(hole, *made, rule=simple()), part='"&<part>'))
    checked(root)
    names = root.findall(".//q:CharacteristicDefinitions/*/q:Name", {"q": NAMESPACE})
    assert [one.text for one in names] == [one.name for one in made]
    assert set(STATUS) == set(TOLERANCE_WORDS)
    assert set(INSPECTION) == set(PART_WORDS)


def test_a_zone_that_is_not_in_the_middle_says_how_much_is_outside():
    flat = table([[0.0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 0]], [0, 0, 1], deviation=[0.0, 0.01, 0.02, 0.0])
    one = pk.tolerance.profile(flat, 0.1, outside=0.07)
    root = etree.fromstring(pk.qif.results(classify(flat, one, rule=simple()), part="flat"))
    outer = root.find(".//q:SurfaceProfileCharacteristicDefinition/q:OuterDisposition", {"q": NAMESPACE})
    assert float(outer.text) == pytest.approx(0.07)


def test_names_that_xml_cannot_hold_are_replaced_and_never_break_a_document(inspected):
    verdict = inspected.verdict
    hostile = "a\x00b\x1b]0;x\x07\u202egnp.\r\n<!--"
    table_ = verdict.table.assign(feature=hostile)
    text = pk.qif.plan(table_, part=hostile + "\ud800").decode("utf-8")
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "&lt;!--" in text


def test_a_table_through_csv_gives_the_same_document(inspected):
    targets = inspected.verdict.table[["touch", "feature", *TARGET, *NORMAL]]
    copy = pd.read_csv(io.StringIO(targets.to_csv(index=False)))
    assert pk.qif.plan(copy, part="b") == pk.qif.plan(targets, part="b")


def test_nothing_to_write_is_refused(inspected):
    with pytest.raises(pk.InputError, match="without a target"):
        pk.qif.plan(inspected.verdict.table.iloc[:0], part="b")


def test_the_command_writes_both_and_takes_a_plan(tmp_path):
    from probekit.cli import main

    study = tiny.write(tmp_path)
    assert main(["inspect", str(study), "--qif"]) in (0, 1)
    assert len(pk.qif.read(tmp_path / "results" / "results.qif").touches) == 18
    assert main(["plan", str(study), "--qif"]) == 0
    plan = tmp_path / "results" / "plan.qif"
    targets = pk.qif.read(plan).targets
    assert len(targets)
    kept = saved(tmp_path, plan.read_bytes(), "asked.qif")
    assert main(["plan", str(study), "--only", str(kept), "--to", str(tmp_path / "again")]) == 0
    again = pk.touches.read_plan(tmp_path / "again" / "plan.csv")
    np.testing.assert_allclose(
        np.sort(array(again, TARGET), axis=0), np.sort(array(targets, TARGET), axis=0), atol=1e-9
    )
