"""Reading our own CSV: what it accepts, and what it says about input that cannot be used."""

import contextlib
import hashlib
import re
import time

import numpy as np
import pandas as pd
import pytest

from probekit.errors import InputError, ProbekitWarning
from probekit.touches import read, write


def message(path) -> str:
    with pytest.raises(InputError) as caught:
        read(path)
    return str(caught.value)


# --- what is accepted ------------------------------------------------------------------------------------------------


def test_good_file(save, good):
    path = save(good)
    table = read(path)
    assert table["touch"].tolist() == [1, 2, 3]
    assert table["touch"].dtype == np.int64
    assert table["feature"].tolist() == ["upper", "upper", "bore"]
    assert table["reason"].tolist() == ["", "", "no trigger"]
    np.testing.assert_array_equal(table.loc[0, ["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"]].to_numpy(float),
                                  [10.0, 5.0, 12.5, 0, 0, 1, 10.001, 5.0, 15.512])  # fmt: skip
    assert table.loc[2, ["x", "y", "z"]].isna().all()
    assert table.attrs == {
        "unit": "mm",
        "recorded": "centre",
        "source": str(path),
        "sha256": hashlib.sha256(good.encode()).hexdigest(),
    }


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: b"\xfe\xff" + text.encode("utf-16-be"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace("\n", "\r").encode(),
        lambda text: text.replace("\n", "\n\n").encode(),
        lambda text: text.replace(",", ", ").encode(),
        lambda text: text.replace("touch,feature,x0", " Touch , FEATURE,X0 ").encode(),
        lambda text: text.replace("# unit: mm", "#Unit :Millimetres").replace("centre", "Center").encode(),
        lambda text: text.replace("# unit: mm", "# unit: mm,,,,,,,,,,").encode(),
        lambda text: text.replace("# unit: mm", '"# unit: mm",,,,').encode(),
        lambda text: (text + "\n   \n").encode(),
        lambda text: text.replace(",,,,no", ",nan,NaN,,no").encode(),
    ],
    ids=["bom", "utf-16-le", "utf-16-be", "crlf", "cr", "blank lines", "spaces", "letter case", "spelling",
         "spreadsheet commas", "spreadsheet quotes", "blank end", "nan"],
)  # fmt: skip
def test_same_table_in_other_clothes(save, good, change):
    expected = read(save(good))
    pd.testing.assert_frame_equal(read(save(change(good))), expected, check_exact=True)


def test_reason_is_optional(save, good):
    lines = [line.rsplit(",", 1)[0] for line in good.splitlines()[2:5]]
    table = read(save("# unit: mm\n# recorded: contact\n" + "\n".join(lines) + "\n"))
    assert table["reason"].tolist() == ["", ""]
    assert list(table.columns)[-2:] == ["z", "reason"]


def test_metadata_types(save, good):
    extra = (
        "# part: 4711\n# program: 0017\n# temperature: 20.4\n# batch: 12\n# scale: 2.50\n# lot: 0012\n#\n# ----: x\n"
        '# note: "two\\nlines"\n# odd: "half" quoted\n# time: 2026-11-25T10:00:00\n# gap:\n'
    )
    attrs = read(save(extra + good)).attrs
    assert attrs["part"] == "4711"
    assert attrs["program"] == "0017"
    assert attrs["temperature"] == 20.4
    assert attrs["batch"] == 12
    assert attrs["scale"] == 2.5
    assert attrs["lot"] == "0012"
    assert attrs["note"] == "two\nlines"
    assert attrs["odd"] == '"half" quoted'
    assert attrs["time"] == "2026-11-25T10:00:00"
    assert attrs["gap"] == ""


def test_inch_becomes_mm(save, good):
    mm = read(save(good))
    inch = read(save(good.replace("unit: mm", "unit: inch")))
    for name in ("x0", "y0", "z0", "x", "y", "z"):
        np.testing.assert_array_equal(
            inch[name], mm[name] * 25.4
        )  # 1 in = 25.4 mm exactly (1959 agreement; from memory)
    np.testing.assert_array_equal(inch[["i", "j", "k"]], mm[["i", "j", "k"]])
    assert inch.attrs["unit"] == "mm"
    assert inch.attrs["unit_source"] == "inch"
    assert "unit_source" not in mm.attrs


def test_inch_with_further_numbers_warns_and_converts_u(save):
    path = save(
        "# unit: in\n# recorded: centre\ntouch,feature,x0,y0,z0,i,j,k,x,y,z,u,lift,ai,aj,ak\n"
        "1,a,1,2,3,0,0,1,1,2,3.1,0.001,0.5,0,0,-1\n"
    )
    with pytest.warns(ProbekitWarning, match=r"run\.csv is in inches: .* left as read: lift$") as caught:
        table = read(path)
    assert caught[0].filename == __file__
    assert table.loc[0, "u"] == 0.001 * 25.4
    assert table.loc[0, "lift"] == 0.5
    assert table.loc[0, ["ai", "aj", "ak"]].tolist() == [0, 0, -1]


def test_further_columns_keep_their_kind(save, good):
    lines = good.splitlines()
    tail = ["face,count,ok,size,empty,serial,mixed", "12,1,True,1.5,,007,1", "12,2,False,,,8,b", "x y,3,True,inf,,9,"]
    table = read(save("\n".join([*lines[:2], *(f"{a},{b}" for a, b in zip(lines[2:], tail, strict=True))]) + "\n"))
    assert table["face"].tolist() == ["12", "12", "x y"]
    assert table["count"].tolist() == [1, 2, 3]
    assert table["ok"].tolist() == [True, False, True]
    assert table["size"].tolist()[::2] == [1.5, np.inf]
    assert table["empty"].isna().all()
    assert table["serial"].tolist() == [7, 8, 9]  # further numbers are numbers
    assert table["mixed"].tolist() == ["1", "b", ""]


def test_ids_with_leading_zeros_stay_text(save, good):
    table = read(save(good.replace("\n1,", "\n001,")))
    assert table["touch"].tolist() == ["001", "2", "3"]


@pytest.mark.parametrize(
    "name", ["=1+2", "+A1", "-3", "@SUM(A1)", "NA", "nan", "null", "True", "1e5", "007", "<b>", "'"]
)
def test_feature_stays_text(save, good, name):
    table = read(save(good.replace("upper", name)))
    assert table["feature"].tolist() == [name, name, "bore"]
    assert table["feature"].dtype == pd.Series(["a"]).dtype


def test_rounded_normals_are_scaled_and_noted(save, good):
    table = read(save(good.replace("12.5,0,0,1,", "12.5,0.5774,0.5774,0.5774,")))
    assert np.linalg.norm(table.loc[0, ["i", "j", "k"]].to_numpy(float)) == pytest.approx(1, abs=1e-15)
    np.testing.assert_array_equal(table.loc[1, ["i", "j", "k"]].to_numpy(float), [0, 0, 1])
    assert re.fullmatch(r"i, j, k: off unit length by up to 8\.6e-05, accepted as rounding", table.attrs["notes"])


def test_missing_line_end_is_noted(save, good):
    assert read(save(good.rstrip("\n"))).attrs["notes"].startswith("the last line of the file has no line end")


def test_quoted_line_end_is_not_a_row(save, good):
    path = save(good.replace("1,upper", '1,"two\nlines"').replace("15.098", "oops"))
    assert "line 6, column 'z'" in message(path)  # the second touch starts on line 6 now
    path = save(good.replace("2,upper", '2,"two\nlines"').replace("15.098", "oops"))
    assert "line 5, column 'z'" in message(path)  # a row that runs over two lines is named by its first
    assert read(save(good.replace("1,upper", '1,"two\r\nlines"'))).loc[0, "feature"] == "two\r\nlines"


def test_hundred_thousand_lines_are_fast(save):
    number = 100_000
    rng = np.random.default_rng(5)
    columns = rng.uniform(-200, 200, (number, 6))
    rows = "\n".join(
        f"{n},f{n % 9},{a:.6f},{b:.6f},{c:.6f},0,0,1,{d:.6f},{e:.6f},{f:.6f},"
        for n, (a, b, c, d, e, f) in enumerate(columns.tolist())
    )
    path = save("# unit: mm\n# recorded: centre\ntouch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n" + rows + "\n")
    start = time.process_time()
    table = read(path)
    took = time.process_time() - start
    assert len(table) == number
    assert table.loc[number - 1, "z"] == round(columns[-1, 5], 6)
    assert took < 6.0  # about 0.7 s on two slow cores; the margin is for a slow or busy machine
    path = save(path.read_text().replace("\n99999,", "\n99998,"))
    assert "line 100002 and line 100003" in message(path)


# --- what is refused, and what it says -------------------------------------------------------------------------------


def test_no_file(tmp_path):
    assert message(tmp_path / "none.csv") == f"{tmp_path}/none.csv: the file cannot be read (No such file or directory)"
    assert "Is a directory" in message(tmp_path)


@pytest.mark.parametrize("content", ["", "\n \r\n", "\ufeff"])
def test_empty_file(save, content):
    path = save(content)
    assert message(path) == f"{path}: the file is empty"


@pytest.mark.parametrize("content", ["# unit: mm\n# recorded: centre\n", "# unit: mm\n\n", '# unit: mm\n"",""\n'[:13]])
def test_only_metadata(save, content):
    text = message(save(content))
    assert "the file ends before the header" in text
    assert f"line {len(content.splitlines())}" in text


def test_header_without_rows(save, good):
    text = message(save("\n".join(good.splitlines()[:3]) + "\n"))
    assert "line 3: the file holds no touches" in text


CASES = {
    "no unit": ("# unit: mm\n", "", ["line 2: the file does not say 'unit'", "Add the line '# unit: mm' or"]),
    "empty unit": ("unit: mm", "unit:", ["line 1: the file does not say 'unit'"]),
    "odd unit": ("unit: mm", "unit: cm", ["line 1, column 'unit'", "found 'cm'", "expected mm or inch"]),
    "no recorded": ("# recorded: centre\n", "", ["does not say 'recorded'", "'# recorded: centre' or"]),
    "odd recorded": ("centre", "middle", ["line 2, column 'recorded'", "found 'middle'", "centre or contact"]),
    "two units": ("# recorded", "# Unit: inch\n# recorded", ["column 'unit': the key occurs twice: lines 1 and 2"]),
    "no key": ("# recorded", "# made by hand\n# recorded", ["line 2", "has no key", "'made by hand'", "# key: value"]),
    "temperature": ("# rec", "# temperature: 20,4\n# rec", ["line 2, column 'temperature'", "not a number", "'20,4'"]),
    "rows": ("# rec", "# rows: 4\n# rec", ["line 2, column 'rows'", "found '3 rows'", "expected 4 rows", "truncated"]),
    "rows no number": ("# rec", "# rows: all\n# rec", ["line 2, column 'rows'", "not a number", "'all'"]),
    "text_columns": ("# rec", "# text_columns: lot\n# rec", ["line 2, column 'text_columns'", "JSON list", "'lot'"]),
    "missing columns": (
        "x0,y0,z0,i", "X_0,y0,zo,i",
        ["line 3: required columns are missing: x0, z0", "'X_0' for x0?", "'zo' for z0?", "read_text(columns=...)"],
    ),
    "twice": ("reason", "u,u", ["line 3, column 'u': a column occurs twice"]),
    "no name": ("reason", "", ["line 3: a column has no name", "field 12 is empty"]),
    "duplicate id": ("\n2,", "\n1,", ["line 5, column 'touch'", "line 4 and line 5", "(touch 1)", "each id once"]),
    "no id": ("\n2,", "\n ,", ["line 5, column 'touch'", "the touch has no id"]),
    "NaN": ("20.002,5.001,15.098", "nan,nan,nan", ["line 5, column 'x'", "position and no reason (touch 2)"]),
    "empty": ("20.002,5.001,15.098", ",,", ["line 5, column 'x'", "no reason", "found 'empty or NaN'", "'no trigger'"]),
    "blank reason": ("no trigger", "  ", ["line 6, column 'x'", "no measured position and no reason (touch 3)"]),
    "half measured": ("5.001", "NaN", ["line 5, column 'y': x, y, z are given only in part", "all three"]),
    "half target": ("20.0,5.0,12.1", "20.0,5.0,", ["line 5, column 'z0': x0, y0, z0 are given only in part"]),
    "half normal": ("12.1,0,0,1", "12.1,,0,1", ["line 5, column 'i': i, j, k are given only in part"]),
    "reason and value": ("15.098,", "15.098,dirty", ["line 5, column 'reason'", "found 'dirty'", "one of the two"]),
    "infinite": ("15.098", "inf", ["line 5, column 'z': infinite number (touch 2)", "found inf", "a finite number"]),
    "too large": ("15.098", "1e999", ["line 5, column 'z': infinite number"]),
    "infinite target": ("40.0,", "-Infinity,", ["line 6, column 'x0': infinite number", "found -inf"]),
    "long normal": ("12.1,0,0,1", "12.1,0,0,2", ["line 5, column 'i'", "found 'length 2'", "1 within 0.001"]),
    "zero normal": ("12.1,0,0,1", "12.1,0,0,0", ["line 5, column 'i'", "found 'length 0'", "leave all three empty"]),
    "no number": ("15.098", "15.0g8", ["line 5, column 'z': the cell does not hold a number", "'15.0g8'", "point"]),
    "underscore": ("15.098", "15_098", ["line 5, column 'z': the cell does not hold a number", "'15_098'"]),
    "decimal comma": ("15.098", '"15,098"', ["line 5, column 'z'", "'15,098'", "use read_text(decimal=',')"]),
    "decimal commas": (
        "20.002,5.001,15.098", "20,002,5,001,15,098", ["line 5: the row has too many fields", "15 fields", "12 fields"],
    ),
    "too many": ("15.098,", "15.098,,", ["line 5: the row has too many fields", "'13 fields: 2, upper", "12 fields"]),
    "too few": ("15.098,", "15.098", ["line 5: the row has too few fields", "found '11 fields: 2, upper"]),
    "late comment": ("\n2,", "\n# pause\n2,", ["line 5", "found '1 field: # pause'", "belong above the header"]),
    "open quote": ("2,upper", '2,"upper', ["line 5: the line cannot be split", "double quote that is not closed"]),
    "text after quote": ("2,upper", '2,"up"per', ["line 5: the line cannot be split"]),
    "NUL": ("upper", "up\0per", ["line 4: the file holds NUL bytes", "UTF-8"]),
    "long field": ("2,upper", "2," + "u" * 200_000, ["line 5: the line cannot be split", "131072"]),
    "long line": ("2,upper", "2," * 200_000 + "upper", ["line 5: the row has too many fields", "200011 fields"]),
    "bars": (",", "|", ["line 3: the header is not separated by commas", "read_text(separator='|'"]),
    "half approach": ("reason", "ai", ["the approach direction is not complete", "found 'ai'", "expected ai, aj, ak"]),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_refused(save, good, case):
    old, new, wanted = CASES[case]
    assert old in good
    changed = good.replace(",no trigger", ",0").replace(old, new) if case == "half approach" else good.replace(old, new)
    path = save(changed)
    text = message(path)
    assert text.startswith(f"{path}")
    for words in wanted:
        assert words in text
    assert len(text) < 600


@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_a_file_that_a_spreadsheet_of_another_language_saved_is_read_as_it_was(save, good, separator, decimal):
    """Decimal commas with semicolons, separators after every metadata line, empty rows below the table."""
    lines = [line.replace(",", separator) if not line.startswith("#") else line for line in good.splitlines()]
    rows = [line if line.startswith("#") else line.replace(".", decimal) for line in lines]
    head = [line + separator * 11 if line.startswith("#") else line for line in rows]
    again = read(save("\ufeff" + "\r\n".join([*head, separator * 11, separator * 11, ""])))
    pd.testing.assert_frame_equal(again, read(save(good)))
    assert again.attrs["unit"] == "mm"


def test_two_decimal_marks_in_one_file_are_refused(save, good):
    text = message(save(good.replace(",", ";").replace("15.098", "15,098")))
    assert "expected a number with a decimal comma" in text
    thousands = good.replace("15.098", "1.015.098").replace(",", ";")
    assert "'1.015.098'" in message(save(thousands))


def test_empty_rows_at_the_end_are_no_touches(save, good):
    assert len(read(save(good + "," * 11 + "\n" + "," * 11 + "\n"))) == len(read(save(good)))
    assert "the touch has no id" in message(save(good.replace("\n2,", "\n" + "," * 11 + "\n2,")))


def test_swapped_normals_and_positions_are_named(save):
    names = "# unit: mm\n# recorded: centre\ntouch,feature,i,j,k,x0,y0,z0,x,y,z\n"
    rows = "".join(f"{n},a,{n}0,5,12,0,0,1,{n}0,5,14\n" for n in range(1, 5))
    text = message(save(names + rows))
    assert "line 4, column 'i': i, j, k are not a unit vector, but x0, y0, z0 are" in text
    assert "look swapped (touch 1)" in text


@pytest.mark.parametrize("cut", range(1, 100))
def test_truncated_file_never_passes_unseen(save, good, cut):
    """A file of ours, cut anywhere, is refused; a hand-made one without a line end is at least noted."""
    path = save(good)
    table = read(path)
    write(table, path)
    data = path.read_bytes()
    with pytest.raises(InputError):
        read(save(data[:-cut]))
    left = good[:-cut]
    with contextlib.suppress(InputError):
        again = read(save(left))
        assert left.endswith("\n") or "its last value may be cut" in again.attrs["notes"]


def test_truncated_last_line_says_so(save, good):
    text = message(save(good[: good.index("6.0,1,0,0,,,,no")]))
    assert "line 6: the last row is cut short; found '5 fields: 3, bore" in text
    assert "expected 12 fields. The file may be truncated" in text
    text = message(save(good[: good.index("098,\n")] + "-\n".replace("-\n", "e-,")))
    assert "line 5, column 'z': the cell does not hold a number; found '15.e-'" in text
    assert "the file may be truncated" in text


def test_other_encodings_are_refused_with_line_and_byte(save, good):
    text = message(save(good.replace("bore", "Böhrung").encode("latin-1")))
    assert "line 6: the bytes are not UTF-8 text; found 'byte 0xF6'" in text
    assert "encoding=" in text
    text = message(save(good.encode("utf-16-le")))  # no byte order mark
    assert "NUL bytes" in text
    assert "UTF-16 that begins with a byte order mark" in text
    text = message(save(good.encode("utf-16")[:-1]))
    assert "the bytes are not UTF-16 text" in text
