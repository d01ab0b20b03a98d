"""Program text in: words, formulas, and an interpreter that walks through it step by step."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
