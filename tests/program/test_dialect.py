"""Dialect files: read, refused with the place of the error, and the shop's own."""

import dataclasses
import tomllib
from importlib import resources
from pathlib import Path

import pytest
from balls import CASES, PROBE, moves_on_balls
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan.kinematics import Kinematics
from probekit.program.moves import Stop
from probekit.program.writing.dialect import FILL_IN, KINDS, dialect_names, example_dialect
from probekit.program.writing.dialect_reader import read_dialect
from probekit.program.writing.numbers import Number
from probekit.program.writing.write import write

FOLDER = Path(str(resources.files("probekit.program.writing"))) / "dialects"


@pytest.mark.parametrize("name", ["dmis", "rs274"])
def test_shipped_dialects_claim_no_release(name):
    assert name in dialect_names()
    dialect = read_dialect(name)
    assert dialect.released_by == ""
    assert set(dialect.moves) | set(dialect.omit) == set(KINDS)
    assert "QUALIFIED" in " ".join(dialect.caution)
    assert [len(dialect.comment(words)) for words in dialect.caution] == [1] * len(dialect.caution)


@pytest.mark.parametrize(
    ("form", "value", "text"),
    [
        (Number(), 12.5, "12.5"),
        (Number(), 10, "10."),
        (Number(), -0.00001, "0."),
        (Number(3, trailing=True), -1.0005, "-1.000"),
        (Number(3, leading=False), -0.25, "-.25"),
        (Number(3, leading=False), 0.0, "0."),
        (Number(0, point=False), 100.4, "100"),
        (Number(2, width=3, trailing=True), 7.125, "007.12"),
        (Number(5, factor=0.001), 250.0, "0.25"),
    ],
)
def test_numbers_are_written_as_asked(form, value, text):
    assert form(value) == text


@given(st.floats(-1e5, 1e5), st.integers(0, 6), st.booleans(), st.booleans(), st.booleans())
def test_numbers_read_back_within_rounding(value, decimals, point, trailing, leading):
    text = Number(decimals, point=point, trailing=trailing, leading=leading)(value)
    assert float(text) == pytest.approx(value, abs=0.5 * 10.0**-decimals + 1e-9)
    assert "e" not in text
    assert text not in ("-0", "-0.", "-.0")
    if point:
        assert "." in text


def rewritten(tmp_path, *changes, name="shop_example"):
    text = (FOLDER / f"{name}.toml").read_text("utf-8").replace(FILL_IN, "G901")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "own.toml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('about = "', 'abuot = "', r"own.toml, key 'abuot': .*unknown key.*Did you mean about"),
        ('link = ["G0 X{x}', 'link = ["G0 X{w}', r"key 'moves.link': an unknown placeholder; found '\{w\}'"),
        ('link = ["G0 X{x}', 'link = ["G0 X{x', "brace"),
        ('stop = ["({message})", "M0"]', "", "key 'stop': each kind of move must be either defined or omitted"),
        ("[omit]", '[omit]\nlink = "no"', "key 'link': .*either defined or omitted"),
        ('coordinates = "program"', 'coordinates = "table"', "coordinates.*program or part"),
        ('safe = "A-Z0-9 .,_+-"', 'safe = "A-Z0-9 ()_"', "characters that are not safe"),
        ('safe = "A-Z0-9 .,_+-"', 'safe = "A-Zé_"', "characters that are not safe"),
        ('token = "A-Z0-9_"', 'token = "A-Z0-9_%"', "characters that are not safe"),
        ('token = "A-Z0-9_"', 'token = "A-Z 0-9_"', "characters that are not safe"),
        ('replacement = "_"', 'replacement = "("', "replacement"),
        ("angle = { decimals = 4 }", "", "lacks a key"),
        ("angle = { decimals = 4 }", "angle = { decimals = -1 }", "number format"),
        ("angle = { decimals = 4 }", "angle = { digits = 4 }", "unknown key"),
        ("line_limit = 128", 'line_limit = "128"', "wrong kind"),
        ('G54 = "G54"\nG55 = "G55"', "", "no work offset"),
        ('turns = ["table", "head"]', 'turns = ["part"]', "what may turn"),
        ('index = ["G0 {rotary}"]', 'index = ["G0\\nM3"]', "printable ASCII"),
        ("[moves]", "[moves", "not TOML"),
        ("first = 10", "first = true", "wrong kind"),
        ('"ONLY BY A QUALIFIED PERSON"', '"ONLY BY\\nA QUALIFIED PERSON"', "key 'caution': .*printable ASCII"),
    ],
)
def test_a_dialect_with_an_error_says_where(tmp_path, old, new, message):
    with pytest.raises(InputError, match=message):
        read_dialect(rewritten(tmp_path, (old, new)))


def test_a_dialect_that_is_not_there_names_those_that_are():
    with pytest.raises(InputError, match="one of dmis, rs274"):
        read_dialect("no_such_dialect")


def test_a_shop_writes_its_own_in_one_file(tmp_path):
    file = rewritten(
        tmp_path,
        ('\ntouch = ["G901 X', '\ntouch = ["G902 X'),
        ("NOTHING IS STORED", "STORED"),
        ('released_by = ""', 'released_by = "M. Muster, 2026-11-25"'),
        ("position = { decimals = 4, point = true", "position = { decimals = 3, point = true"),
    )
    kinematics, route, moves = moves_on_balls(CASES[1], 8, 2)
    text = write(moves, str(file), kinematics=kinematics, probe=PROBE, work_offset="G55", whole=True)
    lines = text.splitlines()
    assert lines[0] == lines[-1] == "%"
    assert sum("G902 X" in line for line in lines) == len(route.targets)
    assert not [line for line in lines if "G901 " in line or "NOT RELEASED" in line]
    assert [line for line in lines if "MUSTER, 2026-11-25" in line]
    blocks = [line for line in lines if line[0] not in "(%" and line != "M30"]
    assert [int(line.split()[0][1:]) for line in blocks] == list(range(10, 10 * len(blocks) + 10, 10))
    assert "N20 G55" in lines
    assert max(len(line.partition("X")[2].split()[0].partition(".")[2]) for line in lines if " X" in line) == 3


def test_the_example_is_text_to_copy_and_a_path_is_a_dialect(tmp_path):
    file = tmp_path / "ours.toml"
    file.write_text(example_dialect().replace('name = "shop_example"', 'name = "shop_of_ours"'), "utf-8")
    kinematics, _, moves = moves_on_balls(CASES[0], 3, 2)
    for unfilled in (file, "shop_example"):
        with pytest.raises(InputError, match=r"key 'moves.*still to be filled in.*<FILL IN> X"):
            read_dialect(unfilled)
    file.write_text(file.read_text("utf-8").replace(FILL_IN, "G901"), "utf-8")
    own = [write(moves, d, kinematics=kinematics, probe=PROBE) for d in (file, str(file))]
    assert "(NOT RELEASED FOR ANY MACHINE)" in own[0].splitlines()
    assert "(DIALECT SHOP_OF_OURS)" in own[0].splitlines()
    assert own[0] == own[1]


def test_the_example_holds_no_word_of_its_own_for_a_probing_move():
    """It comes with the control: what stands in the file is understood by nobody."""
    touching = [line for kind in ("touch", "first_touch") for line in tomllib.loads(example_dialect())["moves"][kind]]
    assert [line.split()[0] + " " + line.split()[1] for line in touching] == [FILL_IN] * 2


def test_what_a_dialect_lacks_is_refused():
    kinematics, _, moves = moves_on_balls(CASES[0], 3, 2)
    own = read_dialect("rs274")
    with pytest.raises(InputError, match=r"no such work offset.*G59\.3"):
        write(moves, own, kinematics=kinematics, probe=PROBE, work_offset="G54.1")
    with pytest.raises(InputError, match="too long"):
        write(moves, dataclasses.replace(own, line_limit=20), kinematics=kinematics, probe=PROBE)
    with pytest.raises(InputError, match="message is too long"):
        write([*moves, Stop("x" * 99)], own, kinematics=kinematics, probe=PROBE)
    first = dataclasses.replace(own, moves={**own.moves, "first_link": ("G0 X{x} Z{depth}",)})
    with pytest.raises(InputError, match="has no value here"):
        write(moves, first, kinematics=kinematics, probe=PROBE)


def test_lines_that_repeat_are_left_out_where_the_dialect_says():
    kinematics, route, moves = moves_on_balls(CASES[0], 6, 2)
    own = read_dialect("rs274")
    touch = ("F{feed}", "G38.2 X{x} Y{y} Z{z}")
    own = dataclasses.replace(own, moves={**own.moves, "touch": touch})
    lines = {
        modal: write(moves, dataclasses.replace(own, modal=modal), kinematics=kinematics, probe=PROBE).splitlines()
        for modal in ((), ("F",))
    }
    assert lines[()].count("F100.") == len(route.targets) > 1
    assert lines[("F",)].count("F100.") == 1


def test_two_features_that_become_the_same_are_refused():
    kinematics, _, moves = moves_on_balls(CASES[0], 6, 2, feature=["a b", "a/b"] * 3)
    with pytest.raises(InputError, match="two names become the same"):
        write(moves, "rs274", kinematics=kinematics, probe=PROBE)


@pytest.mark.parametrize(
    ("travel", "axis"), [(((-1, 1), (-99, 99), (-99, 99)), "X"), (((-99, 99), (-99, 99), (-99, 20)), "Z")]
)
def test_moves_outside_the_travel_are_refused(travel, axis):
    _, _, moves = moves_on_balls(CASES[0], 6, 2)
    with pytest.raises(InputError, match=f"column '{axis}': .* exceeds the travel"):
        write(moves, "rs274", kinematics=Kinematics(travel=travel), probe=PROBE)
    write(moves, "rs274", kinematics=Kinematics(travel=((-99, 99),) * 3), probe=PROBE)
