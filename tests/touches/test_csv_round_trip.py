"""Writing our own CSV: nothing is lost, the same table gives the same bytes, and never half a file."""

import os
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from thorough import count

from probekit.errors import InputError
from probekit.touches import read, write

# Text that a table may hold: all of Unicode but NUL and lone surrogates.
TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=12)
NASTY = st.sampled_from(
    ['a"b', ",", "\n", "\r\n", " lead", "trail ", '"', "#x", "=1+1", "nan", "1", "", "\u2028", "\ufeff"]
)
WORDS = st.one_of(TEXT, NASTY)
# subnormals and -0.0 among them; the one number that only a dry run leaves is refused when it is read
LENGTHS = st.floats(allow_nan=False, allow_infinity=False).filter(lambda x: x != 99999.0)
UNIT = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1).map(lambda v: v / np.linalg.norm(v))
NONE = (np.nan, np.nan, np.nan)
POINT = st.tuples(LENGTHS, LENGTHS, LENGTHS)


def bits(table: pd.DataFrame) -> dict[str, bytes]:
    return {name: table[name].to_numpy().tobytes() for name in table.select_dtypes("number")}


@st.composite
def tables(draw):
    count = draw(st.integers(1, 6))

    def rows(strategy):
        return draw(st.lists(strategy, min_size=count, max_size=count))

    ids = st.one_of(
        st.lists(st.integers(-(2**63), 2**63 - 1), min_size=count, max_size=count, unique=True),
        st.lists(WORDS.filter(str.strip), min_size=count, max_size=count, unique=True),
        st.lists(st.integers(0, 99).map(str), min_size=count, max_size=count, unique=True),
    )
    missed = rows(st.booleans())
    columns = {"touch": draw(ids), "feature": rows(WORDS)}
    for names, points in (
        (("x0", "y0", "z0"), rows(st.one_of(POINT, st.just(NONE)))),
        (("i", "j", "k"), rows(st.one_of(UNIT, st.just(NONE)))),
        (("x", "y", "z"), [NONE if lost else draw(POINT) for lost in missed]),
    ):
        columns |= dict(zip(names, np.array(points, dtype=float).T, strict=True))
    columns["reason"] = [draw(WORDS.filter(str.strip)) if lost else "" for lost in missed]
    columns |= {
        "face": rows(WORDS),
        "u": rows(st.floats(0, 0.9)),
        "lot, \"new\"": rows(WORDS),
        "numeral": rows(st.integers(0, 9).map(str)),
        "floats": rows(st.one_of(st.floats(allow_nan=False), st.just(np.nan))),
        "whole": rows(st.integers(-5, 5).map(float)),
        "count": rows(st.integers(-(2**63), 2**63 - 1)),
        "ok": rows(st.booleans()),
    }  # fmt: skip
    table = pd.DataFrame(columns)
    values = st.one_of(WORDS, st.integers(), st.floats(allow_nan=False, allow_infinity=False))
    table.attrs = {
        "unit": "mm",
        "recorded": draw(st.sampled_from(["centre", "contact"])),
        "part": draw(WORDS),
        "temperature": draw(st.floats(-50, 50)),
        **draw(st.dictionaries(st.sampled_from(["batch", "lot code", "operator,", "é"]), values)),
    }
    return table


@settings(
    max_examples=count(30, 100), suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(table=tables())
def test_round_trip_is_exact(tmp_path, table):
    path = tmp_path / "run.csv"
    write(table, path)
    data = path.read_bytes()
    back = read(path)
    pd.testing.assert_frame_equal(back, table, check_exact=True)
    assert bits(back) == bits(table)  # -0.0 too; NaN written by us is always the same NaN
    found = dict(back.attrs)
    assert found.pop("source") == str(path)
    assert re.fullmatch("[0-9a-f]{64}", found.pop("sha256"))
    assert found == table.attrs
    assert {key: type(value) for key, value in found.items()} == {
        key: type(value) for key, value in table.attrs.items()
    }
    write(table.set_index(np.arange(len(table))[::-1]), path)
    assert path.read_bytes() == data  # same table, same bytes; the index has no say


@pytest.mark.parametrize(
    "name", [" lead", "trail ", "\t", "a,b", '"', "a\rb", "a\r\nb", "\u2028", "\ufeff", "#", "nan", "=1+1"]
)
def test_awkward_text(tmp_path, sphere_table, name):
    sphere_table["feature"] = sphere_table["lot"] = name
    sphere_table["touch"] = [f"{name}{n}" for n in range(60)]
    write(sphere_table, tmp_path / "run.csv")
    back = read(tmp_path / "run.csv")
    pd.testing.assert_frame_equal(back, sphere_table, check_exact=True)


def test_extreme_floats(tmp_path, sphere_table):
    table = sphere_table.head(4).copy()
    table["x"] = [
        5e-324,
        -0.0,
        np.nextafter(1.0, 2.0),
        1.7976931348623157e308,
    ]  # IEEE 754 binary64: least, -0, 1+, greatest
    write(table, tmp_path / "run.csv")
    back = read(tmp_path / "run.csv")
    assert back["x"].to_numpy().tobytes() == table["x"].to_numpy().tobytes()


def test_bytes_of_a_small_file(tmp_path):
    """Regression: the file format itself, as the module describes it."""
    table = pd.DataFrame(
        {
            "touch": ["1", "2"], "feature": ["up,per", "bore"], "x0": [1, 2], "y0": [0.5, np.nan], "z0": [0.0, np.nan],
            "i": [0, 1], "j": [0, 0], "k": [1, 0], "x": [1.25, np.nan], "y": [0.1, np.nan], "z": [2.0, np.nan],
            "reason": ["", "no trigger"],
        }
    )  # fmt: skip
    table.loc[1, "x0"] = np.nan
    table.attrs = {"batch": "12", "recorded": "centre", "unit": "mm", "part": "foil\n7", "temperature": 20.5}
    write(table, tmp_path / "run.csv")
    assert (tmp_path / "run.csv").read_bytes().decode() == (
        '# unit: mm\n# recorded: centre\n# part: "foil\\n7"\n# temperature: 20.5\n# batch: "12"\n# rows: 2\n'
        '# text_columns: ["touch"]\n'
        "touch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n"
        '1,"up,per",1.0,0.5,0.0,0.0,0.0,1.0,1.25,0.1,2.0,\n'
        "2,bore,,,,1.0,0.0,0.0,,,,no trigger\n"
    )


def test_where_a_table_came_from_is_kept(tmp_path, save, good):
    first = read(save(good))
    write(first, tmp_path / "copy.csv")
    copy = read(tmp_path / "copy.csv")
    assert copy.attrs["origin"] == "run.csv"
    assert copy.attrs["origin_sha256"] == first.attrs["sha256"]
    assert copy.attrs["source"] == str(tmp_path / "copy.csv")
    write(copy, tmp_path / "again.csv")
    assert read(tmp_path / "again.csv").attrs["origin"] == "run.csv"
    assert (tmp_path / "again.csv").read_bytes() == (tmp_path / "copy.csv").read_bytes()


def test_missing_reason_column_and_missing_text(tmp_path, sphere_table):
    table = sphere_table.drop(columns="reason")
    table["face"] = [None, *["upper"] * 59]
    write(table, tmp_path / "run.csv")
    back = read(tmp_path / "run.csv")
    assert (back["reason"] == "").all()
    assert back["face"].tolist() == ["", *["upper"] * 59]
    assert "reason" not in table


def test_write_is_all_or_nothing(tmp_path, sphere_table, monkeypatch):
    path = tmp_path / "run.csv"
    write(sphere_table, path)
    before = path.read_bytes()

    def fail(*_):
        raise OSError(28, "No space left on device")

    for name in ("fsync", "replace"):
        with monkeypatch.context() as patch:
            patch.setattr(os, name, fail)
            with pytest.raises(InputError, match=r"cannot be written .No space left on device"):
                write(sphere_table.head(3), path)
        assert path.read_bytes() == before
        assert os.listdir(tmp_path) == ["run.csv"]
    with pytest.raises(InputError, match=r"none.run\.csv: the file cannot be written .No such file"):
        write(sphere_table, tmp_path / "none" / "run.csv")


def test_write_leaves_the_table_alone(tmp_path, sphere_table):
    before, attrs = sphere_table.copy(), dict(sphere_table.attrs)
    write(sphere_table, tmp_path / "run.csv")
    pd.testing.assert_frame_equal(sphere_table, before)
    assert sphere_table.attrs == attrs


def put(column, value):
    def change(table):
        table[column] = value
        return table

    return change


def attr(key, value):
    def change(table):
        table.attrs[key] = value
        return table

    return change


REFUSED = {
    "no rows": (lambda t: t.head(0), "the table holds no touches"),
    "inch": (attr("unit", "inch"), "column 'unit': the table does not say .* found 'inch'.*attrs\\['unit'\\] = 'mm'"),
    "no recorded": (attr("recorded", ""), "column 'recorded': the table does not say what x, y, z are"),
    "missing column": (lambda t: t.drop(columns="k"), "required columns are missing: k"),
    "duplicate": (put("touch", 7), "id occurs twice: row 0 and row 1, and 58 more ids .* \\(touch 7, row 1\\)"),
    "mixed ids": (put("touch", [1, "a"] * 30), "id occurs twice"),
    "ids of two kinds": (put("touch", [1, *map(str, range(2, 61))]), "column 'touch': .* kind mixed.*all integers or"),
    "ids that are fractions": (put("touch", np.arange(60) + 0.5), "column 'touch'.*kind floating"),
    "numbers as feature": (put("feature", 4), "column 'feature': the column cannot be written.*expected text"),
    "dates": (put("when", pd.Timestamp("2026-11-25")), "column 'when': the column cannot be written.*datetime"),
    "lists": (put("list", [[1]] * 60), "column 'list': the column cannot be written"),
    "NUL": (put("feature", "a\0"), "column 'feature': the text of row 0 cannot be written.*x00"),
    "long text": (put("feature", "a" * 200_000), "column 'feature'.*at most 131072"),
    "surrogate": (put("lot", pd.Series(["\ud800"] * 60, dtype=object)), "half a character.*ud800"),
    "outer space": (put(" lot", 1), "column ' lot': the column name cannot be written"),
    "number as name": (put(4, 1), "column '4': the column name cannot be written"),
    "hash": (put("#", 1), "column '#': the column name"),
    "letter case": (put("U", 1.0), "column 'U': the column name cannot be written.*lower case"),
    "two of a name": (lambda t: pd.concat([t, t[["x"]]], axis=1), "column 'x': a column occurs twice"),
    "infinite": (put("z", np.inf), "column 'z': infinite number \\(touch 1, row 0\\)"),
    "silent miss": (put(["x", "y", "z"], np.nan), "no measured position and no reason \\(touch 1, row 0\\)"),
    "list as metadata": (attr("tags", ["a"]), "column 'tags': the metadata value cannot be written"),
    "NaN as metadata": (attr("scale", np.nan), "column 'scale': .*found nan.*finite number"),
    "truth as metadata": (attr("ok", True), "column 'ok': .*text or a finite number"),
    "number as part": (attr("part", 4711), "column 'part': .*found 4711; expected text"),
    "text as temperature": (attr("temperature", "20 C"), "column 'temperature': .*expected a number"),
    "colon": (attr("a:b", "x"), "the metadata key cannot be written; found 'a:b'"),
    "reserved": (attr("rows", 3), "the metadata key cannot be written; found 'rows'"),
    "known in capitals": (attr("Part", "x"), "the metadata key cannot be written; found 'Part'"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_write_refuses_what_it_could_not_give_back(tmp_path, sphere_table, case):
    change, words = REFUSED[case]
    with pytest.raises(InputError, match=words):
        write(change(sphere_table), tmp_path / "run.csv")
    assert os.listdir(tmp_path) == []
