"""Programs that are damaged, odd, or meant to do harm: read, merged, checked and shown without harm, or refused."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rs274_grammar import GRAMMAR
from thorough import count

from probekit.errors import InputError
from probekit.program import check, difference, merge, release_sheet, run
from probekit.program.reading.words import parse

PROBING = (
    "(PROBEKIT BEGIN)\nM5\nM9\nT9 M6\nG43 H9\nG0 Z60\nG0 X1 Y1\nG38.2 Z-1 F50\n"
    "(PROBEKIT RECORD 1 f 1 1 0 0 0 1)\nG0 Z60\n"
)


@pytest.mark.parametrize(
    "text",
    [
        "(SETUP (SIDE 1))\nG0 X1\n",
        "G0 X1 (open\nG0 X2\n",
        "G0 X1\0\n",
        "(" * 5000,
        "X" + "[" * 100_000,
        "N" + "9" * 3000 + "\n",
    ],
)
def test_what_controls_would_read_differently_is_refused_everywhere(text: str) -> None:
    for use in (
        parse,
        lambda t: list(run(t)),
        check,
        lambda t: merge(t, PROBING, after="end"),
        lambda t: merge("M30", t, after="end"),
    ):
        with pytest.raises(InputError, match="line"):
            use(text)


@pytest.mark.parametrize(
    "text",
    [
        "#1=[[[[1]]]]\n#[#1]=#[#1]\nG0 X[#[#[#[1]]]]",
        "G81 X1 Z-1 R1 L1000000000",
        "G0 Z5\nG83 X1 Z-1000000 R1 Q0.0000001 F1",
        "G2 I1000000000 F1",
        "G2 X0.000001 R999999999 F1",
        "G1 X99999999999999 F1",
        "G91\n" + "G1 X999999999 F1\n" * 50,
        "G10 L2 P1 X1 Y[1/0]",
        "%\n%\n%\n%",
        "/////",
        "M6 T-1\nT1.5 M6\nG43 H-1\nG43 H0.5",
        "G38.2\nG38.2 X1\nG38.2 A1",
        "(PROBEKIT RECORD)\n(PROBEKIT RECORD 1)\n(PROBEKIT RECORD x y 1 2 3 4 5 6)",
        "(PROBEKIT RECORD 1 f 1e5 nan inf 0 0 1)",
        "\ufeff\ufeffG0 X1",
        "G0 X１２ Y٣",
        "g" * 1999,
        "#=1\n#1\n#1==2\n=1",
        "\x07\x1b[31mG0 X1",
    ],
)
def test_odd_programs_are_run_and_checked_in_a_moment(text: str) -> None:
    start = time.process_time()
    steps = list(run(text))
    assert len(steps) < 25_000
    found = check(text)
    assert found.of("stop") or "%" in text  # none of the others has an end
    assert found.of("look")
    assert time.process_time() - start < 10
    assert "<script" not in release_sheet(text, found)


def test_markup_and_orders_in_comments_stay_words() -> None:
    milling = "G21 G90\n(<img src=x onerror=alert)\nT1 M6\nG43 H1\nG0 Z50\n(M30)\n(G0 X99)\nM30\n"
    merged = merge(milling, PROBING, after="<img src=x onerror=alert")
    assert [s.end[0] for s in run(merged.text) if s.kind == "rapid" and s.end[0] == 99] == []
    page = release_sheet(merged, check(merged.text))
    assert "<img" not in page
    assert "&lt;img" in page


def test_a_feature_name_cannot_end_its_comment() -> None:
    """Only `write` makes names safe; text that was made otherwise and breaks out is seen as what it does."""
    evil = PROBING.replace(" f ", " f)M3(x ")
    assert "the spindle turns" in str([f.what for f in check(evil).of("stop")])
    assert "a record line that is malformed" in str([f.what for f in check(evil).of("stop")])


@pytest.mark.parametrize(
    "after", ["(", ")", "%", "N", "N-1", "T", "T1.5", "N99999999999999999999", "\n", "x" * 5000, "(((", "#1"]
)
def test_odd_places_are_refused_with_the_places_there_are(after: str) -> None:
    with pytest.raises(InputError, match=r"The program has these places|a place"):
        merge("G21 G90\n(FACE)\nT1 M6\nM30\n", PROBING, after=after)


def test_a_record_of_the_milling_program_is_not_taken_for_a_touch() -> None:
    milling = "G21 G90\n(PROBEKIT RECORD 1 f 1 1 0 0 0 1)\nT1 M6\nG43 H1\nG0 Z50\nM30\n"
    found = check(merge(milling, PROBING, after="end").text)
    assert "recorded without a probing move" in str(found.of("stop"))
    assert "recorded again" in str(found.of("stop"))


def test_a_large_program_is_merged_and_checked_in_seconds() -> None:
    lines = [f"N{n} G1 X{n % 97}.5 Y{n % 31} Z{-(n % 7) / 10} F900" for n in range(1, count(15_001, 40_001))]
    milling = "\n".join(
        ["G21 G90 G17 G94 G54", "(FACE)", "T1 M6", "G43 H1", "S900 M3", "G0 Z50", *lines, "G0 Z50", "M30", ""]
    )
    start = time.process_time()
    merged = merge(milling, PROBING, after="FACE")
    assert merged.difference.unchanged
    assert check(merged.text).of("stop") == ()
    assert time.process_time() - start < 40


def test_two_large_programs_that_share_nothing_are_compared_at_once() -> None:
    start = time.process_time()
    found = difference("\n".join(f"X{n}" for n in range(6000)), "\n".join(f"Y{n}" for n in range(6000)))
    assert time.process_time() - start < 5
    assert found.table["kind"].value_counts().to_dict() == {"removed": 6000, "inserted": 6000}


def words_of(line: str) -> list[tuple[str, float]] | None:
    """Words of a line by an independent grammar (tree-sitter-gcode), None if it finds an error."""
    root = GRAMMAR.parse((line + "\n").encode("utf-8")).root_node
    if root.has_error:
        return None
    found = [node for node in root.named_children if node.type == "line"]
    words = [word.text.decode() for node in found for word in node.named_children]
    return [(word[0].upper(), float(word[1:])) for word in words if word[0].isalpha()]


numbers = st.decimals(-9999, 9999, places=3).map(str) | st.integers(-999, 999).map(str)
plain = st.lists(
    st.tuples(st.sampled_from("XYZIJKFABC"), numbers).map("".join), min_size=1, max_size=6, unique_by=lambda w: w[0]
)


@given(st.sampled_from(["G0 ", "G1 ", "G2 ", "G38.2 ", "G21 G90 G1 "]), plain)
def test_words_agree_with_an_independent_grammar(head: str, words: list[str]) -> None:
    line = head + " ".join(words)
    assert list(parse(line)[0].words) == words_of(line)


def test_the_inserted_part_is_plain_for_an_independent_grammar() -> None:
    milling = "G20 G91 G18\nT1 M6\nG43 H1\nS900 M3 M8\nG90 G0 X1 Y1\nG0 Z5\nG91\nG1 F12\n(here)\nX1\nM30\n"
    merged = merge(milling, PROBING, after="here", clearance=0.0)
    for line in merged.text.splitlines()[merged.first - 1 : merged.last]:
        bare = line.split("(")[0].strip()
        assert not bare or words_of(bare) == [w for w in parse(line)[0].words if isinstance(w[1], float)], line
