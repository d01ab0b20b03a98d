"""Milling and probing that decides in one program: the datums, a shift, milling in the copy, the rest.

Milling of our own invention; what ends where is the geometry of an exact block, so that its copy is a closed form.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from thorough import some

import probekit as pk
from probekit.errors import InputError
from probekit.study.deciding_trial import untaken
from probekit.study.preparation import machine_of
from probekit.study.running import ran as run_all

sys.path.insert(0, str(Path(__file__).parents[1]))
import deciding


def made(folder: Path, *changes: tuple[str, str], milling: str = deciding.MILLING) -> SimpleNamespace:
    study = pk.study.load(deciding.in_milling(folder, *changes, milling=milling))
    planned = pk.study.plan(study)
    return SimpleNamespace(study=study, planned=planned, programmed=pk.study.program(study, planned))


@pytest.fixture(scope="module")
def merged(tmp_path_factory) -> SimpleNamespace:
    return made(tmp_path_factory.mktemp("merged"))


@pytest.fixture(scope="module")
def alone(tmp_path_factory) -> SimpleNamespace:
    """One phase, which shifts: the milling follows it."""
    return made(tmp_path_factory.mktemp("alone"), *ONE_PHASE)


ONE_PHASE = (
    ('\n[[phase]]\nname = "rest"\nafter = "OPERATION 1"\n', ""),
    ('name = "datums"\nfeatures = ["top", "front", "left"]\n', 'name = "datums"\n'),
)


def stops(one: SimpleNamespace, text: str) -> set[str]:
    return {found.check for found in one.planned.check(text).of("stop")}


def run(one: SimpleNamespace, shift: tuple[float, float, float]) -> pk.machine.results.Run:
    motion = np.eye(4)
    motion[:3, 3] = shift
    arguments = machine_of(one.study, one.planned, one.programmed)
    return run_all(one.programmed, arguments | {"made": pk.machine.AsMade(one.planned.part, motion=motion)})


def again(one: SimpleNamespace, milling: str) -> SimpleNamespace:
    """The same plan with another milling program, for as long as that is looked at."""
    path = one.study.path.parent / "milling.nc"
    before = path.read_text()
    try:
        path.write_text(milling)
        return SimpleNamespace(
            study=one.study, planned=one.planned, programmed=pk.study.program(one.study, one.planned)
        )
    finally:
        path.write_text(before)


def test_both_parts_stand_at_their_places_and_the_checks_find_nothing(merged):
    found = merged.programmed.merged
    assert found.difference.unchanged
    assert found.place == "at the start, and after the operation 'OPERATION 1'"
    lines = found.text.splitlines()
    for first, last, _ in found.parts:
        assert (lines[first - 1], lines[last - 1]) == ("(PROBEKIT MERGED PART BEGIN)", "(PROBEKIT MERGED PART END)")
    assert [f.what for f in merged.programmed.findings.of("stop")] == []
    assert [f.what for f in merged.programmed.findings.of("look") if f.check != "travel"] == []
    assert merged.programmed.dry_findings.of("stop") == ()
    labels = re.findall(r"^O(\d+) (?:if|while)", found.text, re.MULTILINE)
    assert len(set(labels)) == len(labels)


@pytest.mark.parametrize("shift", [(0.3, -0.4, 0.5)])
def test_milling_and_the_rest_run_where_the_part_lies(merged, alone, shift):
    for one in (merged, alone):
        ran = run(one, shift)
        assert ran.stopped == ""
        np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), shift, atol=2e-4)
        assert len(ran.table) == len(one.planned.route.targets)
        normals = ran.table[["i", "j", "k"]].to_numpy()
        off = ran.table[["x", "y", "z"]].to_numpy() - ran.table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
        np.testing.assert_allclose((off * normals).sum(axis=1), normals @ np.array(shift), atol=2e-4)


@pytest.mark.parametrize("shift", [(0.0, -0.81, 0.0), (0.5, 0.5, 0.5)])
def test_a_part_far_off_is_never_milled(merged, alone, shift):
    for one in (merged, alone):
        ran = run(one, shift)
        assert ran.stopped == "a safe stop of the program itself: PHASE datums: SET-UP OFF BY MORE THAN 0.8"
        first_tool = one.programmed.text.splitlines().index("T1 M6") + 1
        assert ran.stopped_line < first_tool
        assert "G55" not in ran.origins


def test_no_path_leads_from_a_safe_stop_into_milling(merged):
    """Each branch that gives up ends the program itself: M2 stands in it."""
    found = re.findall(r"\(PROBEKIT SAFE STOP\)\n\(MSG,[^)]*\)\nM0\nM2\nO\d+ endif", merged.programmed.text)
    assert len(found) == merged.programmed.text.count("PROBEKIT SAFE STOP") == 2


def test_three_runs_take_every_branch(merged):
    chips = [pk.machine.Chip(0.2, first, first) for first in (1, 7)]  # a pass of the first phase has six touches
    arguments = machine_of(merged.study, merged.planned, merged.programmed)
    runs = [
        run(merged, (0.0, 0.0, 0.0)),
        run(merged, (0.0, 0.0, 0.9)),
        run_all(merged.programmed, arguments | {"errors": chips}),
    ]
    assert [bool(one.stopped) for one in runs] == [False, True, True]
    assert untaken(merged.programmed.text, {way for one in runs for way in one.decisions}) == []


SLIPS: dict[str, tuple[str, str]] = {
    "the decision of the first part deleted": (r"(?s)O30 if.*?O30 endif\n", ""),
    "its limit widened": (r"LE 0\.8\]", "LE 8.0]"),
    "its shift not written": (r"^G10 L2.*\n", ""),
    "its shift turned round": (r"Z\[#5223\+", "Z[#5223-"),
    "written into the original": (r"G10 L2 P2", "G10 L2 P1"),
    "the end of a branch deleted": (r"(?s)(O30 else.*?)M2\n", r"\1"),
    "handed back in the copy": (r"(?s)(MERGED PART BEGIN.*?)G21 G17 G54\n", r"\1G21 G17 G55\n"),
    "the second part handed back in the original": (r"G21 G17 G55\n", "G21 G17 G54\n"),
    "the second part in the original": (r"G61\nG55\n", "G61\nG54\n"),
    "the second part before the first": (
        r"(?s)(\(PROBEKIT MERGED PART BEGIN\)\n(?:(?!MERGED PART END).)*PHASE 2 OF 2.*?MERGED PART END\)\n)",
        "",
    ),
    "handed back in inch": (r"(?s)(PHASE 2 OF 2.*?)G21 G17 G94\nF500\nG90\n", r"\1G20 G17 G94\nF500\nG90\n"),
    "the last lift of the first part": (r"(?s)(PHASE 1 OF 2.*?)G21 G90 G0 Z200\n", r"\1"),
    "a branch that leaves G91 on": (r"(O20 else\nM5\n)", r"O20 else\nO21 if [#110 GT 9]\nG91\nO21 else\nM5\n"),
    "the milling before the shift": (r"(?s)\A(.*?)(\(PROBEKIT MERGED PART BEGIN.*?PART END\)\n)(T1.*?M5\n)", r"\1\3\2"),
    "the milling writes the copy": (r"^G55\n(?=S5000)", "G55\nG10 L2 P2 X0 Y0 Z0\n"),
    "the milling writes the original": (r"^G55\n(?=S5000)", "G55\nG10 L2 P1 Z0\n"),
    "the milling sets a value": (r"^G55\n(?=S5000)", "G55\n#118=0\n"),
    "the milling sets a trigger": (r"^G55\n(?=S5000)", "G55\n#1003=0\n"),
    "the milling shifts the origin": (r"^G55\n(?=S5000)", "G55\nG92 X0\n"),
    "a line of the milling": (r"^G1 Z25 F500", "G1 Z24 F500"),
    "the tool of the second part": (r"(?s)(MILLING|OPERATION 1\).*?)T20 M6", r"\1T21 M6"),
    "the probe's length in the second part": (r"(?s)(OPERATION 1\).*?)G43 H20", r"\1G43 H2"),
}


@pytest.mark.parametrize("slip", some(SLIPS))
def test_a_slip_at_a_seam_or_within_is_a_stop(merged, slip):
    pattern, new = SLIPS[slip]
    text = merged.programmed.text
    changed = re.sub(pattern, new, text, count=1, flags=re.MULTILINE)
    assert changed != text
    assert stops(merged, changed)


IN_MILLING = {
    "values of the copy": ("G43 H1\n", "G43 H1\nG10 L2 P2 Z5\n", "copies_in_milling"),
    "values of the first offset": ("G43 H1\n", "G43 H1\nG10 L2 P1 Z5\n", "copies_in_milling"),
    "values of the copy, in another spelling": (
        "G0 X-20 Y0\n",
        "G10 L20 P2 Z5\nG0 X-20 Y0\n",
        "copies_in_milling",
    ),
    "values of the copy, by their parameters": ("G0 X-20 Y0\n", "#5243=5\nG0 X-20 Y0\n", "copies_in_milling"),
    "a parameter of the program": ("G43 H1\n", "G43 H1\n#130=7\n", "reckoned_alone"),
    "a parameter with a reckoned number": ("G43 H1\n", "G43 H1\n#[100+30]=7\n", "reckoned_alone"),
}


@pytest.mark.parametrize("name", some(IN_MILLING))
def test_milling_that_touches_what_is_decided_with_is_a_stop(merged, name):
    old, new, rule = IN_MILLING[name]
    assert old in deciding.MILLING
    found = again(merged, deciding.MILLING.replace(old, new, 1)).programmed.findings.of("stop")
    assert rule in {one.check for one in found}


def test_a_copy_that_is_used_before_it_is_written_is_a_stop(tmp_path):
    early = deciding.MILLING.replace("T1 M6\n", "T5 M6\nG43 H5\nG55 G0 Z210\nT1 M6\n")
    one = made(tmp_path, ('after = "start"', 'after = "T5"'), milling=early)
    assert "copies_in_milling" in {found.check for found in one.programmed.findings.of("stop")}


def test_milling_that_does_not_follow_the_shift_is_told(merged):
    looks = again(merged, deciding.MILLING.replace("G55", "G54")).programmed.findings.of("look")
    assert any("runs in another work offset than G55" in one.what for one in looks)


def test_labels_that_the_milling_has_too_are_refused(merged):
    with pytest.raises(InputError, match="the label O10 of the milling program is also one of the probing"):
        again(merged, deciding.MILLING.replace("M30\n", "M30\nO10 sub\nG4 P1\nO10 endsub\n"))


def test_places_in_the_wrong_order_are_refused(tmp_path):
    with pytest.raises(InputError, match="would not stand in their order"):
        made(tmp_path, ('after = "start"', 'after = "OPERATION 2"'))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('milling = "milling.nc"\nafter = "start"\n', "", "there is no milling program"),
        ('name = "datums"\n', 'name = "datums"\nafter = "T1"\n', "the first phase stands where"),
        ('dialect = "rs274_flow"', 'dialect = "rs274"', "the dialect rs274 cannot decide within a milling program"),
    ],
)
def test_places_that_cannot_be_are_refused_before_any_work(tmp_path, old, new, said):
    study = pk.study.load(deciding.in_milling(tmp_path, (old, new)))
    with pytest.raises(InputError, match=said):
        pk.study.preparation.check_program(study)


TABLE = (
    "[reach]\n",
    '[machine]\naxes = [{letter = "C", moves = "table", limits = [-360, 360]}]\n\n[reach]\nposes = [[90]]\n',
)


@pytest.fixture(scope="module")
def turned(tmp_path_factory) -> SimpleNamespace:
    """Probed at C90, milled at C0."""
    return made(tmp_path_factory.mktemp("turned"), TABLE)


def test_with_a_table_the_copy_holds_for_the_angles_of_the_milling(turned):
    """The copy that the milling gets is the shift of the part as it stands there."""
    one = turned
    assert one.programmed.findings.of("stop") == ()
    shift = np.array([0.3, -0.4, 0.5])
    ran = run(one, tuple(shift))
    assert ran.stopped == ""
    np.testing.assert_allclose(np.subtract(ran.origins["G55"], ran.origins["G54"]), shift, atol=2e-4)
    normals = ran.table[["i", "j", "k"]].to_numpy()
    off = ran.table[["x", "y", "z"]].to_numpy() - ran.table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
    np.testing.assert_allclose((off * normals).sum(axis=1), normals @ shift, atol=2e-4)
    written = re.findall(r"^G10 L2 P2 X\[#5221\+#(\d+)\] Y\[#5222\+#(\d+)\]", one.programmed.text, re.MULTILINE)
    assert len(written) == 2  # at C0, before each part of the milling


def test_milling_at_other_angles_than_the_copy_is_a_stop(turned):
    one = again(turned, deciding.MILLING.replace("G0 X-20 Y0\n", "G0 C45\nG0 X-20 Y0\n"))
    found = {f.check: f.what for f in one.programmed.findings.of("stop")}
    assert "written for other angles of the table" in found["copies_in_milling"]


def test_the_sheet_tells_no_place_that_only_the_machine_knows(tmp_path):
    nowhere = (("home = [0.0, 0.0, 200.0]\n", ""), ('lift = "G0 Z200"', ""))
    one = made(tmp_path, *nowhere)
    sheet = pk.program.release_sheet(
        one.programmed.merged, one.programmed.findings, probe=one.planned.probe, decided=one.programmed.moves, flow=True
    )
    rows = re.findall(r"<tr>(?:(?!</tr>).)*G0 G53 Z0(?:(?!</tr>).)*</tr>", sheet)
    assert rows
    assert all("?</td>" in row for row in rows)
    assert [f.sentence for f in one.programmed.findings.of("stop")] == []
