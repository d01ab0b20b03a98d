"""Each touch of a text beside the planned one, and the order after the tool change: a change is a stop."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

import probekit as pk


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[str, Callable[[str], set[str]]]:
    """The text of the tiny study, and the names of the checks that stop another text."""
    study = pk.study.load(tiny.write(Path(tmp_path_factory.mktemp("as planned"))))
    planned = pk.study.plan(study)
    return pk.study.program(study, planned).text, lambda text: {f.check for f in planned.check(text).of("stop")}


def test_after_the_tool_change_it_goes_across_and_then_down(done) -> None:
    text, stops = done
    after = text[text.index("T20 M6") :].splitlines()
    moves = [line for line in after if line.startswith(("G0", "G1", "G38"))]
    assert re.fullmatch(r"G0 X\S+ Y\S+", moves[0]), moves[:2]
    assert re.fullmatch(r"G0 Z\S+", moves[1]), moves[:2]
    assert stops(text) == set()


CHANGES = {
    "two touches change their parameters": (
        r"(?s)#1001=(.*?)#1002=(.*?)#1003=(.*?)#1004=(.*?)#1005=(.*?)#1006=",
        r"#1004=\1#1005=\2#1006=\3#1001=\4#1002=\5#1003=",
        "touches_as_planned",
    ),
    "all parameters one touch on": (r"#1001=", "#1901=", "touches_as_planned"),
    "a touch 0.04 mm aside": (r"G38\.2 X10\. Y30\.", "G38.2 X10.04 Y30.", "touches_as_planned"),
    "a touch from 0.06 mm off the face": (
        r"G1 X30\. Y30\. Z25\. F500\.\nG38",
        "G1 X30. Y30. Z23.06 F500.\nG38",
        "touches_as_planned",
    ),
    "the way back after a touch is gone": (
        r"(RECORD 2 .*\n)G1 X30\. Y30\. Z25\. F2000\.\n",
        r"\1",
        "touches_as_planned",
    ),
    "the way back is a rapid": (
        r"(RECORD 2 .*\n)G1 X30\. Y30\. Z25\. F2000\.\n",
        r"\1G0 X30. Y30. Z25.\n",
        "rapid_height",
    ),
    "a record line of another feature": (r"RECORD 2 top", "RECORD 2 side", "touches_as_planned"),
    "two record lines change over": (
        r"(?s)(RECORD 1 [^)]*)(.*?)(RECORD 2 [^)]*)",
        r"\3\2\1",
        "touches_as_planned",
    ),
    "a touch is left out": (
        r"(?s)G1 X30\. Y30\. Z25\. F500\.\nG38.*?RECORD 2[^\n]*\nG1 X30\. Y30\. Z25\. F2000\.\n",
        "",
        "touches_as_planned",
    ),
    "a slower touch": (r"F100\.", "F40.", "touches_as_planned"),
    "positioning ten times as fast": (r"F2000\.", "F20000.", "touch_feed"),
    "an approach as fast as any move": (r"F500\.", "F2000.", "touches_as_planned"),
    "down before across": (r"(G0 X10\. Y30\.)\n(G0 Z28\.)", r"\2\n\1", "from_above"),
    "down and across at once": (r"(G0 X10\. Y30\.)\nG0 (Z28\.)", r"\1 \2", "from_above"),
    "a rapid to where the plan has none": (r"G1 (X50\. Y30\. Z25\.) F500\.\nG38", r"G0 \1\nG38", "rapids_as_planned"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_a_stop(done, change: str) -> None:
    text, stops = done
    pattern, new, rule = CHANGES[change]
    changed = re.sub(pattern, new, text, count=1)
    assert changed != text, text
    assert rule in stops(changed)
