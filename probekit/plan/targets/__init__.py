"""Targets on the model: picks, curves, spreads, patterns, and where not to touch."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
