"""The words of a verdict, once: on a touch, and on a tolerance, a feature or the part."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

__all__ = [
    "NOT_JUDGED",
    "PART_WORDS",
    "TOLERANCE_WORDS",
    "TOUCH_WORDS",
    "WORST_FIRST",
    "counted",
    "interval",
    "part_word",
    "worst_of",
]

#: What a touch can be, best first.
TOUCH_WORDS = ("within", "undecided", "high", "low", "missed", "unjudged")

#: What a feature or a part can be, best first.
PART_WORDS = ("conforms", "undecided", "does not conform")

#: A tolerance whose touches do not fix it, or its datum frame; the part is then undecided at best.
NOT_JUDGED = "not judged"

#: What a tolerance can be.
TOLERANCE_WORDS = (*PART_WORDS, NOT_JUDGED)

#: The words of touches in the order in which a list shows them: what needs a person first.
WORST_FIRST = ("high", "low", "missed", "undecided", "unjudged", "within")

_MEANS = {
    **dict.fromkeys(("high", "low"), "does not conform"),
    **dict.fromkeys(("missed", "undecided", NOT_JUDGED), "undecided"),
    **dict.fromkeys(("within", "conforms"), "conforms"),
    "does not conform": "does not conform",
}


def counted(count: int, word: str) -> str:
    """How many tolerances are that, in a sentence: "1 conforms", "2 do not conform"."""
    plural = {"conforms": "conform", "does not conform": "do not conform"}
    return f"{count} {word if count == 1 else plural.get(word, word)}"


def interval(
    low: float, high: float, noise_alone: float, written: Callable[[float], str] = "{:.4f}".format
) -> tuple[str, str]:
    """Where the true value lies, and what noise alone would give, in words; `written` writes a length [mm]."""
    if noise_alone <= 0:
        return "uncertainty not stated", ""
    if not math.isfinite(high):
        return "uncertainty not known", ""
    where = f"at the touched places {written(low)} to {written(high)}"
    return where, f"noise alone would give {written(noise_alone)}"


def part_word(word: str) -> str:
    """What a touch of that word makes of its tolerance, or a tolerance of its part: one of `PART_WORDS`.

    "within" conforms; a touch that was missed, or a tolerance that is not judged, leaves it undecided.
    """
    return _MEANS[word]


def worst_of(words: Iterable[str]) -> str:
    """The worst of some of `PART_WORDS`; undecided if there is none."""
    return max(words, key=PART_WORDS.index, default="undecided")
