"""Column-mapped reading: delimited text of all sorts, and log lines."""

import hashlib
import time

import numpy as np
import pandas as pd
import pytest

from probekit.errors import InputError, ProbekitWarning
from probekit.touches import read, read_text, write
from probekit.touches.check import check

MAP = {"touch": "No", "feature": "NAME", "x": "X_MEAS", "y": "Y_MEAS", "z": "Z_MEAS"}
TABLE = "No;NAME;X_MEAS;Y_MEAS;Z_MEAS\n1;bore;1.5;-2.25;3\n2;slot;10;0.125;-7.5\n"
LOG = r"P(?P<touch>\d+) X(?P<x>[-+.\d]+) Y(?P<y>[-+.\d]+) Z(?P<z>[-+.\d]+)"


def text(path, columns=MAP, unit="mm", recorded="contact", **more) -> pd.DataFrame:
    return read_text(path, columns=columns, unit=unit, recorded=recorded, **more)


def message(path, columns=MAP, **more) -> str:
    with pytest.raises(InputError) as caught:
        text(path, columns, **more)
    return str(caught.value)


def assert_is_the_table(table):
    assert table["touch"].tolist() == [1, 2]
    assert table["feature"].tolist() == ["bore", "slot"]
    np.testing.assert_array_equal(table[["x", "y", "z"]], [[1.5, -2.25, 3], [10, 0.125, -7.5]])
    assert table[["x0", "y0", "z0", "i", "j", "k"]].isna().all(axis=None)
    assert table["reason"].tolist() == ["", ""]


# --- delimited -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [";", ",", "\t", "|", " "])
@pytest.mark.parametrize("given", [True, False])
def test_separators(save, separator, given):
    path = save(TABLE.replace(";", separator))
    assert_is_the_table(text(path, separator=separator if given else None))


@pytest.mark.parametrize("separator", [";", "\t", "|", " "])
def test_decimal_comma(save, separator):
    path = save(TABLE.replace(".", ",").replace(";", separator))
    assert_is_the_table(text(path, decimal=","))


@pytest.mark.parametrize(
    ("change", "more"),
    [
        (lambda t: t.replace("\n", "\r\n"), {}),
        (lambda t: t.replace(";", " ; "), {}),
        (lambda t: t.replace(";", "   ").replace("\n", "  \n   "), {}),
        (lambda t: t.replace("\n", ";\n"), {}),
        (lambda t: t.replace("3\n", "3;\n").replace("-7.5\n", "-7.5;\n"), {}),
        (lambda t: "made by us\n\n" + t, {"skip": 2}),
        (lambda t: "! made by us\n" + t.replace("\n2", "\n ! pause; here\n\n2"), {"comment": "!"}),
        (lambda t: t.replace("X_MEAS", "x_meas").replace("NAME", " Name"), {}),
        (lambda t: t.replace("bore", '"bore"'), {}),
    ],
    ids=["crlf", "spaces", "columns of spaces", "separator at ends", "separator at ends of rows", "skip", "comment",
         "letter case", "quotes"],
)  # fmt: skip
def test_same_table_in_other_clothes(save, change, more):
    assert_is_the_table(text(save(change(TABLE)), **more))


def test_encodings(save):
    for encoding in ("utf-8-sig", "utf-16", "utf-8"):
        assert_is_the_table(text(save(TABLE, encoding)))
    assert_is_the_table(text(save(TABLE, "utf-8-sig"), encoding="utf-8"))
    path = save(TABLE.replace("bore", "Böhrung"), "cp1252")
    assert text(path, encoding="cp1252")["feature"].tolist() == ["Böhrung", "slot"]
    assert "line 2: the bytes are not UTF-8 text" in message(path)
    assert "unknown encoding; found 'klingon'" in message(path, encoding="klingon")
    assert "line 2: the bytes are not ASCII text" in message(path, encoding="ascii")


def test_fields_by_number_without_header(save):
    path = save("9 1.5 -2.25 3\n8 10 0.125 -7.5\n")
    table = text(path, {"x": 1, "y": 2, "z": 3})
    assert table["touch"].tolist() == [1, 2]
    assert table["feature"].tolist() == ["", ""]
    assert table.attrs["unused_columns"] == "field 0"
    mixed = text(save(TABLE), {"x": "X_MEAS", "y": 3, "z": 4})
    np.testing.assert_array_equal(mixed[["x", "y", "z"]], table[["x", "y", "z"]])


def test_everything_mapped(save):
    names = [
        "touch",
        "feature",
        "x0",
        "y0",
        "z0",
        "i",
        "j",
        "k",
        "x",
        "y",
        "z",
        "reason",
        "face",
        "u",
        "ai",
        "aj",
        "ak",
        "lot",
    ]
    path = save(
        "\t".join(f"C{n}" for n in range(len(names)))
        + "\n7\ttop\t1\t2\t3\t0\t0\t1\t1\t2\t3.1\t\t12\t0.002\t0\t0\t-1\tA7\n"
        + "8\ttop\t1\t2\t3\t0\t0\t1\t\t\t\tno trigger\t12\t0.002\t0\t0\t-1\tA7\n"
    )
    table = text(path, {name: f"C{n}" for n, name in enumerate(names)})
    assert list(table.columns) == names
    assert table.loc[0, ["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"]].tolist() == [1, 2, 3, 0, 0, 1, 1, 2, 3.1]
    assert table["reason"].tolist() == ["", "no trigger"]
    assert table["face"].tolist() == ["12", "12"]
    assert table["lot"].tolist() == ["A7", "A7"]
    assert "unused_columns" not in table.attrs


def test_attrs(save):
    path = save(TABLE)
    table = text(path, {"x": "X_MEAS", "y": "Y_MEAS", "z": "Z_MEAS"}, metadata={"part": "foil", "temperature": 21})
    assert table.attrs == {
        "part": "foil", "temperature": 21, "unused_columns": "No, NAME", "unit": "mm", "recorded": "contact",
        "source": str(path), "sha256": hashlib.sha256(TABLE.encode()).hexdigest(),
    }  # fmt: skip
    assert "column 'temperature'" in message(path, metadata={"temperature": "warm"})


def test_inch(save):
    table = text(save(TABLE), unit="in")
    np.testing.assert_array_equal(table["x"], np.array([1.5, 10]) * 25.4)
    assert table.attrs["unit"] == "mm"
    assert table.attrs["unit_source"] == "inch"
    with pytest.warns(ProbekitWarning, match="left as read: lift") as caught:
        table = text(save(TABLE), MAP | {"lift": "X_MEAS"}, unit="inch")
    assert caught[0].filename == __file__
    assert table["lift"].tolist() == [1.5, 10]


def test_missed_without_a_column_for_reasons_warns(save):
    path = save(TABLE + "3;slot;;;\n")
    with pytest.warns(ProbekitWarning, match=r"touches without measured values.*: 1, the first on line 4") as caught:
        table = text(path)
    assert caught[0].filename == __file__
    assert table["reason"].tolist() == ["", "", "no measured values in the file"]
    assert check(table) == ["too few touches with target and measured position: units and columns could not be checked"]


def test_result_can_be_written_and_read(save, tmp_path):
    table = text(save(TABLE))
    write(table, tmp_path / "own.csv")
    pd.testing.assert_frame_equal(read(tmp_path / "own.csv"), table, check_exact=True)


def test_hundred_thousand_lines_are_fast(save):
    rows = np.random.default_rng(7).uniform(-100, 100, (100_000, 3)).tolist()
    path = save("a;b;c\n" + "".join(f"{a:.4f};{b:.4f};{c:.4f}\n" for a, b, c in rows))
    start = time.process_time()
    table = text(path, {"x": "a", "y": "b", "z": "c"})
    log = read_text(path, pattern=r"(?P<x>\S+);(?P<y>\S+);(?P<z>\S+\d)", unit="mm", recorded="contact")
    assert time.process_time() - start < 10.0  # about 1.2 s for both; the margin is for a slow or busy machine
    pd.testing.assert_frame_equal(log, table)


DELIMITED = {
    "comma twice": (TABLE, {"decimal": ",", "separator": ","}, ["decimal mark and separator are the same character"]),
    "decimal mark": (TABLE, {"decimal": "'"}, ["decimal mark is not one that probekit reads", "expected '.' or ','"]),
    "wrong decimal": (TABLE.replace(".", ","), {}, ["line 2, column 'x'", "found '1,5'", "use read_text(decimal=',')"]),
    "other decimal": (TABLE, {"decimal": ","}, ["line 2, column 'x'", "found '1.5'", "use read_text(decimal='.')"]),
    "thousands": (TABLE.replace("10;", "1.010,5;"), {"decimal": ","}, ["line 2, column 'x'"]),
    "unit": (TABLE, {"unit": "furlong"}, ["column 'unit'", "found 'furlong'", "expected mm or inch"]),
    "recorded": (TABLE, {"recorded": "ball"}, ["column 'recorded'", "expected centre or contact"]),
    "separator": (TABLE, {"separator": "::"}, ["separator is not usable", "one character"]),
    "both": (TABLE, {"separator": ";", "pattern": LOG}, ["give a separator or a pattern, not both"]),
    "skip": (TABLE, {"skip": 3}, ["skip does not fit the file", "found 3", "expected 0 to 2 lines"]),
    "only comments": ("# a\n# b\n", {"comment": "#"}, ["nothing of the file is left"]),
    "no rows": (TABLE.splitlines()[0] + "\n", {}, ["the file holds no touches"]),
    "no header of that name": (
        TABLE.replace("X_MEAS", "XMEAS"), {"separator": ";"},
        ["line 1, column 'X_MEAS': the header has no such column", "Did you mean 'XMEAS' or"],
    ),
    "no column guessed": (TABLE.replace("X_MEAS", "a"), {}, ["line 1, column 'X_MEAS': the header has no such column"]),
    "no guess": ("run 7\n" + TABLE, {}, ["line 1: the separator could not be detected", "found 'run 7'", "x: "
    "'X_MEAS'"]),
    "two headers of that name": (
        TABLE.replace("Y_MEAS", "X_MEAS"), {"separator": ";"}, ["column 'X_MEAS'", "more than once", "the field"],
    ),
    "no x": (TABLE, {"columns": {"y": "Y_MEAS", "z": "Z_MEAS"}}, ["columns= does not say where to find x"]),
    "no columns": (TABLE, {"columns": None}, ["columns= does not say where to find x, y, z; found 'nothing'"]),
    "letter case": (TABLE, {"columns": MAP | {"X0": "No"}}, ["'X0'; expected x0"]),
    "no such field": (TABLE, {"columns": MAP | {"u": 5}, "separator": ";"}, ["such field; found 5; expected 0 to 4"]),
    "header unskipped": (TABLE, {"columns": {"x": 2, "y": 3, "z": 4}}, ["line 1, column 'x'", "'X_MEAS'", "skip="]),
    "only quotes": ('""\n""\n', {"separator": ";"}, ["line 1: the file holds no touches"]),
    "only quotes, guessed": ('""\n""\n', {}, ["separator could not be detected"]),
    "too many": (TABLE.replace("3\n", "3;4\n"), {}, ["line 2: the row has too many fields", "expected 5 fields"]),
    "too few": (TABLE.replace(";3\n", "\n"), {"separator": ";"}, ["line 2: the row has too few fields"]),
    "cut short": (TABLE[:-6], {}, ["line 3: the last row is cut short", "truncated"]),
    "line numbers": ("a\nb\n" + TABLE.replace("0.125", "?"), {"skip": 2}, ["line 5, column 'y'", "found '?'"]),
    "duplicate": (TABLE.replace("\n2;", "\n1;"), {}, ["line 2 and line 3"]),
    "NaN": (TABLE.replace("0.125", "nan"), {}, ["line 3, column 'y': x, y, z are given only in part (touch 2)"]),
    "nothing measured": ("a,b\n,\n,\n", {"columns": {"x": 0, "y": 1, "z": "b"}}, ["no touch has measured values"]),
    "infinite": (TABLE.replace("0.125", "inf"), {}, ["line 3, column 'y': infinite number (touch 2)"]),
    "empty": ("", {}, ["the file is empty"]),
    "NUL": (TABLE.replace("slot", "sl\0t"), {}, ["line 3: the file holds NUL bytes"]),
}  # fmt: skip


@pytest.mark.parametrize("case", DELIMITED)
def test_refused(save, case):
    content, more, wanted = DELIMITED[case]
    found = message(save(content), **more)
    for words in wanted:
        assert words in found
    assert len(found) < 500


# --- log lines -------------------------------------------------------------------------------------------------------


def test_log(save):
    path = save("start of run\nP1 X1.5 Y-2.25 Z3\n\nnote: ok\nP2 X10 Y0.125 Z-7.5 P3 X0 Y0 Z+1\nend\n")
    table = read_text(path, pattern=LOG, unit="mm", recorded="centre")
    assert table["touch"].tolist() == [1, 2, 3]  # two touches on one line are two touches
    np.testing.assert_array_equal(table[["x", "y", "z"]], [[1.5, -2.25, 3], [10, 0.125, -7.5], [0, 0, 1]])
    assert table.attrs["skipped_lines"] == 3
    assert table.attrs["recorded"] == "centre"


def test_log_with_renamed_groups_and_decimal_comma(save):
    path = save("1,5/2,5/3,5 a\n4,5/5,5/6,5 b\n")
    pattern = r"(?P<A>[\d,]+)/(?P<B>[\d,]+)/(?P<C>[\d,]+) (?P<lot>\w+)?"
    table = read_text(
        path, pattern=pattern, columns=dict(x="A", y="B", z="C"), unit="mm", recorded="contact", decimal=","
    )
    np.testing.assert_array_equal(table[["x", "y", "z"]], [[1.5, 2.5, 3.5], [4.5, 5.5, 6.5]])
    assert table["lot"].tolist() == ["a", "b"]


def test_log_with_a_comma_behind_the_last_number(save):
    path = save("P1 X1 Y2 Z3.5,7\n")
    assert read_text(path, pattern=LOG, unit="mm", recorded="contact")["z"].tolist() == [3.5]


def test_log_with_reasons(save):
    path = save("P1 X1 Y2 Z3\nP2 no trigger\n")
    pattern = r"P(?P<touch>\d+) (?:X(?P<x>\S+) Y(?P<y>\S+) Z(?P<z>\S+)|(?P<reason>.+))"
    table = read_text(path, pattern=pattern, unit="mm", recorded="contact")
    assert table["reason"].tolist() == ["", "no trigger"]
    assert table.attrs["skipped_lines"] == 0


def test_log_lines_that_look_like_touches_warn(save):
    path = save("P1 X1 Y2 Z3\nrun 7\nQ2 X4 Y5 Z6\n")
    with pytest.warns(ProbekitWarning, match=r"1 lines do not match .*the first is line 3: 'Q2 X4 Y5 Z6'") as caught:
        table = read_text(path, pattern=LOG, unit="mm", recorded="contact")
    assert caught[0].filename == __file__
    assert table.attrs["skipped_lines"] == 2


@pytest.mark.parametrize(
    ("content", "more", "words"),
    [
        ("a\nb\n", {}, r"line 1: no line matches the pattern, of 2; found 'a'; expected P\(\?P<touch>"),
        ("P1 X1 Y2 Z3\n", {"pattern": "("}, "the pattern is not a regular expression"),
        ("P1 X1 Y2 Z3\n", {"pattern": r"X(?P<x>\S+)"}, "the pattern does not say where to find y, z; found 'x'"),
        ("P1 X1 Y2 Z3\n", {"pattern": "P1"}, "the pattern does not say where to find x, y, z; found 'nothing'"),
        ("P1 X1 Y2 Z3\n", {"columns": {"u": "U"}}, "no such group; found 'U'; expected touch, x, y, z"),
        ("\nP1 X1 Y2 Z3\nP1 X1 Y2 Z3\n", {}, "line 2 and line 3"),
        ("P1 X1 Y2 Z3,5\n", {}, "line 1, column 'z': the pattern stops inside a number; found '3,5'"),
        ("P1 X1 Y2 Z1.5E-3 mm\n", {}, "line 1, column 'z': the pattern stops inside a number; found '1.5E-3 mm'"),
        ("P1 X1 Y2 Z1234\n", {"pattern": LOG[:-3] + "]{3})"}, "found '1234'.*let the pattern match the separator"),
        ("\nP1 X1 Y2 Z3\nP2 X1 Y-+2 Z3\n", {}, r"line 3, column 'y': the cell does not hold a number; found '-\+2'"),
    ],
)
def test_log_refused(save, content, more, words):
    with pytest.raises(InputError, match=words):
        read_text(save(content), unit="mm", recorded="contact", **({"pattern": LOG} | more))
