"""Feature control frames as text and as SVG, drawn from the symbols of ASME Y14.5 and ISO 1101.

Our own drawing of the standard's symbols, in a box of 24 units: strokes only, so that they take the colour of the text
around them.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

__all__ = ["SYMBOLS", "frame_svg", "frame_text"]

#: Characteristic -> Unicode character, and strokes of an SVG path.
SYMBOLS: dict[str, tuple[str, str]] = {
    "straightness": ("\u23e4", "M3 12H21"),
    "flatness": ("\u23e5", "M2 18H15L22 6H9Z"),
    "circularity": ("\u25cb", "M4 12a8 8 0 1 0 16 0a8 8 0 1 0 -16 0"),
    "cylindricity": ("\u232d", "M7 12a5 5 0 1 0 10 0a5 5 0 1 0 -10 0M3.5 19L9.5 3M14.5 21L20.5 5"),
    "profile of a line": ("\u2312", "M3 17A9 9 0 0 1 21 17"),
    "profile of a surface": ("\u2313", "M3 17A9 9 0 0 1 21 17Z"),
    "parallelism": ("\u2225", "M6 20L12 4M12 20L18 4"),
    "perpendicularity": ("\u27c2", "M4 20H20M12 20V4"),
    "angularity": ("\u2220", "M20 19H4L17 5"),
    "position": ("\u2316", "M6.5 12a5.5 5.5 0 1 0 11 0a5.5 5.5 0 1 0 -11 0M12 2V22M2 12H22"),
    "circular runout": ("\u2197", "M5 20L19 5M12.5 6.5L19 5L18 11.5"),
    "total runout": ("\u2330", "M3 20L11.5 7M6.5 9L11.5 7V12.5M12 20L20.5 7M15.5 9L20.5 7V12.5M3 20H12"),
}

_CIRCLED = {"M": "\u24c2", "L": "\u24c1", "U": "\u24ca", "P": "\u24c5", "T": "\u24c9"}
_DIAMETER, _DYNAMIC, _TRANSLATED = "\u2300", "\u25b3", "\u25b7"
_HEIGHT, _PAD, _WIDE = 32.0, 8.0, 9.2
#: Circles at the knee of the leader: as text, and their radii.
_LEADER = {"all around": ("\u25cb", (5.0,)), "all over": ("\u25ce", (5.0, 8.5))}


def frame_text(symbol: str, rows: Sequence[Sequence[str]], *, around: str = "", beside: str = "") -> str:
    """Feature control frame as text: the symbol, then the cells of each row.

    Parameters
    ----------
    symbol : str
        A key of `SYMBOLS`.
    rows : sequence of sequences of str
        Cells; in them (M), (L), (U), (P), (T) stand for the circled letters, (D) for the dynamic triangle, (>) for
        the triangle of a datum that translates and "dia " for the diameter sign.
    around : str
        "all around" (a circle at the leader), "all over" (two circles), or "".
    beside : str
        What is written beside the frame, such as SEP REQT.
    """
    lead = SYMBOLS[symbol][0]
    lines = []
    for k, cells in enumerate(rows):
        first = lead if k == 0 else " "
        leader = _LEADER.get(around, ("", ()))[0]
        leader = leader if k == 0 else " " * len(leader)
        lines.append(leader + "│ " + " │ ".join([first, *(_as_text(cell) for cell in cells)]) + " │")
    lines[0] += f" {beside}" if beside else ""
    return "\n".join(lines)


def frame_svg(symbol: str, rows: Sequence[Sequence[str]], *, title: str, around: str = "", beside: str = "") -> str:
    """Feature control frame as an SVG element.

    Parameters
    ----------
    symbol, rows, around, beside
        See `frame_text`.
    title : str
        Text for those who cannot see it.
    """
    parts, width = [], 2 * _HEIGHT
    height = _HEIGHT * len(rows)
    parts.append(
        f'<rect x="1" y="1" width="{_HEIGHT + 6:g}" height="{height:g}"/>'
        f'<path d="{SYMBOLS[symbol][1]}" transform="translate(8 {1 + height / 2 - 12:g})"/>'
    )
    for k, cells in enumerate(rows):
        left, top = _HEIGHT + 7, 1 + k * _HEIGHT
        for cell in cells:
            marks = _marks(cell)
            wide = sum(_width(mark) for mark in marks) + 2 * _PAD
            parts.append(f'<rect x="{left:g}" y="{top:g}" width="{wide:g}" height="{_HEIGHT:g}"/>')
            at = left + _PAD
            for mark in marks:
                parts.append(_drawn(mark, at, top + _HEIGHT / 2))
                at += _width(mark)
            left += wide
        width = max(width, left + 1)
    left, circles = _leader(around, 1 + height / 2)
    if beside:
        parts.append(_drawn(beside, width + _PAD, 1 + _HEIGHT / 2))
        width += 2 * _PAD + _WIDE * len(beside)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width + left:g}" height="{height + 2:g}" role="img" '
        f'viewBox="{-left:g} 0 {width + left:g} {height + 2:g}" aria-label="{escape(title)}"><title>{escape(title)}'
        '</title><g fill="none" stroke="currentColor" stroke-width="1.6" stroke-linejoin="round">'
        f"{''.join(parts)}{circles}</g></svg>"
    )


def _leader(around: str, y: float) -> tuple[float, str]:
    """Room that the leader takes to the left of the frame, and the leader with its circles."""
    radii = _LEADER.get(around, ("", ()))[1]
    if not radii:
        return 0.0, ""
    rings = "".join(f'<circle cx="-16" cy="{y:g}" r="{radius:g}"/>' for radius in radii)
    return 32.0, f'<path d="M1 {y:g}H-16L-30 {y + 14:g}"/>{rings}'


def _as_text(cell: str) -> str:
    for letter, circled in _CIRCLED.items():
        cell = cell.replace(f"({letter})", circled)
    return cell.replace("(>)", _TRANSLATED).replace("(D)", _DYNAMIC).replace("dia ", _DIAMETER)


def _marks(cell: str) -> list[str]:
    """A cell cut into plain text and marks: "(M)", "(D)", "dia "."""
    import re

    return [mark for mark in re.split(r"(\([MLUPTD>]\)|dia )", cell) if mark]


def _width(mark: str) -> float:
    return 22.0 if mark == "dia " or (len(mark) == 3 and mark[0] == "(") else _WIDE * len(mark)


def _drawn(mark: str, x: float, y: float) -> str:
    if mark == "dia ":
        return f'<path d="M{x + 3:g} {y:g}a6 6 0 1 0 12 0a6 6 0 1 0 -12 0M{x + 3:g} {y + 9:g}L{x + 15:g} {y - 9:g}"/>'
    if mark == "(>)":
        return f'<path d="M{x + 4:g} {y - 8:g}V{y + 8:g}L{x + 18:g} {y:g}Z"/>'
    if mark == "(D)":
        return f'<path d="M{x + 3:g} {y + 7:g}H{x + 19:g}L{x + 11:g} {y - 7:g}Z"/>'
    text = mark[1] if len(mark) == 3 and mark[0] == "(" and mark[1] in _CIRCLED else mark
    circle = f'<circle cx="{x + 11:g}" cy="{y:g}" r="9"/>' if text != mark else ""
    place = f'x="{x + 11:g}" text-anchor="middle"' if circle else f'x="{x:g}"'
    size = 12 if circle else 15
    return circle + (
        f'<text {place} y="{y + size * 0.36:g}" font-size="{size}" font-family="ui-monospace, monospace" '
        f'fill="currentColor" stroke="none" textLength="{_WIDE * len(text) if not circle else size * 0.6:g}" '
        f'lengthAdjust="spacingAndGlyphs">{escape(text)}</text>'
    )
