"""The study in phases on a measuring machine: a DMIS program that shifts its coordinate system, or ends.

The block is exact, so that a part that sits off by d has its shifted system at d: closed forms. Slips of the hand in
the text are stops, but for those named harmless.
"""

from __future__ import annotations

import re
from types import SimpleNamespace

import deciding
import numpy as np
import pytest
from deciding import SPREAD
from thorough import some

import probekit as pk
from probekit.errors import InputError
from probekit.study.releasing import write_sheet

CHANGES = (("tool = 20\n", 'work_offset = "PART"\n'), ('to = "G55"', 'to = "SHIFTED"'), ("again = 1\n", ""))


def made(folder, *changes):
    study = pk.study.load(deciding.write(folder, "dmis", *CHANGES, *changes))
    planned = pk.study.plan(study)
    return SimpleNamespace(study=study, planned=planned, programmed=pk.study.program(study, planned))


@pytest.fixture(scope="module")
def one(tmp_path_factory):
    return made(tmp_path_factory.mktemp("measured"))


def simulated(one, shift, **changes):
    study = pk.study.load(one.study.path)
    study.settings.update({"simulate": {"home": [0.0, 0.0, 200.0], "translation": list(shift)} | changes})
    return pk.study.simulate(study, one.planned, one.programmed)


def test_text_and_dry_run_are_no_stop(one):
    for found in (one.programmed.findings, one.programmed.dry_findings):
        assert found.of("stop") == ()
        assert [check.name for check in found.checks if check.skipped] == ["travel"]  # the study gives none
    assert not re.search(r"^(IF|D\(|OBTAIN)", one.programmed.dry, re.MULTILINE)


@pytest.mark.parametrize("shift", [(0.3, -0.4, 0.5), (0.0, 0.0, -0.79)])
def test_within_its_limit_the_shifted_system_lies_where_the_part_does(one, shift):
    ran = simulated(one, shift)
    assert ran.stopped == ""
    np.testing.assert_allclose(ran.origins["SHIFTED"], shift, atol=2e-4)
    assert ran.origins["PART"] == (0.0, 0.0, 0.0)
    assert len(ran.table) == len(one.planned.route.targets)


def test_results_of_both_phases_count_from_the_system_that_was_set_up(one):
    """All touches of a shifted perfect part deviate by n . d, whatever they were counted from while they were made."""
    shift = np.array([0.3, -0.4, 0.5])
    table = simulated(one, shift).table
    normals = table[["i", "j", "k"]].to_numpy()
    off = table[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy() - 3.0 * normals
    np.testing.assert_allclose((off * normals).sum(axis=1), normals @ shift, atol=2e-4)
    text = one.programmed.text
    recalled = text.rindex("RECALL/D(PART)")
    for touch, phase in zip(one.planned.route.targets["touch"], one.planned.route.targets["phase"], strict=True):
        assert (text.index(f"OUTPUT/FA(P{touch})\n") > recalled) == bool(phase)


@pytest.mark.parametrize("shift", [(0.0, -0.81, 0.0), (0.5, 0.5, 0.5)])
def test_beyond_its_limit_it_ends_lifted_before_the_second_phase(one, shift):
    ran = simulated(one, shift)
    assert ran.stopped == "a safe stop of the program itself: PHASE datums: SET-UP OFF BY MORE THAN 0.8"
    assert "SHIFTED" not in ran.origins
    assert len(ran.table) == (one.planned.route.targets["phase"] == 0).sum()


def test_touches_that_scatter_shift_by_their_means(one):
    """With sigma, two touches each: the shift is the mean of their deviations, which the results tell."""
    for seed in range(3):
        ran = simulated(one, (0.2, 0.1, -0.3), errors=[{"kind": "Repeatability", "sigma": 0.004}], seed=seed)
        assert ran.stopped == ""
        table = ran.table.set_index("touch")
        table["deviation"] = (
            (table[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy())
            * table[["i", "j", "k"]].to_numpy()
        ).sum(axis=1) - 3.0
        means = table[table["feature"] != "rest"].groupby("feature")["deviation"].mean()
        wanted = (-means["left"], -means["front"], means["top"])
        np.testing.assert_allclose(ran.origins["SHIFTED"], wanted, atol=2e-4)
        assert np.abs(np.subtract(wanted, (0.2, 0.1, -0.3))).max() > 2e-4


def test_touches_that_disagree_end_it(one):
    for thickness, ends in ((SPREAD - 1e-3, False), (SPREAD + 1e-3, True)):
        ran = simulated(one, (0, 0, 0), errors=[{"kind": "Chip", "thickness": thickness, "first": 1, "last": 1}])
        assert (ran.stopped == "a safe stop of the program itself: PHASE datums: TOUCHES DISAGREE") == ends


def test_the_trial_takes_every_way(one):
    tried = pk.study.trial(one.study, one.planned, one.programmed, simulated(one, (0.0, 0.0, 0.0)))
    assert (tried.failed, tried.untaken) == ((), ())
    assert set(tried.uncaught) == {"shift outside, up", "stock left"}  # no statement watches a move
    table = tried.table.set_index("scenario")
    for name in ("dz", "dy", "dx"):
        for way in ("along", "against"):
            assert table.loc[f"{name} within its limit, {way}", "found"] == "completes"
            assert table.loc[f"{name} beyond its limit, {way}", "found"] == "stops"
    assert table.loc["chip, once", "found"] == table.loc["missed", "found"] == "stops"
    few = pk.study.trying.untaken_measuring(one.programmed.text, {(1, True)})
    assert len(few) == 4


def test_the_sheet_tells_what_it_decides_and_what_is_from_memory(one, tmp_path):
    write_sheet(tmp_path, one.programmed, one.planned, [], None)
    page = (tmp_path / "release.html").read_text()
    assert "SHIFTED is written as a copy of PART shifted by X shift into SHIFTED" in page
    assert "That TRANS takes the value of a variable" in page
    assert "Places to start again" in page
    assert "RESTART" not in one.programmed.text


IF_1, IF_2 = r"^IF/\(\(\(\(PKV8[^\n]*\n", r"^IF/\(\(SQRT[^\n]*\n"
TRANS = r"D\(SHIFTED\)=TRANS/ZORIG,"
LIFT = r"^GOTO/CART,-6\.5000,10\.0000,30\.0000\n"
SLIPS = {
    # the limits
    "limit ten times as wide": (r"\.LE\. 0\.8\)\)", ".LE. 8.0))"),
    "limit a little wide": (r"\.LE\. 0\.8\)\)", ".LE. 0.81))"),
    "limit a little narrow": (r"\.LE\. 0\.8\)\)", ".LE. 0.79))"),
    "limit the other way round": (r"\.LE\. 0\.8\)\)", ".GE. 0.8))"),
    "spread ten times as wide": (r"PKV8 \.LE\. 0\.05", "PKV8 .LE. 0.5"),
    "spread of another estimate": (r"PKV24 \.LE\.", "PKV16 .LE."),
    "spreads or": (r"\(PKV8 \.LE\. 0\.05\) \.AND\.", "(PKV8 .LE. 0.05) .OR."),
    "no decision on the size": (IF_2, "IF/(1 .GT. 0)\n"),
    "no decision on the spread": (IF_1, "IF/(1 .GT. 0)\n"),
    "decision on the size gone": (r"(?s)" + IF_2 + r"(.*?)ELSE\n[^\n]*\nENDIF\n", r"\1"),
    "a square lost": (r"\(PKV15\*PKV15\)", "(PKV15*0)"),
    # what is reckoned
    "sign of a deviation": (r"ASSIGN/\(0-PKD4\)", "ASSIGN/(0+PKD4)"),
    "sign of both": (r"ASSIGN/\(0-PKD(\d)\)", r"ASSIGN/(0+PKD\1)", 0),
    "sign of a normal": (r"(PKD1=ASSIGN/PKD1\+\(PKZ-\(20\.0000\)\)\*)\(1", r"\1(-1"),
    "wrong touch": (r"^PKZ=OBTAIN/FA\(P1\),5", "PKZ=OBTAIN/FA(P2),5"),
    "wrong touch, of another face": (r"^PKX=OBTAIN/FA\(P5\),3", "PKX=OBTAIN/FA(P4),3"),
    "wrong coordinate": (r"^PKX=OBTAIN/FA\(P5\),3", "PKX=OBTAIN/FA(P5),4"),
    "touch of the second phase": (r"^PKX=OBTAIN/FA\(P5\),3", "PKX=OBTAIN/FA(P9),3"),
    "nominal": (r"PKX-\(0\.0000\)\)\*\(-1", "PKX-(0.5000))*(-1"),
    "mean by three": (r"\(PKV1\+PKV2\)/2", "(PKV1+PKV2)/3"),
    "mean of one": (r"\(PKV1\+PKV2\)/2", "(PKV1+PKV1)/2"),
    "least for most": (r"MX\(PKV9", "MN(PKV9"),
    "another variable": (r"^PKV25=ASSIGN/PKV23", "PKV25=ASSIGN/PKV15"),
    "never set": (r"^PKV25=ASSIGN/PKV23\n", ""),
    "never declared": (r"^DECL/LOCAL,REAL,PKV25\n", ""),
    # the shift
    "sign of the shift": (TRANS + "PKV27", "D(SHIFTED)=TRANS/ZORIG,-PKV27"),
    "axis of the shift": (TRANS, "D(SHIFTED)=TRANS/YORIG,"),
    "two axes changed": (r"XORIG,PKV25([\s\S]*)YORIG,PKV26", r"XORIG,PKV26\1YORIG,PKV25"),
    "shift of one axis gone": (r"^D\(SHIFTED_XY\)=.*\n", ""),
    "shift gone": (r"^D\(SHIFTED.*\n", "", 0),
    "shift twice": (r"^(D\(SHIFTED_X\)=TRANS/XORIG,PKV25\n)", r"\1D(SHIFTED_XX)=TRANS/XORIG,PKV25\n"),
    "a number for the variable": (TRANS + "PKV27", "D(SHIFTED)=TRANS/ZORIG,0.0"),
    "another label": (TRANS, "D(SHIFTED2)=TRANS/ZORIG,"),
    "the label that was set up": (TRANS, "D(PART)=TRANS/ZORIG,"),
    "a label of somebody else": (r"^D\(SHIFTED_X\)", "D(MACHINE)"),
    "from another system": (r"^RECALL/D\(PART\)(?=\nD\(SHIFTED_X)", "RECALL/D(MACHINE)"),
    "turned besides": (r"^(D\(SHIFTED\)=.*\n)", r"\1D(NEW)=ROTATE/ZAXIS,0.2\n"),
    "recalled too soon": (r"^(\$\$ TOUCH 8)", r"RECALL/D(PART)\n\1"),
    "recalled for one move": (r"^(GOTO/CART,65\.8500,20\.0000,30\.0000\n)", r"RECALL/D(PART)\n\1"),
    "another system at the end": (r"^RECALL/D\(PART\)\n(?=OUTPUT)", "RECALL/D(MACHINE)\n"),
    "not recalled at the end": (r"^RECALL/D\(PART\)\n(?=OUTPUT)", ""),
    "recalled after a result": (r"^(RECALL/D\(PART\)\n)(OUTPUT/FA\(P9\)\n)", r"\2\1"),
    "shift before it is decided": (r"(?s)(" + IF_2 + r")(.*?)(?=TEXT/OPER,'PHASE 2)", r"\2\1"),
    # branches
    "missing ENDIF": (r"^ENDIF\n(?=\$\$ PROBEKIT END)", ""),
    "ENDIF before the shift": (r"^(RECALL/D\(PART\)\n)(?=D\()", r"ENDIF\n\1"),
    "closed too soon": (r"(?s)(TEXT/OPER,'PHASE 2.*?)ELSE\n(TEXT[^\n]*\nENDIF\n)", r"ELSE\n\2\1"),
    "ELSE gone": (r"^ELSE\n", ""),
    "a move where it ends": (r"^(TEXT/OPER,'ENDED)", r"GOTO/CART,0,0,-20\n\1"),
    "a move after it": (r"^(\$\$ PROBEKIT END)", r"GOTO/CART,0,0,-20\n\1"),
    "a result where it ends": (r"^(TEXT/OPER,'ENDED)", r"OUTPUT/FA(P9)\n\1"),
    "not told why": (r"^TEXT/OPER,'ENDED.*\n", ""),
    "told the other reason": (r"SET-UP OFF BY MORE THAN 0\.8", "TOUCHES DISAGREE"),
    "not lifted where it ends": (LIFT, ""),
    "lifted after the decision": (r"(?s)(" + LIFT + r")(.*?" + IF_1 + ")", r"\2\1"),
    "waits where it should end": (r"^TEXT/OPER,'ENDED", "TEXT/MAN,'ENDED"),
    "decides before it has touched": (r"(?s)(F\(P5\)=.*?ENDMES\n)(.*?)(?=" + IF_1[1:] + ")", r"\2\1"),
    "a touch of the first phase after the shift": (
        r"(?s)(\$\$ TOUCH 4 .*?OUTPUT/FA\(P4\)\n)(.*?)(?=\$\$ TOUCH 9)",
        r"\2\1",
    ),
    "a touch of the second phase gone": (r"(?s)\$\$ TOUCH 8 .*?ENDMES\n", ""),
    "a result of the second phase gone": (r"^OUTPUT/FA\(P8\)\n", ""),
    "a place to start again": (r"^(\$\$ TOUCH 8)", r"$$ PROBEKIT RESTART 90010 X\n\1"),
}
HARMLESS = {
    "a comment": (r"^(D\(SHIFTED\))", r"$$ LOOK\n\1"),
    "small letters": (r"^D\(SHIFTED\)=TRANS", "d(shifted)=trans"),
    "a message": (r"^(D\(SHIFTED\))", r"TEXT/OPER,'LOOK'\n\1"),
}


def test_there_are_many_slips():
    assert len(SLIPS) >= 50


@pytest.mark.parametrize("name", some([*SLIPS, *HARMLESS], every=3))
def test_a_slip_is_a_stop_unless_harmless(one, name):
    pattern, new, *count = (SLIPS | HARMLESS)[name]
    text = one.programmed.text
    changed = re.sub(pattern, new, text, count=count[0] if count else 1, flags=re.MULTILINE)
    assert changed != text
    assert bool(one.planned.check(changed).of("stop")) == (name in SLIPS)


REFUSED = {
    "again": (("limit = 0.8\n", "limit = 0.8\nagain = 1\n"), "a feature is not measured anew under its label"),
    "another copy": (('to = "SHIFTED"', 'to = "MACHINE"'), "another work offset for its copy; found 'MACHINE'"),
    "the copy set up": (('work_offset = "PART"', 'work_offset = "SHIFTED"'), "no such work offset; found 'SHIFTED'"),
    "stop_outside": (
        ('work_offset = "PART"\n', 'work_offset = "PART"\nstop_outside = [-0.1, 0.1]\n'),
        "a touch cannot stop a program of a measuring machine that shifts by itself",
    ),
    "turns": (
        (
            "estimate = [\n",
            'estimate = [\n    {name = "a", kind = "angle", features = "front", direction = [0, 1, 0], '
            "along = [1, 0, 0], spread = 0.05, limit = 0.1},\n",
        ),
        "turns are not carried",
    ),
    "no shift": (('to = "SHIFTED"\nlimit = 0.8\n', ""), "the first phase must shift the coordinate system"),
    "estimate later": (
        (
            'name = "rest"\n',
            'name = "rest"\nestimate = [{name = "h", kind = "height", features = "rest", '
            "direction = [0, 0, 1], spread = 0.05}]\n",
        ),
        "only the first phase can estimate",
    ),
    "after": (('name = "rest"\n', 'name = "rest"\nafter = "OP 1"\n'), "has no milling program"),
    "recut": (('name = "rest"\n', 'name = "rest"\nafter = "OPERATION 1"\n' + deciding.CUT), "does not cut"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_carried_is_refused_before_any_work(tmp_path, name):
    change, said = REFUSED[name]
    study = pk.study.load(deciding.write(tmp_path, "dmis", *CHANGES, change))
    with pytest.raises(InputError, match=said) as refused:
        pk.study.preparation.check_program(study)
    assert refused.value.todo or refused.value.expected


def test_a_head_turns_lifted_in_the_shifted_system(tmp_path):
    """The head takes no part with it: the shift is the same in all poses."""
    head = '[machine]\naxes = [{letter = "A", moves = "head", limits = [-100, 100]}]\n\n[reach]\nposes = [[0], [30]]\n'
    one = made(tmp_path, ("[reach]\n", head))
    assert one.programmed.findings.of("stop") == ()
    assert one.programmed.text.count("TRANS/") == 3
    ran = simulated(one, (0.3, -0.4, 0.5), home=[0.0, 0.0, 400.0])
    assert ran.stopped == ""
    np.testing.assert_allclose(ran.origins["SHIFTED"], (0.3, -0.4, 0.5), atol=2e-4)


def test_a_confirmation_still_waits_and_nothing_else_does(tmp_path):
    one = made(tmp_path, ('work_offset = "PART"\n', 'work_offset = "PART"\nconfirm = 1.2\n'))
    assert one.programmed.findings.of("stop") == ()
    text = one.programmed.text
    assert text.count("TEXT/MAN") == 1
    for old, new in ((".GT. 1.2000", ".GT. 12.000"), ("TEXT/MAN", "TEXT/OPER"), ("PKDEV .LT. -", "PKDEV .LT. ")):
        assert one.planned.check(text.replace(old, new, 1)).of("stop")
