r"""Escapes in the texts of a STEP file that are not closed, which the kernel would drop or misread without a word.

``\X2\00F4\X0\`` is a text in UCS-2 (ISO 10303-21, from memory), ``\X4\`` one in UCS-4. Without ``\X0\`` nobody can tell
where it ends; it is taken to end where the groups of digits do.
"""

from __future__ import annotations

import re

__all__ = ["closed"]

_OPEN = re.compile(
    rb"(?P<plain>\\\\)"  # two of them stand for one
    rb"|(?P<start>\\X2\\)(?P<two>(?:[0-9A-Fa-f]{4})*)(?!(?:[0-9A-Fa-f]{4})*\\X0\\)(?:\\X0(?!\\))?"
    rb"|(?P<start4>\\X4\\)(?P<four>(?:[0-9A-Fa-f]{8})*)(?!(?:[0-9A-Fa-f]{8})*\\X0\\)(?:\\X0(?!\\))?"
)
_RECORD = re.compile(rb"(?<![^\s;/])#\s*+(\d{1,18})\s*+=\s*+\(?\s*+([A-Za-z0-9_]+)")
_LOOK_BACK = 1 << 16  # characters of a record before the escape
_LISTED = 10


def closed(content: bytes) -> tuple[bytes, list[str]]:
    """The text of a STEP file with its escapes closed, and a note that names the records where they were not.

    Parameters
    ----------
    content : bytes

    Returns
    -------
    content : bytes
    notes : list of str
        Empty if all are closed.
    """
    if rb"\X2" + b"\\" not in content and rb"\X4" + b"\\" not in content:
        return content, []
    found: dict[str, None] = {}

    def close(match: re.Match[bytes]) -> bytes:
        if match["plain"]:
            return match[0]
        before = content[max(0, match.start() - _LOOK_BACK) : match.start()]
        records = _RECORD.findall(before[before.rfind(b";\n") + 1 :]) or _RECORD.findall(before)
        number, keyword = (part.decode("ascii") for part in records[-1]) if records else ("", "")
        found[f"#{number} {keyword}" if number else "the header"] = None
        digits = match["two"] or match["four"]
        return (match["start"] or match["start4"]) + digits + rb"\X0" + b"\\" if digits else b""

    content = _OPEN.sub(close, content)
    if not found:
        return content, []
    named = list(found)
    more = f" and {len(named) - _LISTED} more" if len(named) > _LISTED else ""
    return content, [
        f"texts with an escape that is not closed (\\X2\\ without \\X0\\) were read as far as their digits go, in "
        f"{', '.join(named[:_LISTED])}{more}: look at these names"
    ]
