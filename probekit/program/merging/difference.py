"""What two programs differ in, line by line: the proof that no milling block was changed."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from html import escape
from pathlib import Path

import pandas as pd

from ...show import shown
from ..reading.source import Source, load

__all__ = ["Difference", "difference"]

#: Beyond this a comparison line by line would take minutes: all is then shown as removed and inserted.
_MOST_PAIRS = 25_000_000

_SHOWN = {"inserted": "+", "removed": "-", "same": " "}


@shown
@dataclass(frozen=True, eq=False)
class Difference:
    """Two programs, line by line.

    Attributes
    ----------
    table : DataFrame
        One row per line that only one of them has: ``kind`` ("inserted", "removed"), ``line_before`` and
        ``line_after`` (<NA> where there is none), ``text``. A changed line is one removed and one inserted.
    lines : tuple of (kind, line before or None, line after or None, text)
        All lines in order; kind also "same".
    """

    table: pd.DataFrame
    lines: tuple[tuple[str, int | None, int | None, str], ...]

    @property
    def unchanged(self) -> bool:
        """Whether every line of the first program stands in the second, in order and to the letter."""
        return not (self.table["kind"] == "removed").any()

    @property
    def sentence(self) -> str:
        """The result in words."""
        inserted, removed = (int((self.table["kind"] == kind).sum()) for kind in ("inserted", "removed"))
        if removed:
            return f"Lines of the milling program changed or missing: {removed}; new lines: {inserted}."
        same = len(self.lines) - inserted
        return (
            f"All {same} lines of the milling program are present, in order and unchanged; {inserted} lines are "
            "inserted."
        )

    def text(self, context: int = 3) -> str:
        """The differing lines with some lines around, marked ``+`` and ``-``.

        Parameters
        ----------
        context : int
            Lines around each difference.
        """
        rows = [
            "..." if row is None else f"{_SHOWN[row[0]]} {row[1] or '':>6} {row[2] or '':>6} {row[3]}"
            for row in self._near(context)
        ]
        return "\n".join(rows)

    def html(self, context: int = 3) -> str:
        """The same as an HTML table; all text is escaped.

        Parameters
        ----------
        context : int
            Lines around each difference.
        """
        rows = []
        for row in self._near(context):
            if row is None:
                rows.append('<tr class="gap"><td colspan="4">…</td></tr>')
                continue
            kind, before, after, text = row
            tag = {"inserted": "ins", "removed": "del", "same": "span"}[kind]
            rows.append(
                f'<tr class="{kind}"><td>{_SHOWN[kind]}</td><td>{before or ""}</td><td>{after or ""}</td>'
                f"<td><code><{tag}>{escape(text)}</{tag}></code></td></tr>"
            )
        head = "<tr><th></th><th>milling line</th><th>merged line</th><th>block</th></tr>"
        return f'<table class="difference"><thead>{head}</thead><tbody>{"".join(rows)}</tbody></table>'

    def _repr_html_(self) -> str:
        return f"<p>{escape(self.sentence)}</p>{self.html()}"

    def _near(self, context: int) -> list[tuple[str, int | None, int | None, str] | None]:
        """Lines within `context` of a difference, None for what is left out between."""
        places = [i for i, line in enumerate(self.lines) if line[0] != "same"]
        shown = sorted({j for i in places for j in range(max(0, i - context), min(len(self.lines), i + context + 1))})
        rows: list[tuple[str, int | None, int | None, str] | None] = []
        last = -1
        for index in shown:
            if index != last + 1:
                rows.append(None)
            rows.append(self.lines[index])
            last = index
        return [*rows, None] if last < len(self.lines) - 1 else rows


def difference(before: str | bytes | Path | Source, after: str | bytes | Path | Source) -> Difference:
    """Compare two programs line by line.

    Parameters
    ----------
    before, after : str, bytes, Path or Source
        A str is the text itself. The ends of lines (LF, CR LF, CR) are not compared; everything else is.

    Returns
    -------
    Difference
    """
    first, second = ([line.rstrip("\r\n") for line in load(program).lines] for program in (before, after))
    head = 0
    while head < min(len(first), len(second)) and first[head] == second[head]:
        head += 1
    tail = 0
    while tail < min(len(first), len(second)) - head and first[-1 - tail] == second[-1 - tail]:
        tail += 1
    lines: list[tuple[str, int | None, int | None, str]] = [("same", i + 1, i + 1, first[i]) for i in range(head)]
    middle = first[head : len(first) - tail], second[head : len(second) - tail]
    if not middle[0] or len(middle[0]) * len(middle[1]) > _MOST_PAIRS:
        opcodes = [("replace", 0, len(middle[0]), 0, len(middle[1]))]
    else:
        opcodes = difflib.SequenceMatcher(None, *middle, autojunk=False).get_opcodes()
    for kind, a, b, c, d in opcodes:
        if kind == "equal":
            lines += [("same", head + a + i + 1, head + c + i + 1, middle[0][a + i]) for i in range(b - a)]
        else:
            lines += [("removed", head + i + 1, None, middle[0][i]) for i in range(a, b)]
            lines += [("inserted", None, head + i + 1, middle[1][i]) for i in range(c, d)]
    lines += [
        ("same", len(first) - tail + i + 1, len(second) - tail + i + 1, first[len(first) - tail + i])
        for i in range(tail)
    ]
    table = pd.DataFrame(
        [line for line in lines if line[0] != "same"], columns=["kind", "line_before", "line_after", "text"]
    ).astype({"line_before": "Int64", "line_after": "Int64"})
    return Difference(table, tuple(lines))
