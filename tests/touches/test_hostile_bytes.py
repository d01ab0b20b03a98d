"""Whatever bytes a file holds, reading gives a table or an `InputError`, never another exception."""

import contextlib
import warnings

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probekit.errors import InputError, ProbekitWarning
from probekit.touches import read, read_text
from probekit.touches.check import check

PIECES = st.sampled_from(
    [
        b",",
        b"\n",
        b"\r",
        b'"',
        b"#",
        b":",
        b"\x00",
        b"\xff",
        b"\xef\xbb\xbf",
        b"nan",
        b"inf",
        b"1e999",
        b"-",
        b" ",
        b";",
        b"\t",
        b"# text_columns: [1]\n",
        b"# text_columns: {}\n",
        b"# rows: 2.5\n",
        b"# source: 4\n",
        b"9" * 5000,
        b'"" ""',
        b"\xe9",
    ]
)
EDITS = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 12), st.one_of(PIECES, st.binary(max_size=3))), max_size=4)
RELAXED = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


def edited(data: bytes, edits) -> bytes:
    for place, length, piece in edits:
        start = int(place * len(data))
        data = data[:start] + piece + data[start + length :]
    return data


@RELAXED
@given(edits=EDITS)
def test_read(save, good, edits):
    path = save(edited(good.encode(), edits))
    with contextlib.suppress(InputError):
        table = read(path)
        assert table.attrs["unit"] == "mm"
        assert len(table) > 0
        check(table)


@RELAXED
@given(edits=EDITS, decimal=st.sampled_from([".", ","]), log=st.booleans(), comment=st.sampled_from([None, "#", "1"]))
def test_read_text(save, good, edits, decimal, log, comment):
    path = save(edited(good.encode(), edits))
    how = {"pattern": r"^(?P<touch>\d+),(?P<feature>\w+),(?P<x>[^,]*),(?P<y>[^,]*),(?P<z>[^,]*),"}
    if not log:
        how = {"columns": {"x": "x", "y": 9, "z": "z", "reason": "reason", "lot": "touch"}, "skip": 2}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ProbekitWarning)
        with contextlib.suppress(InputError):
            table = read_text(path, unit="inch", recorded="contact", decimal=decimal, comment=comment, **how)
            assert table.attrs["unit_source"] == "inch"
            check(table)


def test_a_pattern_that_backtracks_cannot_hold_the_reading_up(save):
    """On 2000 digits this pattern took a minute, on the 5000 here it would take a quarter of an hour."""
    slow = r"(?P<touch>\d+),(?P<feature>\w+).*?(?P<x>[^,]*),(?P<y>[^,]*),(?P<z>[^,]*),"
    sound = "1,a 10.0,5.0,12.5,\n2,a 20.0,5.0,12.1,\n"
    table = read_text(save(sound), unit="mm", recorded="contact", pattern=slow)
    assert table[["x", "y", "z"]].to_numpy().tolist() == [[10.0, 5.0, 12.5], [20.0, 5.0, 12.1]]
    with pytest.raises(InputError, match="line 3: the line is too long to search with a pattern; found '5004 char"):
        read_text(save(sound + "3,a" + "9" * 5000 + "\n"), unit="mm", recorded="contact", pattern=slow)


@pytest.mark.parametrize(
    "content", [b"\xff\xfe", b"\xef\xbb\xbf", b"\xff", b"\0" * 9, b'"', b"#", b'"#', b'"#"x\n', b",,,"]
)
def test_tiny_files(save, content):
    path = save(content)
    with pytest.raises(InputError, match=r"run\.csv"):
        read(path)
    with pytest.raises(InputError, match=r"run\.csv"):
        read_text(path, columns={"x": 0, "y": 1, "z": 2}, unit="mm", recorded="centre")
