"""Verdicts: decision rules, probability of conformity, and the verdict on touch, tolerance, feature and part."""

from .classify import classify, judge
from .doubts import DOUBTS
from .results import Verdict
from .rules import Rule, conformity, guarded, share_of_zone, simple
from .words import PART_WORDS, TOUCH_WORDS, WORST_FIRST

__all__ = [
    "DOUBTS",
    "PART_WORDS",
    "TOUCH_WORDS",
    "WORST_FIRST",
    "Rule",
    "Verdict",
    "classify",
    "conformity",
    "guarded",
    "judge",
    "share_of_zone",
    "simple",
]
