"""Modes, shifts and jumps before the place of the probing: refused, in whatever way they are written.

That such words exist and what cancels them is common practice of milling controls (no source); G92 to G92.3 and G10 are
those of NISTIR 6556, 3.5.18 and 3.5.7, from memory.
"""

from __future__ import annotations

import re

import pytest

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis
from probekit.program import check, example_dialect, merge, read_dialect, run

PROBING = (
    "(PROBEKIT BEGIN demo)\nM5\nM9\nG21 G90 G94 G17 G61 G54\nT9 M6\nG43 H9\nG0 Z60\nG0 X1 Y1\nG38.2 Z-1 F50\n"
    "(PROBEKIT RECORD 1 f 1 1 0 0 0 1)\nG0 Z60\n(PROBEKIT END)\n"
)
HEAD = "G0 G15 G17 G21 G40 G49 G50 G50.1 G67 G69 G80 G90 G91.1 G94 G97 G98 G54"  # a usual safety line: stays usable
MILLING = f"""%
O77
{HEAD}
(ROUGH)
T1 M6
G43 H1
G0 X0 Y0 S6000 M3
G0 Z50
@
G1 Z-1 F200
G0 Z50
(PLACE)
M5
T2 M6
G43 H2 S900 M3
G0 X1 Y1 Z50
&
M30
%
"""


def milling(before: str = "(none)", after: str = "(none)") -> str:
    return MILLING.replace("@", before).replace("&", after)


IN_FORCE = [
    "G92 X30",
    "g92x30",
    "G92 X0 Y0 Z0",  # nobody knows where it stands after the tool change
    "G52 X5",
    "G92.3",  # brings back a shift that the control has kept from an earlier program
    "G68 X0 Y0 R30",
    "g068x0y0r30",
    "G68.0 (turn) R30",
    "G1X0F100G68R30",
    "N50 G 6 8 R30",
    "G[60+8] R30",
    "G[#100] R30",
    "G51 X0 Y0 P2000",
    "G51.1 X0",
    "G16",
    "G54.1",
    "G43.4 H4",
    "G43.5 H4",
    "G68.2 X0 Y0 Z0 I0 J30 K0",
    "G12.1",
    "G66 P8000",
    "G234",
    "G33 Z-1 K1",
    "M123",
    "G10 L20 P1 X0",
    "G10 L2 P1 R30",
    "G91 G10 L2 P1 X5",
    "#5221=30",
    "A30",
    "W5",
    "G54 P2.5",
    "M98 P100",
    "m098p100",
    "M97 P100",
    "G65 P9001 A1",
    "GOTO 100",
    "IF [#1 GT 2] GOTO 100",
    "IF [#1 GT 2] THEN #2=3",
    "WHILE [#1 LT 3] DO1",
    "O101 while [#1 LT 3]",
    "o<loop> while [#1 LT 3]",
    "O101 sub",
    "O101 if [#1 GT 2]",
    "O101 do",
    "O<helper> call",
    "O101 repeat [3]",
    "/G68 R30",
    "/ M98 P100",
    "/2 G68 R30",
    "N10 /G68 R30",
    "G69 G68 R30",
    "G68 R30\n/G69",
    "G68 R30\nG50",
    "G52 X5\nG52 Y0",
    "G54.1 P3\nG54 P2.5",
    "G92 X5\nG54",
]


@pytest.mark.parametrize("line", IN_FORCE)
def test_what_is_in_force_at_the_place_is_refused_with_its_line(line: str, tmp_path) -> None:
    file = tmp_path / "milling.nc"
    file.write_text(milling(line))
    with pytest.raises(InputError) as refused:
        merge(file, PROBING, after="T1")
    said = str(refused.value)
    if "block delete" not in said:
        assert re.search(r"milling\.nc, line (9|10):", said), said
    assert "No program was written" in said or "block delete" in said


CANCELLED = [
    "G92 X30\nG92.1",
    "G92 X30\nG92.2",
    "G52 X5 Y5\nG52 X0 Y0 Z0",
    "G68 X0 Y0 R30\nX5\nG069",
    "G51 P2\ng50",
    "G51.1 X0\nG50.1 X0",
    "G16\nX5 Y30\nG15",
    "G43.4 H4\nG49\nG43 H1",
    "G54.1 P3\nG54",
    "G66 P8000\nG67",
    "G64 P0.05",
    "G73 X1 Y1 Z-5 R2 Q1 F100\nG80",
    "G91 G28 Z0\nG90",
    "G91 G30 P2 Z0\nG90",
    "A0",
    "G10 L2 P1 X5 Y5 Z5",
    "(G68 R30 IN A COMMENT)",
    "; M98 P100",
]


@pytest.mark.parametrize("lines", CANCELLED)
def test_what_is_cancelled_before_the_place_is_not(lines: str) -> None:
    merged = merge(milling(lines + "\nG0 X0 Y0 Z50\nG1 Z-1 F100\nG0 Z50"), PROBING, after="T1")
    assert merged.difference.unchanged
    assert not [f for f in check(merged.text, tool=9).of("stop") if f.check == "modes"]


def test_a_plain_g10_at_the_head_is_something_to_look_at() -> None:
    found = check(merge(milling("G10 L2 P1 X5 Y5 Z5"), PROBING, after="T1").text, tool=9)
    assert "work_offset" in {f.check for f in found.of("look")}
    assert not [f for f in found.of("stop") if f.check in ("modes", "work_offset")]


@pytest.mark.parametrize("line", ["GOTO 10", "IF [#1 GT 2] GOTO 10", "M97 P10", "M99", "M[90+9]", "WHILE [#1] GOTO 3"])
def test_a_jump_after_the_place_may_lead_back(line: str) -> None:
    with pytest.raises(InputError, match=r"line 17: .*past the place"):
        merge(milling(after=line), PROBING, after="T1")


@pytest.mark.parametrize(
    "lines", ["WHILE [#1 LT 3] DO1\n#1=[#1+1]\nEND1", "O5 while [#1 LT 3]\nX1\nO5 endwhile", "M98 P100", "G68 R30"]
)
def test_what_stays_behind_the_place_does_not_matter(lines: str) -> None:
    assert merge(milling(after=lines), PROBING, after="T1").difference.unchanged


def test_a_subprogram_behind_the_end_may_return_but_not_to_a_block() -> None:
    program = milling(after="M98 P100").replace("M30\n", "M30\nO100\nG1 X5\nM99\n")
    assert merge(program, PROBING, after="T1").difference.unchanged
    with pytest.raises(InputError, match="M99"):
        merge(program.replace("M99", "M99 P5"), PROBING, after="T1")


def test_a_word_stated_to_be_harmless_is_let_through_and_a_mode_is_not() -> None:
    assert merge(milling("M88"), PROBING, after="T1", known=["M88"]).difference.unchanged
    for line, word in (("G68 R30", "G68"), ("G92 X5", "G92"), ("M98 P1", "M98"), ("G66 P1", "G66")):
        with pytest.raises(InputError, match=word):
            merge(milling(line), PROBING, after="T1", known=[word])


def test_only_words_that_are_not_understood_can_be_stated_to_be_harmless(tmp_path) -> None:
    own = tmp_path / "own.toml"
    example = example_dialect().replace("<FILL IN>", "G901")
    own.write_text(example.replace("harmless = []", 'harmless = ["M88", "G5.1"]'))
    assert read_dialect(own).harmless == ("M88", "G5.1")
    for word in ("G68", "G92", "M98", "G66", "G38.2", "m88", "M088", "M88 G68"):
        own.write_text(example.replace("harmless = []", f'harmless = ["{word}"]'))
        with pytest.raises(InputError, match="harmless"):
            read_dialect(own)


def test_a_rotary_axis_of_the_machine_is_understood() -> None:
    table = Kinematics((RotaryAxis("A", "table"),))
    assert merge(milling("G0 A30"), PROBING, after="T1", kinematics=table).difference.unchanged


@pytest.mark.parametrize("line", ["G92 X30", "G68 R30", "G51 P2", "G52 X1", "G54.1", "G43.4 H9", "G234", "M98 P5"])
@pytest.mark.parametrize("where", ["(PROBEKIT BEGIN", "G0 X1 Y1"])
def test_the_same_in_a_finished_text_is_a_stop(line: str, where: str) -> None:
    merged = merge(milling(), PROBING, after="T1").text
    edited = merged.replace(where, f"{line}\n{where}", 1)
    number = edited.splitlines().index(line) + 1
    stops = [f for f in check(edited, tool=9).of("stop") if f.check == "modes"]
    assert {f"since line {number}" in f.what for f in stops} == {True}
    assert "modes" not in {f.check for f in check(merged, tool=9).of("stop")}


def test_words_known_to_be_harmless_are_no_stop_in_a_finished_text() -> None:
    edited = merge(milling(), PROBING, after="T1").text.replace("(PROBEKIT BEGIN", "M88\n(PROBEKIT BEGIN")
    assert "modes" in {f.check for f in check(edited, tool=9).of("stop")}
    assert "modes" not in {f.check for f in check(edited, tool=9, known=["M88"]).of("stop")}


def test_a_local_shift_moves_the_place_and_nothing_else() -> None:
    ends = [s.end for s in run("G0 X10 Y0 Z0\nG52 X4\nG0 X0\nG52 X0\nG0 Y1", start=(0, 0, 0)) if s.kind == "rapid"]
    assert ends == [(10, 0, 0), (0, 0, 0), (4, 1, 0)]
