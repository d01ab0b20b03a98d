"""Probing moves as data, NC text in a dialect, merged with a milling program and checked before release."""

from __future__ import annotations

__all__: list[str] = []
