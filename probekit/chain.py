"""Entries that are only ever added: each is hashed with the hash of the one before, so that a change is found later."""

from __future__ import annotations

import hashlib

__all__ = ["linked"]


def linked(number: int, previous: str, text: str) -> str:
    """The hash of an entry: SHA-256 of its number, the hash of the entry before, and its text.

    Parameters
    ----------
    number : int
        Its place, from 1 on.
    previous : str
        Hash of the entry before; empty for the first.
    text : str
        What it says; ASCII.
    """
    return hashlib.sha256(f"{number}\n{previous}\n{text}".encode("ascii")).hexdigest()
