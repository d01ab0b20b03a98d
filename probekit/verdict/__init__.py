"""Verdicts: decision rules, probability of conformity, and the verdict on touch, feature and part."""

from .classify import classify, judge
from .results import PART_WORDS, TOUCH_WORDS, Verdict
from .rules import Rule, conformity, guarded, simple

__all__ = ["PART_WORDS", "TOUCH_WORDS", "Rule", "Verdict", "classify", "conformity", "guarded", "judge", "simple"]
