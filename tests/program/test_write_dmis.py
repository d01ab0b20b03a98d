"""DMIS text read back by a small grammar of its own, written here from memory of ISO 22093."""

import hashlib
import re

import numpy as np
import pytest
from balls import CASES, HEAD, PROBE, moves_on_balls

from probekit.errors import InputError
from probekit.program.checking.unread import unread_sheet
from probekit.program.writing.dialect_reader import read_dialect
from probekit.program.writing.write import write

pytestmark = pytest.mark.filterwarnings("ignore:the dialect dmis omitted")

NUMBER = r"-?\d+\.\d+"
STATEMENTS = {
    "comment": r"\$\$ .*",
    "head": r"DMISMN/'\w+',\d\d\.\d",
    "units": r"UNITS/MM,ANGDEC",
    "frame": r"RECALL/D\(\w+\)",
    "mode": r"MODE/PROG,MAN",
    "declare": r"DECL/LOCAL,REAL,\w+",
    "sensor": r"SNSLCT/SA\((\w+)\)",
    "goto": rf"GOTO/CART,({NUMBER}),({NUMBER}),({NUMBER})",
    "feed": rf"FEDRAT/(POSVEL|MESVEL),MPM,({NUMBER})",
    "set": rf"SNSET/(APPRCH|SEARCH|RETRCT),({NUMBER})",
    "feature": rf"F\((\w+)\)=FEAT/POINT,CART((?:,{NUMBER}){{6}})",
    "measure": r"MEAS/POINT,F\((\w+)\),1",
    "point": rf"PTMEAS/CART((?:,{NUMBER}){{6}})",
    "measured": r"ENDMES",
    "output": r"OUTPUT/FA\((\w+)\)",
    "obtain": r"\w+=OBTAIN/FA\((\w+)\),([345])",
    "assign": rf"PKDEV=ASSIGN/(?:PKDEV\+)?\(PK[XYZ]-\({NUMBER}\)\)\*\({NUMBER}\)",
    "if": rf"IF/\(PKDEV \.LT\. ({NUMBER}) \.OR\. PKDEV \.GT\. ({NUMBER})\)",
    "text": r"TEXT/(?:MAN|OPER),'[^']*'",
    "endif": r"ENDIF",
    "end": r"ENDFIL",
}


def statements(text):
    found = []
    for line in text.splitlines():
        assert len(line) <= 80
        kinds = [(kind, match) for kind, form in STATEMENTS.items() if (match := re.fullmatch(form, line))]
        assert len(kinds) == 1, line
        found.append((kinds[0][0], kinds[0][1].groups()))
    return found


@pytest.mark.parametrize("case", [CASES[0], CASES[2]])
def test_every_target_is_measured_once_where_it_is(case):
    kinematics, route, moves = moves_on_balls(case, 20, 3, limits=(-0.05, 0.08), critical=True)
    found = statements(write(moves, "dmis", kinematics=kinematics, probe=PROBE, whole=True))
    kinds = [kind for kind, _ in found if kind != "comment"]
    assert (kinds[0], kinds[-1]) == ("head", "end")
    blocks = [k for k, (kind, _) in enumerate(found) if kind == "measure"]
    assert len(blocks) == len(route.targets)
    for k, row in zip(blocks, route.targets.to_dict("records"), strict=True):
        label, meant = f"P{row['touch']}", [row[c] for c in ("x0", "y0", "z0", "i", "j", "k")]
        assert [kind for kind, _ in found[k - 1 : k + 4]] == ["feature", "measure", "point", "measured", "output"]
        assert {found[k - 1][1][0], found[k][1][0], found[k + 3][1][0]} == {label}
        for at, group in ((k - 1, 1), (k + 1, 0)):
            values = [float(c) for c in found[at][1][group].split(",")[1:]]
            np.testing.assert_allclose(values, meant, atol=0.51e-4)
        # the ball stands at the standoff before it measures, in the part's own frame
        before = [values for kind, values in found[:k] if kind == "goto"][-1]
        start = np.array(meant[:3]) + (PROBE.radius + 4.0) * np.array(meant[3:])
        np.testing.assert_allclose([float(c) for c in before], start, atol=1e-4)
        after = next(values for kind, values in found[k:] if kind == "if")
        assert after == ("-0.0500", "0.0800")
    assert kinds.count("if") == kinds.count("endif") == len(blocks)
    settings = {values[0]: float(values[1]) for kind, values in found if kind in ("set", "feed")}
    assert settings == {"APPRCH": 4.0, "RETRCT": 4.0, "SEARCH": 3.0, "POSVEL": 2.0, "MESVEL": 0.1}  # metres per minute


def test_a_deviation_is_reckoned_along_the_normal():
    # run the assignments: a surface point 0.03 mm outside must give 0.03
    kinematics, route, moves = moves_on_balls(CASES[0], 1, 0, limits=(-0.01, 0.01), critical=True)
    lines = write(moves, "dmis", kinematics=kinematics, probe=PROBE).splitlines()
    row = route.targets.iloc[0]
    point = [row[p] + 0.03 * row[n] for p, n in (("x0", "i"), ("y0", "j"), ("z0", "k"))]
    values = dict(zip(("PKX", "PKY", "PKZ"), point, strict=True))
    for line in lines:
        if match := re.fullmatch(r"PKDEV=ASSIGN/(PKDEV\+)?\((PK[XYZ])-\((.*)\)\)\*\((.*)\)", line):
            term = (values[match[2]] - float(match[3])) * float(match[4])
            values["PKDEV"] = (values["PKDEV"] if match[1] else 0.0) + term
    assert values["PKDEV"] == pytest.approx(0.03, abs=2e-4)


def test_each_pose_of_a_head_selects_a_sensor():
    kinematics, route, moves = moves_on_balls(CASES[2], 25, 3)
    found = statements(write(moves, "dmis", kinematics=kinematics, probe=PROBE))
    sensors = [values[0] for kind, values in found if kind == "sensor"]
    taken = [route.poses[d][0] for d in route.targets["direction"][route.indexed]]
    sensors = [
        one for one, before in zip(sensors, ["", *sensors], strict=False) if one != before
    ]  # said anew: restarts
    assert sensors == ["probe", *(f"B{angle:g}".replace("-", "_") for angle in taken), "B0"]
    assert kinematics is HEAD


def test_a_table_is_refused():
    kinematics, _, moves = moves_on_balls(CASES[1], 3, 3)
    with pytest.raises(InputError, match="cannot turn the axes of this machine"):
        write(moves, "dmis", kinematics=kinematics, probe=PROBE)


def test_a_feature_name_cannot_end_a_string_or_a_line():
    kinematics, _, moves = moves_on_balls(CASES[0], 3, 3, feature="a'$\nENDFIL\nGOTO/CART,0,0,-99")
    text = write(moves, "dmis", kinematics=kinematics, probe=PROBE, name="x'),\nENDFIL", whole=True)
    found = statements(text)
    plain_moves = moves_on_balls(CASES[0], 3, 3)[2]
    plain = statements(write(plain_moves, "dmis", kinematics=kinematics, probe=PROBE, name="x", whole=True))
    without = [[one for one in some if one[0] != "comment"] for some in (found, plain)]
    assert without[0] == without[1]
    assert "'" not in read_dialect("dmis").safe


def test_its_release_sheet_says_that_nothing_was_checked_and_where_it_turns():
    kinematics, route, moves = moves_on_balls(CASES[2], 20, 3)
    text = write(moves, "dmis", kinematics=kinematics, probe=PROBE, whole=True)
    evil = "<script>alert(1)</script>"
    page = unread_sheet(text, moves, title=evil, omitted=["omitted 1 x away"], kinematics=kinematics, probe=PROBE)
    assert evil not in page
    assert hashlib.sha256(text.encode()).hexdigest()[:32] in page
    assert "NOT RELEASED, NOT CHECKED" in page
    assert "omitted 1 x away" in page
    rows = re.findall(r"<tr><td class=\"n\">(\d+)</td>(.*?)</tr>", page)
    assert [int(touch) for touch, _ in rows] == route.targets["touch"].tolist()
    turned = [int(touch) for touch, cells in rows if "turns before it" in cells]
    assert turned == route.targets["touch"][route.indexed].tolist()[1:]
    assert len(turned) > 0
