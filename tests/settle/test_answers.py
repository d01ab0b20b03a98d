"""Answers as data: what is taken, what is refused and how it is said; the published schema agrees."""

from __future__ import annotations

import json

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from settle.answering import COMMENTS, NAUGHTY, answer

from probekit.errors import InputError
from probekit.settle import read_answers
from probekit.settle.answers import DISPOSITIONS, Answer, answer_from, canonical, schema


class Anywhere:
    """A page of which only the checksums matter."""

    hash = "0" * 63 + "a"
    edition = "b" * 64


GOOD = answer(Anywhere, comments=COMMENTS)


def changed(**keys):
    data = GOOD.data | keys
    return {name: value for name, value in data.items() if value is not ...}


BAD = {
    "a key missing": (changed(page=...), "'page': a key is missing"),
    "an unknown key": (changed(html="<b>"), "'html': unknown key"),
    "of another kind": (changed(probekit="answer 2"), "kind known here"),
    "a short checksum": (changed(page="abc"), "'page': not a checksum"),
    "a checksum in capitals": (changed(edition="A" * 64), "'edition': not a checksum"),
    "a number for a name": (changed(name=7), "'name': not a text"),
    "no name": (changed(name=" \t"), "'name'"),
    "a name of two lines": (changed(name="A\nB"), "U\\+000A"),
    "an endless name": (changed(name="x" * 121), "found 121; expected at most 120 characters"),
    "no reason": (changed(reason="  "), "'reason': nothing stands there"),
    "an endless reason": (changed(reason="x" * 4001), "at most 4000"),
    "an unknown disposition": (changed(disposition="ship it"), "unknown disposition; found 'ship it'"),
    "a list for a disposition": (changed(disposition=[]), "unknown disposition"),
    "a day that is none": (changed(date="2026-02-30T10:00:00Z"), "'date': not a date"),
    "a date without its zone": (changed(date="2026-02-20T10:00:00"), "not a date"),
    "a date in other digits": (changed(date="２026-02-20T10:00:00Z"), "not a date"),
    "comments in words": (changed(comments="none"), "not a list of comments"),
    "a comment in words": (changed(comments=["nice"]), "a comment is a JSON object"),
    "a comment on nothing": (changed(comments=[{"on": "moon", "id": "1", "text": "x"}]), "unknown place"),
    "a comment on no touch": (changed(comments=[{"on": "touch", "id": "", "text": "x"}]), "'id': nothing"),
    "a numbered part": (changed(comments=[{"on": "part", "id": "2", "text": "x"}]), "the part has no number"),
    "an empty comment": (changed(comments=[{"on": "part", "id": "", "text": ""}]), "'text': nothing"),
    "many comments": (changed(comments=[{"on": "part", "id": "", "text": "x"}] * 101), "at most 100"),
    "nothing said": (changed(disposition="", comments=[]), "says nothing"),
    "a signature in words": (changed(signature="me"), "a signature is a JSON object"),
    "half a signature": (changed(signature={"key": "QUJD"}), "a key is missing"),
    "a short signature": (changed(signature={"key": "QUJD", "value": "QUJD"}), "damaged signature"),
    "a null": (None, "a JSON object"),
}  # fmt: skip
UNSEEN = {
    "a turned name": (changed(name="A\u202eB"), "U\\+202E"),
    "a turned reason": (changed(reason="x\u2066y"), "U\\+2066"),
    "a bell": (changed(reason="\x07"), "U\\+0007"),
    "half a character": (changed(reason="\ud83d"), "U\\+D83D"),
}


@pytest.mark.parametrize("case", [*BAD, *UNSEEN])
def test_what_is_not_an_answer_is_refused_with_what_and_where(case):
    data, message = (BAD | UNSEEN)[case]
    with pytest.raises(InputError, match=message) as error:
        answer_from(data, source="from_novak.json")
    assert str(error.value).startswith("from_novak.json")


@pytest.mark.parametrize("case", BAD)
def test_the_published_schema_refuses_it_too(case):
    """A schema cannot say that a date exists; all else of the list it can."""
    validator = jsonschema.Draft202012Validator(schema())
    assert validator.is_valid(BAD[case][0]) is (case in ("a day that is none", "a name of two lines"))


def test_what_is_an_answer_passes_both_and_comes_back():
    for what in ("", *DISPOSITIONS):
        one = answer(Anywhere, what=what, comments=COMMENTS)
        jsonschema.Draft202012Validator(schema()).validate(one.data)
        text = json.dumps(one.data)
        assert answer_from(json.loads(text)) == one
        assert read_answers(b"\xef\xbb\xbf" + text.encode(), source="mailed.txt") == (one,)


def test_the_schema_itself_is_one():
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "not the JSON of an answer"),
        (b"\xff\xfe{\x00", "not UTF-8"),
        (json.dumps(GOOD.data).encode()[:-20], "cut or changed on its way"),
        (b"[" * 100_000, "nested too deeply|not the JSON"),
        (b'{"a": NaN}', "NaN is no JSON"),
        (b"1" * 5000, "not the JSON of an answer"),
        (b'{"name": "a", "name": "b"}', "twice"),
        (b"[]", "1 to 1000"),
        (b"[1, 2]", "answer 1: an answer is a JSON object"),
        (b"<!DOCTYPE html><p>no page of ours", "no place for answers"),
        (b" " * 30_000_000, "too long"),
    ],
)
def test_files_that_are_none_are_named(data, message):
    with pytest.raises(InputError, match=message) as error:
        read_answers(data, source="mailed.txt")
    assert "mailed.txt" in str(error.value)


def test_an_answer_of_more_bytes_than_agreed_is_refused():
    long = [{"on": "part", "id": "", "text": "é" * 3999}] * 3
    with pytest.raises(InputError, match=r"too long; found \d{5}; expected at most 20000 bytes"):
        answer_from(changed(comments=long))


TEXTS = st.text(max_size=20)
JSON = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | TEXTS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3), max_leaves=6)  # fmt: skip  # noqa: E501


@settings(max_examples=150)
@given(st.dictionaries(st.sampled_from([*GOOD.data, "signature", "x"]), JSON, max_size=3))
def test_anything_is_an_answer_or_an_input_error(keys):
    """And whatever is one, is one by the schema."""
    data = GOOD.data | keys
    try:
        found = answer_from(data)
    except InputError:
        return
    assert isinstance(found, Answer)
    assert jsonschema.Draft202012Validator(schema()).is_valid(data)


def test_the_signed_bytes_are_those_of_rfc_8785():
    """Its rules for text (3.2.2.2, 3.2.3): keys in order, no blanks, control characters short, the rest as it is."""
    one = answer(Anywhere, reason='€$\n"\\\t/')
    told = canonical(one).decode()
    assert told.startswith('{"comments":[],"date":"2026-11-29T22:00:00Z","disposition":"re-cut","edition":"bbb')
    assert '"reason":"€$\\n\\"\\\\\\t/","role":"quality"}' in told
    assert NAUGHTY not in told, "escaped as JSON is"
