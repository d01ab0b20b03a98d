"""Slips of the hand in a finished text that the plan knows better: each is a stop, and the text as written is none."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

import probekit as pk

#: Milling that sets all for its next tool itself: the probe stays in until then.
NEXT = tiny.MILLING.replace("T2 M6\n", "T2 M6\nG43 H2\n")


@pytest.fixture(scope="module", params=["the tool comes back", "the milling calls its next tool"])
def done(request, tmp_path_factory) -> tuple[str, Callable[[str], dict[str, set[str]]]]:
    """The text, and the checks of the study for a text that somebody changed: severity -> names of checks."""
    folder: Path = tmp_path_factory.mktemp("seams")
    files = {} if request.param.startswith("the tool") else {"milling_nc": NEXT}
    study = pk.study.load(tiny.write(folder, **files))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)

    def stops(text: str) -> set[str]:
        return {f.check for f in planned.check(text).of("stop")}

    return programmed.text, stops


def test_the_text_as_written_has_nothing_to_stop_for(done) -> None:
    text, stops = done
    assert stops(text) == set()


SLIPS = {
    "another work offset during all probing": (r"G61\nG54", "G61\nG55", "offsets_as_planned"),
    "another length offset": (r"G43 H20", "G43 H5", "offsets_as_planned"),
    "Y kept for X": (r"#1001=#5061", "#1001=#5062", "kept"),
    "X and Y changed over": (r"#1001=#5061\n#1002=#5062", "#1002=#5061\n#1001=#5062", "kept"),
    "a parameter used twice": (r"#1004=#5061", "#1001=#5061", "kept"),
    "a parameter set later": (r"\(PROBEKIT END", "#1002=0\n(PROBEKIT END", "kept"),
    "the probe lifted in another offset": (
        r"G21 G90 G0 Z200(?=\n(?:T1 M6|G21 G17 G54))",
        "G55 G90 G0 Z200",
        "offsets_as_planned",
    ),
    "the probe lifted without its length": (
        r"G21 G90 G0 Z200(?=\n(?:T1 M6|G21 G17 G54))",
        "G49 G90 G0 Z200",
        "offsets_as_planned",
    ),
    "the milling tool lifted in another offset": (r"G21 G90 G0 Z200", "G55 G90 G0 Z200", "handed_back"),
    "the milling tool lifted with another length": (r"G21 G90 G0 Z200", "G43 H9 G90 G0 Z200", "handed_back"),
    "home from a touch": (r"\(PROBEKIT RECORD 2 ", "G28\n\\g<0>", "machine_coordinates"),
    "down from the upper end, across": (r"G0 X30\. Y30\. Z28\.\nG1", "G0 G53 Z0\nG1", "from_above"),
    "down from the reference point, across": (r"G0 X30\. Y30\. Z28\.\nG1", "G91 G28 Z0\nG90 G1", "from_above"),
    "a trigger not kept": (r"#1003=#5063\n", "", "kept"),
    "the lift before the probe is loaded": (r"G0 Z200(?=(?:\n.*)?\nT20 M6)", "G0 Z40", "lifted_for_changes"),
    "the last lift": (r"(?m)^G21 G90 G0 Z200\n(?=(?:T1 M6|G21 G17))", "", "lifted_for_changes"),
    "hand-back in another offset": (r"G21 G17 G54", "G21 G17 G55", "handed_back"),
    "hand-back in G91": (r"(?m)^G90\n(?=(?:.*\n)?\(PROBEKIT MERGED PART END)", "G91\n", "handed_back"),
    "hand-back in inch": (r"G21 G17 G94", "G20 G17 G94", "handed_back"),
    "the end of the program in the middle": (r"\(PROBEKIT RECORD 2 ", "M30\n\\g<0>", "program_end"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_a_stop(done, slip: str) -> None:
    text, stops = done
    pattern, new, rule = SLIPS[slip]
    changed = re.sub(pattern, new, text, count=0 if slip.startswith("hand") else 1)
    assert changed != text, text
    assert rule in stops(changed)


def test_up_to_the_upper_end_and_back_down_is_no_stop(done) -> None:
    text, stops = done
    for up in ("G0 G53 Z0\n", "G91 G28 Z0\nG90\n"):
        aside = text.replace("G0 X30. Y30. Z28.\n", f"{up}G0 X30. Y30.\nG0 Z28.\n", 1)
        assert aside != text
        assert stops(aside) == set()


def test_a_milling_tool_that_comes_back_is_lifted_first(done) -> None:
    text, stops = done
    if "T1 M6 (the milling tool comes back)" in text:
        changed = re.sub(r"G90 G0 Z200\n(?=G98)", "", text)
        assert changed != text
        assert "lifted_for_changes" in stops(changed)
        other = text.replace("T1 M6 (the milling tool comes back)", "T7 M6 (the milling tool comes back)")
        assert "handed_back" in stops(other), "the milling went on with another tool"
        turned = text.replace("M3 (the milling tool turns again)", "")
        assert "handed_back" in (stops(turned) | ({"handed_back"} if turned == text else set()))


@pytest.mark.parametrize("word", ["G211", "M51", "G-0 Z5", "G0 U5"])
def test_what_is_not_understood_around_the_probing_is_a_stop(done, word: str) -> None:
    text, stops = done
    for nth in (text.index("M5\nM9\nS0"), text.index("(PROBEKIT MERGED PART END)")):
        assert "unknown_words" in stops(f"{text[:nth]}{word}\n{text[nth:]}")
