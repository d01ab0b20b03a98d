"""Probing put into a milling program, the control's state handed back, and what changed."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
