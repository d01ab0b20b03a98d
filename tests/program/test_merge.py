"""Merging: no milling block changes, what held before holds after, and what cannot be given back is refused."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis
from probekit.program import check, difference, merge, run
from probekit.program.merging.anchors import walk
from probekit.program.reading.interpreter import Interpreter
from probekit.program.reading.words import parse

PROBING = (
    "%\nO9\n(PROBEKIT BEGIN demo)\nM5\nM9\nG21 G90 G94 G17 G54\nT9 M6\nG43 H9\nG0 Z60\nG0 X1 Y1\nG38.2 Z-1 F50\n"
    "(PROBEKIT RECORD 1 f 1 1 0 0 0 1)\nG0 Z60\n(PROBEKIT END)\nM30\n%\n"
)
MILLING = """%
O77
N10 G21 G90 G17 G94 G54
(ROUGH)
N20 T1 M6
N30 G43 H1
N40 G0 X0 Y0 S6000 M3
N50 G0 Z50
N60 M8
N70 G1 Z-1 F200
N80 G3 X10 Y0 I5 J0
N90 G0 Z50
(FINISH)
N100 X5
N110 G1 Z-2 F100
N120 G0 Z50
N130 M5 M9
T2
(SLOT)
N140 M6
N150 G43 H2
N160 S900 M3
N170 G0 X1 Y1 Z50
N180 M30
%
"""


def inserted(text: str, milling: str = MILLING, **options: object) -> list[str]:
    merged = merge(milling, PROBING, **({"after": "end"} | options))
    lines = merged.text.splitlines()
    assert lines[: merged.first - 1] + lines[merged.last :] == milling.splitlines()
    assert text in merged.place
    return lines[merged.first - 1 : merged.last]


@pytest.mark.parametrize(
    ("after", "line_before", "words"),
    [
        ("rough", "N90 G0 Z50", "operation 'rough'"),
        ("(FINISH)", "T2", "operation 'FINISH'"),
        ("N90", "N90 G0 Z50", "block N90"),
        (120, "N120 G0 Z50", "block N120"),
        ("T1", "T2", "tool 1"),
        ("M6 T2", "N170 G0 X1 Y1 Z50", "tool 2"),
        ("end", "N170 G0 X1 Y1 Z50", "end"),
    ],
)
def test_places(after: str | int, line_before: str, words: str) -> None:
    merged = merge(MILLING, PROBING, after=after)
    assert merged.text.splitlines()[merged.first - 2] == line_before
    assert words in merged.place
    assert merged.difference.unchanged


@pytest.mark.parametrize(("comment", "taken"), [("(CUT 10)", False), ("(CUT 1.5)", False), ("(CUT 1: SIDE)", True)])
def test_the_number_of_an_operation_is_not_a_part_of_another_number(comment: str, taken: bool) -> None:
    milling = MILLING.replace("(ROUGH)", comment)
    if taken:
        assert inserted("after the operation 'CUT 1'", milling, after="CUT 1")
        return
    with pytest.raises(InputError, match="no comment 'CUT 1'"):
        merge(milling, PROBING, after="CUT 1")


@pytest.mark.parametrize("locked", [True, False])
def test_the_overrides_work_while_the_probe_is_in(locked: bool) -> None:
    """M49 locks the override knobs (NISTIR 6556, M48 and M49; from memory): a reduced one would not slow the probe."""
    milling = MILLING.replace("N90 G0 Z50", "N90 G0 Z50 M49" if locked else "N90 G0 Z50")
    merged = merge(milling, PROBING, after="ROUGH")
    lines, walked = merged.text.splitlines(), walk(Interpreter(), parse(merged.text))
    part = walked[merged.first - 1 : merged.last]
    assert all(one.state.overrides for one in part if one.moves and one.state.tool == 9)
    assert part[-1].state.overrides is not locked
    assert ("M48" in "\n".join(lines)) is locked


def test_the_milling_tool_comes_back_before_anything_turns() -> None:
    lines = inserted("ROUGH", after="ROUGH")
    back = next(i for i, line in enumerate(lines) if line.startswith("T1 M6"))
    probe_in = next(i for i, line in enumerate(lines) if line.startswith("T9 M6"))
    on = [i for i, line in enumerate(lines) if "M3" in line or "M8" in line]
    assert len(on) == 2
    assert min(on) > back > probe_in > max(lines.index("M5"), lines.index("M9"))
    assert lines[back + 1 : back + 4] == ["G43 H1", "G21 G17 G54", "G90 G0 G53 Z0"]
    down = [i for i, line in enumerate(lines) if line.startswith("G0 Z50")]
    assert down[-1] > max(on)


def test_spindle_and_coolant_stop_before_the_first_move_and_after_the_last() -> None:
    bare = PROBING.replace("M5\nM9\n", "")
    lines = merge(MILLING, bare, after="end").text.splitlines()
    first = lines.index("(PROBEKIT MERGED PART BEGIN)")
    assert lines[first + 1 : first + 3] == ["M5", "M9"]
    last = lines.index("(PROBEKIT END)")
    assert lines[last + 1 : last + 3] == ["M5", "M9"]
    hot = bare.replace("G43 H9", "G43 H9 S5 M3 M8")  # a probing text that is wrong does not leave the spindle turning
    walked = walk(Interpreter(), parse(merge(MILLING, hot, after="FINISH").text))
    end = next(w for w in walked if "MERGED PART END" in w.block.text)
    assert (end.state.turning, end.state.coolant, end.state.speed) == (False, False, 0.0)


def test_comments_before_the_program_end_stay_with_it() -> None:
    milling = MILLING.replace("N180 M30", "(END OF PART)\nN180 M30")
    lines = merge(milling, PROBING, after="end").text.splitlines()
    assert lines[lines.index("(PROBEKIT MERGED PART END)") + 1] == "(END OF PART)"


def test_before_a_tool_change_only_the_modal_state_comes_back() -> None:
    lines = inserted("FINISH", after="FINISH")
    assert not [line for line in lines if line.startswith("T1") or "M3" in line or "M8" in line]
    assert lines[-2].startswith("T2 ")  # the milling then says only M6


@pytest.mark.parametrize(
    ("next_tool", "comes_back"),
    [
        ("T2 M6\nG0 G54 X0 Y0 S900 M3\nG43 H2 Z50 M8\nG1 Z-1 F90", False),  # the usual head of an operation
        ("T2 M6\nG43 H2 Z50\nG1 Z-1 F90\nM8", True),  # relies on the coolant
        ("T2 M6\nG0 Z50\nG43 H2 M8\nG1 Z-1 F90", True),  # relies on the length offset
        ("G0 X5\nT2 M6\nG43 H2 M8\nG1 Z-1 F90", True),
        ("M123\nT2 M6\nG43 H2 M8\nG1 Z-1 F90", True),
        ("M5 M9", False),
        ("M8\nT2 M6\nG43 H2 M8\nG1 Z-1 F90", True),  # the probe would be in the coolant
        ("S800\nT2 M6\nS900 M3\nG43 H2 M8\nG1 Z-1 F90", True),
        ("S800 M3\nT2 M6\nG43 H2 M8\nG1 Z-1 F90", True),
        ("S0 M5\nT2 M6\nS900 M3\nG43 H2 M8\nG1 Z-1 F90", False),
    ],
)
def test_when_the_milling_tool_has_to_come_back(next_tool: str, comes_back: bool) -> None:
    milling = f"G21 G90\nT1 M6\nG43 H1\nS900 M3 M8\nG0 X0 Y0\nG0 Z50\nN7 (here)\n{next_tool}\nM30\n"
    merged = merge(milling, PROBING, after="N7")
    assert ("the milling tool comes back" in merged.text) == comes_back
    assert "Z0 of the machine" in " ".join(merged.notes)
    assert "Z0 of the machine" not in " ".join(merge(milling, PROBING, after="N7", lift="G0 Z99").notes)


NEXT_TOOL = """G21 G90 G17 G94 G54
T2 M6
G43 H2
S5000 M3
G0 Z150
G81 X80 Y20 Z-2 R25 F200
G80
G0 Z150
M5
{mode}(THE NEXT)
T3 M6
S3000 M3
G43 H3
{next}
G0 Z150
M5
M30
"""


@pytest.mark.parametrize(
    ("next_moves", "back"),
    [
        ("G0 Z25\nG1 Z5 F100", True),  # goes down where the tool before it stood
        ("G0 X30\nG0 Z25\nG1 Z5 F100", True),  # states X alone
        ("G1 Z5 F100", True),
        ("G0 X30 Y20\nG0 Z25\nG1 Z5 F100", False),
        ("G0 X30 Y20 Z25\nG1 Z5 F100", False),
        ("G0 Y20\nG0 X30\nZ25\nG1 Z5 F100", False),
    ],
)
def test_the_next_tool_goes_down_where_it_did(next_moves: str, back: bool) -> None:
    """The end of each move that goes down or cuts is that of the milling alone."""
    milling = NEXT_TOOL.format(next=next_moves, mode="")
    merged = merge(milling, PROBING, after="T2")
    between = merged.text.splitlines()[merged.first - 1 : merged.last]
    assert any(line.startswith("G0 X80 Y20") for line in between) == back

    def downs(text: str) -> list[tuple[float, ...]]:
        steps = list(run(text, start=(0, 0, 300.0)))
        at = next(k for k, step in enumerate(steps) if "T3" in step.text)
        return [step.end for step in steps[at:] if step.kind in ("rapid", "feed") and step.end[2] < 149]

    assert downs(milling) == downs(merged.text) != []


@pytest.mark.parametrize("next_moves", ["G0 Z-125\nG1 Z-10 F100", "G0 X5\nG0 Z-125\nG1 Z-10 F100"])
def test_steps_from_where_the_tool_before_stood_are_refused(next_moves: str) -> None:
    milling = NEXT_TOOL.format(next=next_moves, mode="G91\n").replace("G0 Z150\nM5\nM30", "G90\nM5\nM30")
    with pytest.raises(InputError, match=r"would go elsewhere.*Z"):
        merge(milling, PROBING, after="T2")


def test_the_whole_program_does_the_same_milling() -> None:
    """The cutting moves of the merged program are those of the milling program, with the same tool, speed and feed."""

    def cutting(text: str) -> list[tuple[object, ...]]:
        return [
            (
                s.kind,
                s.start,
                s.end,
                s.feed,
                s.state.tool,
                s.state.speed,
                s.state.spindle,
                s.state.flood,
                s.state.length_offset,
            )
            for s in run(text)
            if s.kind in ("feed", "arc")
        ]

    for after in ("ROUGH", "FINISH", "T2", 90, 120):
        assert cutting(merge(MILLING, PROBING, after=after).text) == cutting(MILLING)


def test_missing_and_ambiguous_places_list_what_there_is() -> None:
    with pytest.raises(InputError, match=r"no comment 'POLISH'.*line 4: \(ROUGH\).*line 13: \(FINISH\).*N10 to N180"):
        merge(MILLING, PROBING, after="POLISH")
    with pytest.raises(InputError, match="there is no tool change to T5"):
        merge(MILLING, PROBING, after="T5")
    twice = MILLING.replace("(SLOT)", "(FINISH)")
    with pytest.raises(InputError, match=r"stands 2 times.*line 13: \(FINISH\); line 19: \(FINISH\).*occurrence"):
        merge(twice, PROBING, after="FINISH")
    assert merge(twice, PROBING, after="FINISH", occurrence=2).first > 20
    with pytest.raises(InputError, match="only 2 of"):
        merge(twice, PROBING, after="FINISH", occurrence=3)
    with pytest.raises(InputError, match="the place for the probing is not stated"):
        merge(MILLING, PROBING, after=" ")


def test_repeated_block_numbers_are_named() -> None:
    twice = MILLING.replace("N120 G0 Z50", "N90 G0 Z50")
    with pytest.raises(InputError, match=r"block N90 stands 2 times.*line 12: N90 G0 Z50; line 16: N90 G0 Z50"):
        merge(twice, PROBING, after="N90")
    assert "FINISH" in merge(twice, PROBING, after="N90", occurrence=1).text.splitlines()[-13]
    assert merge(twice, PROBING, after="N90", occurrence=2).first == 17


@pytest.mark.parametrize(
    ("change", "after", "message"),
    [
        (("N90 G0 Z50", "N90 G1 X9"), "N90", "not lifted"),
        (("N80 G3", "N80 G41 D1 G3"), "N90", "cutter compensation"),
        (("N100 X5", "N100 Y5"), "N80", "states? .*again|motion other than"),
        (("N90 G0 Z50", "N90 G81 X1 Y1 Z-3 R2 F10"), "N90", "canned cycle"),
        (("N20 T1 M6", "N20 (no tool)"), "N90", "has not called"),
    ],
)
def test_what_cannot_be_given_back_is_refused(change: tuple[str, str], after: str, message: str) -> None:
    milling = MILLING.replace(*change)
    if after == "N80":
        milling = milling.replace("N90 G0 Z50", "N90 X0 I-5")
    with pytest.raises(InputError, match=message):
        merge(milling, PROBING, after=after)


def test_a_known_clear_height_replaces_the_rule_of_the_last_rapid() -> None:
    milling = MILLING.replace("N90 G0 Z50", "N90 G1 Z50")
    with pytest.raises(InputError, match="not lifted"):
        merge(milling, PROBING, after="N90")
    assert merge(milling, PROBING, after="N90", clearance=40.0).difference.unchanged
    with pytest.raises(InputError, match="at least 60"):
        merge(MILLING, PROBING, after="N90", clearance=60.0)


def test_block_numbers_do_not_collide() -> None:
    numbered = PROBING.replace("G0 Z60\nG0", "N90 G0 Z60\nN9000 G0").replace("M5\n", "N 10 M5\n")
    merged = merge(MILLING, numbered, after="end")
    numbers = [b.number for b in parse(merged.text) if b.number is not None]
    assert len(numbers) == len(set(numbers)) == 18
    assert "block numbers" in " ".join(merged.notes)
    free = PROBING.replace("G0 Z60\nG0", "N9000 G0 Z60\nN9010 G0")
    assert {9000, 9010} <= {b.number for b in parse(merge(MILLING, free, after="end").text)}
    with pytest.raises(InputError, match=r"N10 .* line 3 .*jump"):
        merge(MILLING, numbered.replace("(PROBEKIT END)", "GOTO 90"), after="end")


def test_missing_end_and_last_line_without_an_end() -> None:
    cut = MILLING.split("N180")[0].rstrip("\n")
    merged = merge(cut, PROBING, after="end")
    assert merged.difference.unchanged
    assert "no end" in " ".join(merged.notes)
    assert merged.text.splitlines()[merged.first - 2] == "N170 G0 X1 Y1 Z50"
    with pytest.raises(InputError, match="has ended before that place"):
        merge(MILLING.rstrip("%\n") + "\nN999 G0 X1\n%\n", PROBING, after="N999")
    with pytest.raises(InputError, match=r"no block N999 .*What stands outside the program marks % is not read"):
        merge(MILLING + "N999 G0 X1\n", PROBING, after="N999")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_bytes_of_every_milling_line_stay(encoding: str, end: str) -> None:
    text = MILLING.replace("(ROUGH)", "(SCHRUPPEN Maß)").replace("\n", end)
    data = text.encode(encoding)
    merged = merge(data, PROBING, after="SCHRUPPEN")
    back = merged.data.decode(encoding)
    lines = back.split(end)
    assert lines[: merged.first - 1] + lines[merged.last :] == text.split(end)
    assert merged.data.startswith(data[:20])
    assert ("Latin-1" in " ".join(merged.notes)) == (encoding == "latin-1")


def test_it_is_stored_in_the_encoding_of_the_milling(tmp_path) -> None:
    merged = merge(MILLING.encode("utf-16"), PROBING, after="end")
    assert merged.write(tmp_path / "a.nc").read_bytes() == merged.data
    with pytest.raises(InputError, match="cannot be written"):
        merged.write(tmp_path / "none" / "a.nc")


def test_block_delete_and_unsaid_state() -> None:
    with pytest.raises(InputError, match="block delete"):
        merge(MILLING.replace("N60 M8", "/N60 M8"), PROBING, after="N90")
    assert merge(MILLING.replace("N60 M8", "/N60 (x)"), PROBING, after="N90").difference.unchanged
    silent = MILLING.replace("N10 G21 G90 G17 G94 G54\n", "")
    assert "units (G21 is taken)" in " ".join(merge(silent, PROBING, after="N90").notes)
    assert "units" not in " ".join(merge(MILLING, PROBING, after="N90").notes)
    assert "G33" in " ".join(merge(MILLING, PROBING.replace("G0 X1 Y1", "G0 X1 Y1\nG33"), after="N90").notes)
    assert "no work offset" in " ".join(merge(MILLING, PROBING.replace(" G54", ""), after="N90").notes)


def test_a_path_mode_that_the_milling_never_named_is_told() -> None:
    probing = PROBING.replace("G17 G54", "G17 G61 G54")
    assert any("names no path mode" in note for note in merge(MILLING, probing, after="T1").notes)
    named = MILLING.replace("G94 G54", "G94 G64 G54")
    merged = merge(named, probing, after="T1")
    assert not any("names no path mode" in note for note in merged.notes)
    assert "G64" in "".join(merged.text.splitlines(True)[merged.first : merged.last])


def test_the_path_mode_comes_back_only_where_the_probing_changed_it() -> None:
    blended = MILLING.replace("N60 M8", "N60 M8 G64")
    after = [line for line in inserted("N90", blended, after="N90") if "G64" in line]
    assert after == []
    merged = merge(blended, PROBING.replace("T9 M6", "G61 T9 M6"), after="N90")
    assert [line for line in merged.text.splitlines() if "G64" in line] == ["N60 M8 G64", "G98 G64"]


@pytest.mark.parametrize(
    ("said", "back"),
    [
        ("G64 P0.02", "G98 G64 P0.02"),
        ("G64 P0.02 Q0.05", "G98 G64 P0.02 Q0.05"),
        ("G20 G64 P0.001\nG21", "G98 G64 P0.0254"),
        ("G64 P0.02\nG64", "G98 G64"),
        ("G64 P0.02\nG61.1", "G98 G61.1"),
    ],
)
def test_the_tolerance_of_the_path_comes_back_with_its_mode(said: str, back: str) -> None:
    """Without it a control may round the corners of the finished part by any amount (common practice, no source)."""
    blended, exact = MILLING.replace("N60 M8", f"{said}\nN60 M8"), PROBING.replace("T9 M6", "G61 T9 M6")
    merged = merge(blended, exact, after="N90")
    assert back in merged.text.splitlines()[merged.first : merged.last]
    ends = [one.state for one in walk(Interpreter(), parse(merged.text))]
    before, after = ends[merged.first - 2], ends[merged.last - 1]
    assert (after.path, after.path_p, after.path_q) == pytest.approx((before.path, before.path_p, before.path_q))
    lost = merged.text.replace(back, back.split(" P")[0])
    assert ("handed_back" in {f.check for f in check(lost, tool=9).of("stop")}) == (lost != merged.text)


def test_a_lift_without_the_length_of_the_tool_is_refused() -> None:
    """G49 and then G0 Z99 brings the nose of the spindle to Z99, and the tip lower by the length of the tool."""
    bare = MILLING.replace("N130 M5 M9", "N130 M5 M9\nG49")
    with pytest.raises(InputError, match=r"no length offset is in force.*G0 Z99.*No program was written"):
        merge(bare, PROBING, after="FINISH", lift="G0 Z99")
    assert merge(bare, PROBING, after="FINISH").difference.unchanged  # Z0 of the machine is that, whatever the length
    assert merge(bare, PROBING, after="N120", lift="G0 Z99").difference.unchanged
    elsewhere = MILLING.replace("G54", "G59")
    noted = " ".join(merge(elsewhere, PROBING, after="FINISH", lift="G0 Z99").notes)
    assert "The first lift, G0 Z99, counts from G59" in noted
    assert "first lift" not in " ".join(merge(elsewhere, PROBING, after="FINISH").notes)


def test_the_notebook_view_says_where_and_is_escaped() -> None:
    html = merge(MILLING.replace("(FINISH)", "(<b>FINISH)"), PROBING, after="<b>FINISH")._repr_html_()
    assert "&lt;b&gt;FINISH" in html
    assert "<b>" not in html
    assert "All 25 lines of the milling program are present" in html


def test_hostile_probing_and_lift() -> None:
    with pytest.raises(InputError, match="does nothing"):
        merge(MILLING, "(nothing)\n%", after="end")
    with pytest.raises(InputError, match="ends in a block"):
        merge(MILLING, PROBING.replace("M5\n", "M5 M30\n"), after="end")
    for lift in ("G0 Z5\nM3", "M3", "G1 Z5 F100", ""):
        with pytest.raises(InputError, match="lift"):
            merge(MILLING, PROBING, after="end", lift=lift)
    for bad, word in (("G92 X5", "G92"), ("G10 L2 P1 X5", "G54"), ("G10 L2 P2 X5", "G55")):
        with pytest.raises(InputError, match=f"not be restored.*{word}"):
            merge(MILLING, PROBING.replace("(PROBEKIT END)", bad), after="N90")
    uses = MILLING.replace("N100 X5", "#101=1\nN100 X5 Y#101")
    sets = PROBING.replace("(PROBEKIT END)", "#101=#5061\n#102=2")
    assert "#101" in " ".join(merge(uses, sets, after="N90").notes)
    assert "#102" not in " ".join(merge(uses, sets, after="N90").notes)
    with pytest.raises(InputError, match="the milling reads #101, which the probing sets"):
        merge(uses.replace("#101=1\n", ""), sets, after="N90")


TABLE = Kinematics((RotaryAxis("A", "table"), RotaryAxis("C", "table")))


def test_rotary_axes_come_back_lifted() -> None:
    milling = MILLING.replace("N40 G0", "N40 G0 A10 C20 ")
    probing = PROBING.replace("G0 X1 Y1", "G0 A-30 C0\nG0 X1 Y1")
    merged = merge(milling, probing, after="N90", kinematics=TABLE)
    lines = merged.text.splitlines()
    turned = next(i for i, line in enumerate(lines) if line.startswith("G0 A10 C20 ("))
    assert "G53 Z0" in lines[turned - 1]
    walked = walk(Interpreter(kinematics=TABLE), parse(merged.text))
    assert walked[merged.last - 1].angles == (10.0, 20.0)


def test_the_lift_is_in_millimetres_whatever_the_milling_is_in() -> None:
    milling = "G20 G90\nT1 M6\nG43 H1\nS900 M3\nG0 X1 Y1\nG0 Z2\nN9 (here)\nG1 Z-1 F9\nG0 Z2\nM30\n"
    merged = merge(milling, PROBING, after="N9", lift="G0 Z101")
    heights = [s.end[2] for s in run(merged.text) if s.kind == "rapid" and merged.first <= s.line <= merged.last]
    assert heights.count(101.0) >= 3
    assert max(heights) == 101.0
    assert heights[-1] == pytest.approx(2 * 25.4)


def test_rotary_axes_that_nobody_described_are_refused() -> None:
    with pytest.raises(InputError, match="could not be turned back"):
        merge(MILLING, PROBING.replace("G0 X1 Y1", "G0 A-30\nG0 X1 Y1"), after="N90")


def test_words_of_this_control() -> None:
    shop = PROBING.replace("G38.2", "G901")
    assert "G901" in " ".join(merge(MILLING, shop, after="N90").notes)
    merged = merge(MILLING, shop, after="N90", aliases={"G901": "G38.2"})
    assert merged.notes == (
        "The spindle is lifted by G0 G53 Z0: check that Z0 of the machine is its upper end of travel.",
    )


one_of = st.sampled_from
states = st.fixed_dictionaries(
    {
        "units": one_of(["G20", "G21"]),
        "plane": one_of(["G17", "G18", "G19"]),
        "distance": one_of(["G90", "G91"]),
        "feed_mode": one_of(["G93", "G94", "G95"]),
        "offset": one_of(["G54", "G55", "G59.3"]),
        "retract": one_of(["G98", "G99"]),
        "path": one_of(["G61", "G61.1", "G64"]),
        "spindle": one_of(["M3", "M4", "M5"]),
        "coolant": one_of(["M7", "M8", "M9", "M7 M8"]),
        "overrides": one_of(["M48", "M49"]),
        "length": one_of(["G43 H1", "G43 H12", "G49"]),
        "motion": one_of(["G0", "G1", "G80", "G38.2", "G2"]),
        "called": one_of(["", "T1", "T7"]),
        "feed": st.floats(0.5, 5000).map(lambda v: f"F{v:.3f}"),
        "speed": st.integers(0, 20000).map(lambda v: f"S{v}"),
        "place": st.tuples(*[st.floats(-300, 300)] * 3).map(lambda p: "G0 X{:.4f} Y{:.4f}\nG0 Z{:.4f}".format(*p)),
        "next": one_of(["G0 X1", "G1 X1 F3", "T4 M6", "M30", "X1", "G28"]),
    }
)


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(states)
def test_the_state_after_the_inserted_part_is_the_state_before(said: dict[str, str]) -> None:
    milling = "\n".join(
        (
            *("T1 M6", said["length"], f"{said['units']} G90 {said['offset']}", said["place"]),
            *(
                f"{said['plane']} {said['retract']} {said['path']} {said['feed_mode']}",
                f"{said['feed']} {said['speed']}",
            ),
            *(said["spindle"], said["coolant"], said["overrides"], said["called"] or "(none)"),
            *(f"{said['motion']} {said['distance']}", "N500 (here)", said["next"], "M30"),
        )
    )
    # the last move along Z is a rapid from an unknown height: it counts as lifted
    if said["motion"] in ("G38.2", "G2") and said["next"] == "X1":  # nothing else may be refused here
        with pytest.raises(InputError, match="does not state again"):
            merge(milling, PROBING, after="N500")
        return
    merged = merge(milling, PROBING, after="N500")
    assume(merged.difference.unchanged)
    walked = walk(Interpreter(), parse(merged.text))
    before, after = walked[merged.first - 2], walked[merged.last - 1]
    free = set()
    if said["next"] in ("M30", "T4 M6"):
        free = {"tool", "length", "length_offset", "spindle", "speed", "mist", "flood", "motion"}
    elif said["motion"] in ("G38.2", "G2"):
        free = {"motion"}  # the next block names its own
    if said["called"] != "T7":
        free |= {"selected"} if free - {"motion"} else set()
    for field in dataclasses.fields(before.state):
        if field.name in free | {"said"}:
            continue
        old, new = getattr(before.state, field.name), getattr(after.state, field.name)
        assert new == pytest.approx(old, rel=1e-4) if isinstance(old, float) else new == old, field.name
    if "tool" not in free:
        assert after.position == pytest.approx(before.position, abs=1e-4)
        spindle = [s.state.tool for w in walked[merged.first - 1 : merged.last] for s in w.steps if s.state.turning]
        assert set(spindle[1:]) <= {1}
    rest = [s for w in walked[merged.first - 1 : merged.last] for s in w.steps if s.state.tool == 9]
    assert rest
    assert not [s for s in rest if s.state.turning or s.state.coolant]


programs = st.lists(
    one_of(
        ["G0 Z50", "G1 X1 F5", "(OP)", "", " n7 g0x1", "\tG0 Y2 ; é", "M1", "T3", "/M8", "N8 X[1+1]", "(a)(b)", "%%"]
    ),
    max_size=15,
)


@given(programs, one_of(["\n", "\r\n", "\r"]), st.booleans(), one_of(["end", "OP", "T1", "N8"]))
def test_no_milling_line_ever_changes(lines: list[str], end: str, closed: bool, after: str) -> None:
    text = end.join(["G21 G90", "T1 M6", "G43 H1", "G0 Z50", *lines]) + (end if closed else "")
    try:
        merged = merge(text, PROBING, after=after, clearance=0.0)
    except InputError:
        return
    new = merged.text.split(end)
    kept = new[: merged.first - 1] + new[merged.last :]
    assert kept == text.split(end) or kept == [*text.split(end), ""]
    assert merged.difference.unchanged


def test_a_changed_milling_line_is_found() -> None:
    merged = merge(MILLING, PROBING, after="FINISH")
    bad = difference(MILLING, merged.text.replace("N70 G1 Z-1 F200", "N70 G1 Z-1.5 F200"))
    assert not bad.unchanged
    assert bad.sentence.startswith("Lines of the milling program changed or missing: 1;")
    removed = bad.table[bad.table["kind"] == "removed"]
    assert removed[["line_before", "text"]].to_numpy().tolist() == [[10, "N70 G1 Z-1 F200"]]
    swapped = difference("G0 X1\nG0 Y1\n", "G0 Y1\nG0 X1\n")
    assert not swapped.unchanged


def test_the_difference_is_shown_and_escaped() -> None:
    shown = difference("G0\n(a)\nM30", "G0\n(<script>alert(1)</script>)\n(a)\nM30")
    assert "<script>" not in shown.html()
    assert "&lt;script&gt;" in shown._repr_html_()
    assert shown.text(0).splitlines()[1].startswith("+             2 (<script>")
    assert math.isclose(len(shown.lines), 4)
    assert difference("a\nb", "a\nb").sentence.startswith("All 2 lines")
    assert difference("", "").unchanged


def test_no_speed_is_set_while_the_probe_is_in() -> None:
    """The milling calls its next tool itself: the probe stays in until then, and one word M3 would turn it."""
    merged = merge(MILLING, PROBING, after="FINISH")
    speeds = [s.state.speed for s in run(merged.text) if s.state.tool == 9]
    assert speeds == [0.0] * len(speeds)
    assert not check(merged.text, tool=9).of("stop")
    edited = merged.text.replace("(PROBEKIT MERGED PART END)", "S6000\n(PROBEKIT MERGED PART END)")
    assert "a spindle speed is set with the probe in the spindle" in {f.what for f in check(edited, tool=9).of("stop")}


def test_a_milling_tool_whose_speed_comes_from_before_gets_it_back() -> None:
    """The next tool starts the spindle without a speed of its own: the tool before it comes back, and its speed."""
    merged = merge(MILLING.replace("N160 S900 M3", "N160 M3"), PROBING, after="FINISH")
    assert "T1 M6 (the milling tool comes back)" in merged.text
    turning = [s for s in run(merged.text) if s.line > merged.last and s.kind == "spindle" and s.state.turning]
    assert [s.state.speed for s in turning] == [6000.0]
