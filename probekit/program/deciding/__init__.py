"""Decisions within a program, as data: values from touches, a shifted copy of a work offset, branches, repeats."""

from __future__ import annotations

__all__: list[str] = []
