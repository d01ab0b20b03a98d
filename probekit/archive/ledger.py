"""The list of what was written, a text file beside the store: the witness that tells which record is missing.

A line ``+ number hash key`` stands before the record is committed, a line ``= number hash`` once it is. A first line
without its second is a part whose writer was ended while it wrote; both without a record, one that was taken out.
"""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Written", "note", "written"]

_LINE = re.compile(r"([+=]) (\d+) ([0-9a-f]{64})(?: (.*))?")


@dataclass(frozen=True)
class Written:
    """What the list says of one number: hash, key of the part, and whether it was committed for certain."""

    hash: str
    key: str
    done: bool


def note(path: Path, number: int, checksum: str, key: str | None = None) -> None:
    """Add a line: with a key the record is about to be committed, without it has been."""
    line = f"= {number} {checksum}\n" if key is None else f"+ {number} {checksum} {json.dumps(key)}\n"
    with path.open("ab") as stream:
        if stream.tell() and not _ends_whole(path):  # a writer was ended within its line
            line = "\n" + line
        stream.write(line.encode("ascii"))
        stream.flush()
        if key is not None:
            os.fsync(stream.fileno())


def written(path: Path) -> tuple[dict[int, Written], list[Written]]:
    """Number -> what was written last under it; and what was begun and given up, its number used again."""
    found: dict[int, Written] = {}
    lost: list[Written] = []
    try:
        lines = path.read_text(encoding="ascii", errors="replace").splitlines()
    except FileNotFoundError:
        return {}, []
    for line in lines:
        match = _LINE.fullmatch(line)
        if match is None:
            continue
        mark, number, checksum = match[1], int(match[2]), match[3]
        before = found.get(number)
        if mark == "=":
            if before is not None and before.hash == checksum:
                found[number] = Written(checksum, before.key, True)
            continue
        if before is not None and before.hash != checksum:
            lost.append(before)
        found[number] = Written(checksum, _key(match[4]), False)
    return found, lost


def _key(text: str | None) -> str:
    try:
        return str(json.loads(text or '""'))
    except ValueError:
        return ""


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) == b"\n"
