"""Verdicts: decision rules, probability of conformity, and the verdict on touch, tolerance, feature and part."""

from .classify import classify, judge
from .rules import guarded, proved, simple

__all__ = ["classify", "guarded", "judge", "proved", "simple"]
