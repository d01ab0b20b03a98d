"""Slips of the hand in the DMIS text of the demo with a head C A: each is a stop, but for those named harmless."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable

import pytest
from measuring import measuring_study
from thorough import some

import probekit as pk
from probekit.program.measuring.sheet import measuring_sheet


def one(pattern: str, new: str, nth: int = 0) -> Callable[[str], str]:
    """The nth place of a pattern replaced (-1: the last one)."""

    def change(text: str) -> str:
        found = list(re.finditer(pattern, text, re.MULTILINE))
        assert found, pattern
        at = found[nth]
        return text[: at.start()] + at.expand(new) + text[at.end() :]

    return change


def every(pattern: str, new: str) -> Callable[[str], str]:
    """Every place of a pattern replaced."""
    return lambda text: re.sub(pattern, new, text, flags=re.MULTILINE)


BEFORE = r"^(TEXT/OPER,'POSE 1)"  # before the first move
UNITS = r"^UNITS/MM,ANGDEC"
OUTSIDE = r"^(TEXT/MAN,'TOUCH 10)"  # what it says where touch 10 is outside its limits
MEASURED = r"(?s)(F\(P5\)=FEAT.*?OUTPUT/FA\(P5\)\n)"

MUTATIONS: dict[str, Callable[[str], str]] = {
    # state
    "inches": one(UNITS, "UNITS/INCH,ANGDEC"),
    "angles in degrees, minutes and seconds": one(UNITS, "UNITS/MM,ANGDMS"),
    "no units": one(UNITS + r"\n", ""),
    "another coordinate system": one(r"^RECALL/D\(PART\)", "RECALL/D(MACHINE)"),
    "another coordinate system at the restart": one(r"^RECALL/D\(PART\)", "RECALL/D(MACHINE)", -1),
    "no coordinate system": one(r"^RECALL/D\(PART\)\n", ""),
    "system moved": one(BEFORE, r"D(NEW)=TRANS/ZORIG,5\n\1"),
    "system turned": one(BEFORE, r"D(NEW)=ROTATE/ZAXIS,0.5\n\1"),
    "system moved and back": one(BEFORE, r"D(NEW)=TRANS/XORIG,5\nD(NEW)=TRANS/XORIG,-4.9\n\1"),
    "a datum made of a feature": one(BEFORE, r"D(NEW)=DATSET/FA(P5),ZDIR,ZORIG\n\1"),
    "by hand": one(r"^MODE/PROG,MAN", "MODE/MAN"),
    "by ways of its own": one(r"^MODE/PROG,MAN", "MODE/AUTO,PROG,MAN"),
    "no mode": one(r"^MODE/PROG,MAN\n", ""),
    "a surface of clearance": one(BEFORE, r"SNSET/CLRSRF,50\n\1"),
    "a detour at the safe plane": one(
        r"^(GOTO/CART,-?)([0-9.]+)(.*)\n(?=\$\$ PROBEKIT RESTART)", r"\g<0>\g<1>333.0\3\n\g<0>"
    ),
    # sensors
    "another pose": one(r"SA\(C180_A32_5\)", "SA(C180_A30)"),
    "a sign lost of a pose": one(r"SA\(C180_A32_5\)", "SA(C180_A_32_5)"),
    "the turn gone": one(r"^SNSLCT/SA\(C180_A32_5\)\n", ""),
    "the turn back gone": one(r"^SNSLCT/SA\(C0_A0\)\n(?=\$\$ PROBEKIT END)", ""),
    "turned before it is lifted": one(r"^(GOTO/.*\n)(\$\$ PROBEKIT RESTART[\s\S]*?^)GOTO/.*\n(?=SNSLCT)", r"\2"),
    "a sensor nobody knows": one(r"SA\(C0_A0\)", "SA(LONG)"),
    "a tip that the probe has not": one(r"SA\(C0_A0\)", "SA(C0_A0_TIP_1)"),
    "a sensor without a pose between touches": one(
        r"^(\$\$ TOUCH 5)", r"SNSLCT/SA(invented_touch_probe)\nSNSLCT/SA(C0_A0)\n\1"
    ),
    "turned between touches": one(r"^(\$\$ TOUCH 5)", r"SNSLCT/SA(C180_A32_5)\n\1"),
    # rates and distances
    "positioning ten times as fast": every(r"POSVEL,MPM,2\.0", "POSVEL,MPM,20.0"),
    "positioning in mm/s": one(r"POSVEL,MPM,2\.0", "POSVEL,MMPS,2000.0"),
    "a unit nobody knows": one(r"POSVEL,MPM,2\.0", "POSVEL,IPM,2.0"),
    "touching ten times as fast": every(r"MESVEL,MPM,0\.10", "MESVEL,MPM,1.00"),
    "touching slower": one(r"MESVEL,MPM,0\.10", "MESVEL,MPM,0.01"),
    "no rate of moves": one(r"^FEDRAT/POSVEL.*\n", ""),
    "no rate of touches": one(r"^FEDRAT/MESVEL.*\n", ""),
    "no rate at the restart": one(r"^FEDRAT/MESVEL.*\n", "", -1),
    "approach half as long": one(r"APPRCH,2\.0", "APPRCH,1.0"),
    "approach into the part": one(r"APPRCH,2\.0", "APPRCH,-2.0"),
    "no approach": one(r"^SNSET/APPRCH.*\n", ""),
    "search ten times as long": one(r"SEARCH,0\.5", "SEARCH,5.0"),
    "no search at the restart": one(r"^SNSET/SEARCH.*\n", "", -1),
    "retract too short": one(r"RETRCT,2\.0", "RETRCT,0.1"),
    "retract far": one(r"RETRCT,2\.0", "RETRCT,20.0"),
    # touches
    "a nominal elsewhere": one(r"(F\(P5\)=FEAT/POINT,CART,40)\.0000", r"\1.0500"),
    "a normal turned round": one(r"(F\(P5\)=FEAT.*?,)1\.000000(,0\.000000)$", r"\1-1.000000\2"),
    "a touch 0.05 mm aside": one(r"(PTMEAS/CART,40)\.0000(,22)", r"\1.0500\2"),
    "a touch 2 mm deep": one(r"(PTMEAS/CART,40\.0000,)22\.", r"\g<1>20."),
    "a touch from the other side": one(r"(PTMEAS/CART,40\.0000,22.*,)1\.000000,", r"\1-1.000000,"),
    "a touch along another way": one(r"(PTMEAS/CART,40\.0000,22.*,)0\.000000,1\.000000,", r"\g<1>0.043619,0.999048,"),
    "a digit lost": one(r"PTMEAS/CART,40\.0000,22", "PTMEAS/CART,4.0000,22"),
    "a comma for a point": one(r"PTMEAS/CART,40\.0000,22", "PTMEAS/CART,40,0000,22"),
    "a number missing": one(r"(PTMEAS/CART,40\.0000,22.*),0\.000000$", r"\1"),
    "a touch gone": one(MEASURED, ""),
    "a touch twice": one(MEASURED, r"\1\1"),
    "two points in one feature": one(r"^(PTMEAS/.*\n)", r"\1\1"),
    "no point in a feature": one(r"^PTMEAS/.*\n", ""),
    "two touches change labels": lambda text: (
        text.replace("(P5)", "(PX)").replace("(P7)", "(P5)").replace("(PX)", "(P7)")
    ),
    "a label of another touch": one(r"MEAS/POINT,F\(P5\)", "MEAS/POINT,F(P6)"),
    "a label of no touch": every(r"\(P5\)", "(P99)"),
    "three points asked for": one(r"(MEAS/POINT,F\(P5\)),1", r"\1,3"),
    "another kind of feature": one(r"F\(P5\)=FEAT/POINT", "F(P5)=FEAT/SPHERE"),
    "touches in another order": one(
        r"(?s)(GOTO[^\n]*\n\$\$ TOUCH 2 .*?)(GOTO[^\n]*\n\$\$ TOUCH 13 .*?)(?=GOTO[^\n]*\n\$\$ TOUCH 3 )", r"\2\1"
    ),
    "a measurement not ended": one(r"^ENDMES\n", ""),
    "a result not put out": one(r"^OUTPUT/FA\(P5\)\n", ""),
    "a result put out twice": one(r"^(OUTPUT/FA\(P5\)\n)", r"\1\1"),
    "a result of another touch": one(r"^OUTPUT/FA\(P5\)", "OUTPUT/FA(P6)"),
    "nominal put out for the result": one(r"^OUTPUT/FA\(P5\)", "OUTPUT/F(P5)"),
    # ways
    "the way to a touch gone": one(r"^GOTO/.*\n(?=\$\$ TOUCH 5)", ""),
    "down before across": one(r"^GOTO/CART,-20\.0000,35\.0000,108\.0000\n(?=GOTO/CART,-20\.0000,35\.0000,4)", ""),
    "a lift gone": one(r"^GOTO/CART,20\.0000,26\.9910,108\.0000\n", ""),
    "a lift low": one(r"^(GOTO/CART,20\.0000,26\.9910),108\.0000", r"\1,8.0000"),
    "a sign lost": one(r"^(GOTO/CART,40\.0000,27\.0090),-6\.0000", r"\1,6.0000"),
    "through the part": one(r"^(\$\$ TOUCH 5)", r"GOTO/CART,0,0,-20\n\1"),
    "into the clamp": one(r"^(\$\$ TOUCH 14)", r"GOTO/CART,-75,0,5\n\1"),
    "a move between touches": one(r"^(\$\$ TOUCH 13)", r"GOTO/CART,10,-35,4.991\n\1"),
    "lifted and lowered again": one(
        r"^(GOTO/CART,20\.0000,26\.9910,-6\.0000\n)(GOTO/CART,20\.0000,26\.9910,108\.0000\n)", r"\2\1"
    ),
    "a move pasted from elsewhere": one(
        r"^(GOTO/CART,35\.0000,-22\.5000,4\.9910\n)(?=\$\$ TOUCH 2)", r"GOTO/CART,0.0000,-35.0000,4.9910\n\1"
    ),
    "a move by increments": one(r"^(\$\$ TOUCH 13)", r"GOTO/INCR,5,0,0,-1\n\1"),
    "the last lift gone": one(r"^GOTO/.*\n(?=SNSLCT/SA\(C0_A0\)\n\$\$ PROBEKIT END)", ""),
    # what it decides
    "a limit ten times as wide": one(r"\.GT\. 0\.1500", ".GT. 1.5000"),
    "a sign of a limit": one(r"\.LT\. -0\.1000", ".LT. 0.1000"),
    "the other way round": one(r"\.GT\. 0\.1500", ".LT. 0.1500"),
    "both limits": one(r"-0\.1000 \.OR\.", "-0.1000 .AND."),
    "a sign of a direction": one(r"\*\(-0\.986", "*(0.986"),
    "a small part of a direction": one(r"\*\(0\.098\d+\)", "*(0.05)"),
    "a part of a deviation gone": one(r"^PKDEV=ASSIGN/PKDEV\+\(PKZ.*\*\(0\.1335\d+\)\n", ""),
    "the result of another touch": one(r"^PKY=OBTAIN/FA\(P10\)", "PKY=OBTAIN/FA(P6)"),
    "X for Y": one(r"^PKY=OBTAIN/FA\(P10\),4", "PKY=OBTAIN/FA(P10),3"),
    "only told, not stopped": one(r"TEXT/MAN,'TOUCH 10", "TEXT/OPER,'TOUCH 10"),
    "no stop": one(r"^TEXT/MAN,'TOUCH 10.*\n", ""),
    "no confirmation": one(r"(?s)^IF/\(PKDEV \.LT\. -0\.5000.*?ENDIF\n", ""),
    "a confirmation ten times as wide": one(r"0\.5000\)$", "5.0000)"),
    "stopped always": one(r"^IF/.*\n", "", 1),
    "a limit with another side": one(r"(\.GT\. 0\.1500)", r"\1 .AND. PKDEV .LT. 0.3000"),
    "a move where it stops": one(OUTSIDE, r"GOTO/CART,0,0,-20\n\1"),
    "a turn where it stops": one(OUTSIDE, r"SNSLCT/SA(C180_A32_5)\n\1"),
    "a system moved where it stops": one(OUTSIDE, r"D(NEW)=TRANS/ZORIG,-5\n\1"),
    "a rate where it stops": one(OUTSIDE, r"FEDRAT/POSVEL,MPM,20\n\1"),
    "a move only where it does not stop": one(OUTSIDE + r"(.*\n)ENDIF\n(GOTO.*\n)", r"\1\2ELSE\n\3ENDIF\n"),
    "passed over": one(r"^(GOTO/.*\n\$\$ TOUCH 5)", r"IF/(1 .GT. 2)\n\1"),
    "a touch passed over": one(r"(?s)(F\(P5\)=FEAT.*?ENDMES\n)", r"IF/(1 .GT. 2)\n\1ENDIF\n"),
    "a jump": one(r"^(\$\$ TOUCH 5)", r"JUMPTO/(DONE)\n\1"),
    # the file
    "cut short": lambda text: text[: len(text) // 2],
    "no beginning": one(r"^DMISMN.*\n", ""),
    "the end before the end": one(r"^(\$\$ TOUCH 13)", r"ENDFIL\n\1"),
    "a word misspelt": one(r"^GOTO/", "GOT0/", 3),
    "a line of another language": one(r"^(\$\$ TOUCH 13)", r"G0 Z100\n\1"),
    "a line continued into the next": one(r"^(GOTO/.*)$", r"\1$", 2),
    "a letter that only looks like one": one(r"^SNSLCT", "\u017fNSLCT", 2),
    "a comment that breaks the line": one(BEFORE, "$$ CLAMPS\u2028GOTO/CART,0,0,0\n" + r"\1"),
    "a form feed in a statement": one(r"^GOTO/CART", "GOTO/\fCART", 2),
    "a sum without end": one(BEFORE, r"PKX=ASSIGN/" + "1+" * 4000 + r"1\n\1"),
    "a turn of the table": one(BEFORE, r"ROTAB/RT(T),ABSL,SHORT,90\n\1"),
    "the restart gone": one(r"^\$\$ PROBEKIT RESTART.*\n", ""),
    "the restart after its touch": one(
        r"(?s)^(\$\$ PROBEKIT RESTART(?:.*?\n){5})(.*)(?=SNSLCT/SA\(C0_A0\)\n\$\$ PROBEKIT END)", r"\2\1"
    ),
    "no sensor at the restart": one(r"^(MODE/PROG,MAN\n)SNSLCT.*\n", r"\1", -1),
}

HARMLESS: dict[str, str] = {
    "a comment": "a comment moves nothing",
    "small letters": "words are the same in either case (from memory of the standard)",
    "lifted once more": "up, clear of everything",
    "a move slower": "a rate below the plan's takes longer, nothing else",
    "the way back gone": "PTMEAS has gone back to the same place by itself",
    "the system recalled again": "it is the one in force",
    "a variable more": "nothing is reckoned with it",
    "a message more": "it is shown, and the program goes on",
}
MUTATIONS |= {
    "a comment": one(BEFORE, r"$$ MIND THE CLAMP\n\1"),
    "small letters": one(r"^GOTO/CART,", "goto/cart,", 2),
    "lifted once more": one(r"^(GOTO/CART,20\.0000,26\.9910,)108\.0000", r"\g<1>108.0000\n\g<1>120.0000"),
    "a move slower": one(r"POSVEL,MPM,2\.0", "POSVEL,MPM,1.0"),
    "the way back gone": one(r"(OUTPUT/FA\(P5\)\n)GOTO/.*\n", r"\1"),
    "the system recalled again": one(BEFORE, r"RECALL/D(PART)\n\1"),
    "a variable more": one(BEFORE, r"DECL/LOCAL,REAL,PKQ\n\1"),
    "a message more": one(BEFORE, r"TEXT/OPER,'LOOK'\n\1"),
}


@pytest.fixture(scope="module")
def done(tmp_path_factory, study_name: str) -> tuple[pk.study.preparation.Program, pk.study.preparation.Plan]:
    study = pk.study.load(measuring_study(tmp_path_factory.mktemp("measuring"), study_name))
    planned = pk.study.plan(study)
    return pk.study.program(study, planned), planned


def test_there_are_many() -> None:
    assert len(MUTATIONS) - len(HARMLESS) >= 80


def test_the_text_as_written_is_no_stop_and_all_is_checked(done) -> None:
    programmed, _ = done
    for found in (programmed.findings, programmed.dry_findings):
        assert found.of("stop") == found.of("look") == ()
        assert [check.name for check in found.checks if check.skipped] == []


@pytest.mark.parametrize("name", some(MUTATIONS, every=4))
def test_a_mutation_is_a_stop_unless_harmless(done, name: str) -> None:
    programmed, planned = done
    changed = MUTATIONS[name](programmed.text)
    assert changed != programmed.text
    found = planned.check(changed).of("stop")
    assert bool(found) == (name not in HARMLESS), [one.sentence for one in found]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (r"^(\$\$ PROBEKIT DRY TOUCH 5)", r"PTMEAS/CART,1,2,3,0,0,1\n\1"),
        (r"^\$\$ PROBEKIT DRY TOUCH 5.*\n", ""),
        (r"^GOTO/.*\n(?:.*\n){0,2}(?=\$\$ PROBEKIT DRY TOUCH 5)", ""),
        (r"^\$\$ PROBEKIT DRY RUN.*\n", ""),
    ],
)
def test_a_dry_run_is_held_to_its_plan(done, old: str, new: str) -> None:
    programmed, planned = done
    assert planned.check(one(old, new)(programmed.dry)).of("stop")


def test_the_time_is_that_of_the_rates_in_the_text(done) -> None:
    programmed, planned = done
    seconds, rate, at = 0.0, 0.0, None
    for line in programmed.text.splitlines():
        word, *parts = re.split("[/,]", line)
        if word == "FEDRAT" and parts[0] == "POSVEL":
            rate = float(parts[2]) * 1000 / 60
        elif word == "SNSLCT":
            at = None  # another ball, or another pose of it: the way from here is not in the text
        elif word == "GOTO":
            place = [float(part) for part in parts[1:]]
            seconds += math.dist(at, place) / rate if at else 0.0
            at = place
    time = planned.time
    assert seconds <= time.positioning <= 1.3 * seconds
    assert time.rapid == 0.0, "no statement of it makes a rapid move"


def test_the_sheet_says_what_was_checked_and_what_not(done, tmp_path) -> None:
    programmed, planned = done
    evil = "<script>alert(1)</script>"
    page = measuring_sheet(
        programmed.text,
        programmed.findings,
        title=evil,
        frame="RECALL/D(PART)",
        steps=programmed.moves,
        omitted=programmed.omitted,
        kinematics=planned.kinematics,
        probe=planned.probe,
        to=tmp_path / "sheet.html",
    )
    assert evil not in page
    assert hashlib.sha256(programmed.text.encode()).hexdigest()[:32] in page
    assert "NOT RELEASED" in page
    for words in ("What was not checked", "SA(C180_A32_5)", "ball&#x27;s centre", "omitted 1 x away", "90010"):
        assert words in page, words
    assert page.count("outside -0.1 to +0.15 mm") == 1
    # each place of the text stands beside itself, in tilted poses as well
    told = re.findall(r"<tr>(.*?)</tr>", page, re.DOTALL)
    told = [re.findall(r">([^<>]+)<", row) for row in told if "GOTO/CART" in row]
    assert len(told) == programmed.text.count("GOTO/CART")
    for row in told:
        said = [float(part) for part in row[-1].removeprefix("GOTO/CART,").split(",")]
        assert [float(part) for part in row[2:5]] == pytest.approx(said, abs=6e-4)
    rows = re.findall(r'<tr><td class="n">(\d+)</td><td>(?:slot|skin|base_top)</td>', page)
    assert [int(row) for row in rows] == planned.route.targets["touch"].tolist()


def test_a_milling_program_cannot_take_it(tmp_path, study_name: str) -> None:
    milling = 'milling = "milling.nc"\nafter = "OPERATION 4: FINISH THE SKIN"\n'
    milled = ('dialect = "dmis"', milling + 'dialect = "dmis"')
    study = pk.study.load(measuring_study(tmp_path, study_name, milled))
    with pytest.raises(pk.InputError, match="a measuring machine does not mill"):
        pk.study.preparation.check_program(study)
