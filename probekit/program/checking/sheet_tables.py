"""Tables of the release sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

__all__ = ["scroll", "table"]


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    numbers: Iterable[int] = (),
    code: int | None = None,
    tall: bool = False,
) -> str:
    """A table that scrolls by itself; all text is escaped.

    Parameters
    ----------
    head : sequence of str
    rows : sequence of sequences of str
    numbers : iterable of int
        Columns of numbers.
    code : int, optional
        Column of program text.
    tall : bool
        Whether it also scrolls downwards.
    """
    right = set(numbers)

    def row(cells: Sequence[str], tag: str) -> str:
        made = []
        for column, cell in enumerate(cells):
            inner = f"<code>{escape(cell)}</code>" if column == code and tag == "td" else escape(cell)
            tag = tag if cell or tag == "td" else "td"  # a head without words is no head
            made.append(f'<{tag} class="n">{inner}</{tag}>' if column in right else f"<{tag}>{inner}</{tag}>")
        return f"<tr>{''.join(made)}</tr>"

    body = "".join(row(cells, "td") for cells in rows)
    return scroll(f"<table><thead>{row(head, 'th')}</thead><tbody>{body}</tbody></table>", head[0], tall)


def scroll(table: str, label: str, tall: bool = False) -> str:
    """HTML that scrolls by itself, by mouse and by keys."""
    kind = "scroll tall" if tall else "scroll"
    return f'<div class="{kind}" tabindex="0" role="region" aria-label="{escape(label)}">{table}</div>'
