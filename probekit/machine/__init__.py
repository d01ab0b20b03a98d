"""A virtual machine: runs the NC text against an as-made model and writes the results file."""

from __future__ import annotations

__all__: list[str] = []
