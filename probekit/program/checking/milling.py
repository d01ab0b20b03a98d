"""The milling around an inserted part, beside the milling program as it was: no line of it may have changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..merging.difference import difference
from ..reading.source import Source
from ..reading.words import parse
from .case import Case, inserted_parts
from .findings import Finding, NotMade, gathered

__all__ = ["milling_as_before"]

_SHOWN = 60  # characters of a line in a message


def milling_as_before(case: Case) -> list[Finding] | NotMade:
    """Outside the inserted part every line is that of the milling program."""
    if case.milling is None or case.source is None:
        return NotMade("no milling program was given", "note")
    parts = case.inserted
    if not parts:
        todo = "Merge again, or run it only where the probing is meant to stand alone."
        cuts = (s for s in case.steps if s.kind in ("feed", "arc") and s.start != s.end and s.state.tool)
        cut = next((step.line for step in cuts if not case.probe_in(step)), 0)
        if cut:
            what = "a milling tool cuts, and nothing tells where the probing begins and ends"
            return [Finding(cut, "stop", what, "Merge again.")]
        return [Finding(0, "look", "there is no inserted part: the milling program is not in this file", todo)]
    lines, milling = case.source.lines, [line.rstrip("\r\n") for line in case.milling.lines]
    own = {
        "\n".join(milling[a - 1 : b]) for a, b in inserted_parts(parse(case.milling))
    }  # it may itself be a merged one
    told = (set(range(a, b + 1)) for a, b in parts if _plain(lines[a - 1 : b]) not in own)
    inside = set().union(*told)
    outside = [number for number in range(1, len(lines) + 1) if number not in inside]
    rest = "\n".join(lines[number - 1].rstrip("\r\n") for number in outside)
    found = difference("\n".join(milling), rest).table
    wrong = []
    for row in found.itertuples():
        if row.kind == "inserted":
            what = f"a line that the milling program does not have: {row.text.strip()[:_SHOWN]!r}"
            wrong.append((outside[int(row.line_after) - 1], what))
        else:
            where = f"line {row.line_before} of the milling program is changed or missing"
            wrong.append((_near(found, int(row.line_before), outside), f"{where}: {row.text.strip()[:_SHOWN]!r}"))
    todo = "Restore it, or change the milling program itself and merge again."
    return gathered(wrong[:20], "stop", todo) + list(_stored_otherwise(case.source, case.milling))


def _plain(lines: Sequence[str]) -> str:
    return "\n".join(line.rstrip("\r\n") for line in lines)


def _near(found: object, line: int, outside: Sequence[int]) -> int:
    """The line of the text that stands where a line of the milling program did."""
    gone = (found["line_before"] < line).sum()  # type: ignore[index]
    new = (found["line_after"] <= line).sum()  # type: ignore[index]
    at = min(max(int(line - gone + new), 1), len(outside))
    return outside[at - 1] if outside else 0


def _stored_otherwise(text: Source, milling: Source) -> Iterator[Finding]:
    ends = [{line[len(line.rstrip("\r\n")) :] for line in one.lines if line.endswith(("\r", "\n"))} for one in
            (text, milling)]  # fmt: skip
    if text.name and ends[0] != ends[1]:
        todo = "Check that the control reads them; an editor may have changed them."
        yield Finding(0, "look", "the ends of the lines are not those of the milling program", todo)
    if text.name and milling.name and (text.bom, text.encoding) != (milling.bom, milling.encoding):
        what = f"the file is stored as {text.encoding}, the milling program as {milling.encoding}"
        yield Finding(0, "look", what, "Check that the comments are legible and the control reads it.")
