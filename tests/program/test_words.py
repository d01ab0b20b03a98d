"""Reading of NC text: words, numbers, parameters, expressions, comments, encodings."""

from __future__ import annotations

import ast
import math
import operator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.program.reading.expressions import Formula, read_value
from probekit.program.reading.source import load
from probekit.program.reading.words import parse


def value(text: str, parameters: dict[int, float] | None = None) -> float:
    read = read_value(text.replace(" ", "").upper(), 0)
    assert read is not None
    assert read[1] == len(text.replace(" ", ""))
    return read[0].value(parameters or {}) if isinstance(read[0], Formula) else read[0]


def test_spaces_and_case_mean_nothing_outside_comments() -> None:
    # the example of NISTIR 6556, 3.3: "g0x +0. 12 34y 7" is the same as "g0 x+0.1234 y7" (from memory)
    assert parse("g0x +0. 12 34y 7")[0].words == parse("G0 X+0.1234 Y7")[0].words
    assert parse("g0x +0. 12 34y 7")[0].words == (("G", 0.0), ("X", 0.1234), ("Y", 7.0))


def test_the_expressions_of_the_report() -> None:
    # NISTIR 6556, 3.3.2.3 (from memory): equivalent to ((2.0 / 3) * 1.5) - (5.5 / 11.0), which is 0.5
    assert value("[2.0 / 3 * 1.5 - 5.5 / 11.0]") == pytest.approx(0.5, abs=1e-12)
    assert value("[1 + acos[0] - [#3 ** [4.0/2]]]", {3: 6.0}) == pytest.approx(1 + 90 - 36)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("ATAN[1]/[-1]", 135.0),
        ("SIN[30]", 0.5),
        ("COS[60]", 0.5),
        ("TAN[45]", 1.0),
        ("ASIN[1]", 90.0),
        ("ABS[-2.5]", 2.5),
        ("FIX[2.8]", 2.0),  # NISTIR 6556, 3.3.2.4: FIX[2.8] = 2 and FIX[-2.8] = -3 (from memory)
        ("FIX[-2.8]", -3.0),
        ("FUP[2.8]", 3.0),
        ("FUP[-2.8]", -2.0),
        ("ROUND[-2.5]", -3.0),
        ("EXP[LN[7]]", 7.0),
        ("SQRT[[3**2]+[4**2]]", 5.0),
        ("[2**3**2]", 64.0),  # operators of one rank go from left to right
        ("[-7 MOD 3]", 2.0),
        ("[1 OR 0 AND 0]", 0.0),  # one rank: (1 OR 0) AND 0
        ("[1 XOR 1]", 0.0),
        ("##2", 5.0),
        ("-#1", -5.0),
        ("[-#1+2]", -3.0),
    ],
)
def test_values(text: str, expected: float) -> None:
    assert value(text, {1: 5.0, 2: 1.0}) == pytest.approx(expected, abs=1e-12)


_OPERATORS = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul}


def by_python(text: str) -> float:
    def of(node: ast.AST) -> float:
        if isinstance(node, ast.BinOp):
            return _OPERATORS[type(node.op)](of(node.left), of(node.right))
        return float(node.value)

    return of(ast.parse(text, mode="eval").body)


formulas = st.recursive(
    st.integers(0, 99).map(str),
    lambda inner: (
        st.tuples(inner, st.sampled_from("+-*"), inner).map(lambda t: "[" + "".join(t) + "]")
        | st.tuples(inner, st.sampled_from("+-*"), inner, st.sampled_from("+-*"), inner).map(
            lambda t: "[" + "".join(t) + "]"
        )
    ),
    max_leaves=12,
)


@given(formulas)
def test_formulas_agree_with_python(text: str) -> None:
    # the reference is Python's own parser: + - * have the same ranks there
    assert value(text) == pytest.approx(by_python(text.replace("[", "(").replace("]", ")")), rel=1e-12)


@pytest.mark.parametrize(
    "text", ["[1/0]", "SQRT[-1]", "ACOS[2]", "[9**9999]", "#0", "#5400", "#1.5", "[[-8]**0.5]", "LN[0]"]
)
def test_what_cannot_be_reckoned_says_so(text: str) -> None:
    with pytest.raises(ValueError, match=r"cannot be calculated|finite"):
        value(text)


@pytest.mark.parametrize(
    "text", ["[", "]", "[1", "[1+]", "1+[", "SIN", "SIN30", "ATAN[1]", "ATAN[1]/2", "#", "[]", "#[1", ""]
)
def test_half_a_value_is_none(text: str) -> None:
    read = read_value(text, 0)
    assert read is None or read[1] < len(text)


def test_ten_thousand_brackets_cost_no_recursion() -> None:
    deep = "[" * 900 + "1" + "]" * 900
    assert value(deep) == 1.0
    with pytest.raises(InputError, match="line 1: the line is too long"):
        parse("X" + "[" * 10_000)


def test_what_is_not_a_word_is_kept() -> None:
    block = parse("N40 G1 X1 Y<depth> Z3")[0]
    assert (block.number, block.words, block.unknown) == (40, (("G", 1.0), ("X", 1.0)), ("Y<DEPTH>Z3",))
    assert parse("IF [#1 GT 2] GOTO 10")[0].unknown == ("IF[#1GT2]GOTO10",)
    assert parse("X１")[0].unknown == ("X１",)  # a full-width digit is no digit
    assert parse("ſ100")[0].unknown == ("ſ100",)  # str.upper() would make an S of it
    assert parse("X1.2.3")[0].unknown != ()
    assert parse("X" + "9" * 400)[0].unknown != ()


def test_comments_assignments_block_delete_and_marks() -> None:
    mark, one, two = parse("%\n/N7 #3=15 (a)(b) G1 ; rest ( of it\n#3=6 G1 X#3")
    assert mark.mark
    assert one.skip
    assert (one.number, one.comments, one.words) == (7, ("a", "b", "rest ( of it"), (("G", 1.0),))
    assert one.assignments == ((3.0, 15.0),)
    assert two.words[1][1] == Formula((3.0, "#"), "#3")


@pytest.mark.parametrize(
    ("text", "message"),
    [("G1\nX1 (open", "line 2: a comment is not closed"), ("\n\n(a (b) c)", "line 3: a comment holds another comment")],
)
def test_comments_that_controls_read_differently_are_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse(text)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    assert [b.text for b in parse(end.join(["G1", "", "X1\x0b\u2028\x85", "M2"]))] == [
        "G1",
        "",
        "X1\x0b\u2028\x85",
        "M2",
    ]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings_go_there_and_back(encoding: str) -> None:
    data = "G1 X1 (Nut 5 mm, Maß ß µ)\r\nM2\r\n".encode(encoding)
    source = load(data)
    assert source.text.startswith("G1 X1 (Nut 5 mm, Maß")
    assert source.encode(source.text) == data
    assert bool(source.notes) == (encoding == "latin-1")


def test_a_character_that_the_encoding_has_not_is_refused() -> None:
    with pytest.raises(InputError, match="cannot be stored in latin-1"):
        load(b"(\xb5)").encode("\u2713")


@pytest.mark.parametrize("data", [b"G1\r\nX\0", "G1\nX1".encode("utf-16-le"), "G1\rX\0"])
def test_nuls_are_refused(data: bytes | str) -> None:
    with pytest.raises(InputError, match=r"line [12]: there is a NUL"):
        load(data)


def test_utf16_cut_short_is_refused() -> None:
    with pytest.raises(InputError, match="starts like utf-16"):
        load(b"\xff\xfeG\0X")


def test_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probekit.program.reading.source.MAX_BYTES", 10)
    with pytest.raises(InputError, match="too large"):
        load(b"G1 X1 Y1 Z1")
    monkeypatch.setattr("probekit.program.reading.source.MAX_LINES", 3)
    with pytest.raises(InputError, match="too many lines"):
        load("\n" * 5)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_and_no_line_is_lost(text: str) -> None:
    try:
        blocks = parse(text)
    except InputError:
        return  # a NUL, or a comment that is not closed
    assert [b.text for b in blocks] == text.removeprefix("\ufeff").replace("\r\n", "\n").replace(
        "\r", "\n"
    ).removesuffix("\n").split("\n")[: len(blocks)]
    assert math.isclose(len(blocks), len(load(text).lines))
