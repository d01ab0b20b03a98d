"""Still plots of the page: pieces of SVG whose numbers and words the page can turn into inches and other languages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from urllib.parse import quote

from ..scene.glyphs import name_of
from .language import mark, say
from .words import number

__all__ = [
    "DOT",
    "Axes",
    "bar",
    "line",
    "named",
    "names_apart",
    "part_mark",
    "svg",
    "symbol_at",
    "text",
    "value",
]

#: Stands between what is said in one line.
DOT = " \N{MIDDLE DOT} "

_CHARACTER = 6.2  # width of a letter or figure of 11 px [px]


@dataclass(frozen=True)
class Axes:
    """Where numbers lie in a picture: `low` to `high` of x and y onto its frame [px], which y fills upwards."""

    x: tuple[float, float]
    y: tuple[float, float]
    left: float
    right: float
    top: float
    bottom: float

    def at_x(self, value: float) -> float:
        """Place of a number along x [px]."""
        return self.left + (value - self.x[0]) / (self.x[1] - self.x[0]) * (self.right - self.left)

    def at_y(self, value: float) -> float:
        """Place of a number along y [px]."""
        return self.bottom - (value - self.y[0]) / (self.y[1] - self.y[0]) * (self.bottom - self.top)


def svg(parts: Iterable[str], wide: float, high: float, label: str, *, links: bool = False) -> str:
    """A picture; `label` is the key of the words that name it, `links` whether touches in it are links."""
    role = "group" if links else "img"
    return (
        f'<svg class="plot" viewBox="0 0 {wide:g} {high:g}" role="{role}" aria-label="{escape(say(label))}" '
        f'data-w-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def value(
    x: float, y: float, length: float, digits: int, *, signed: bool = False, unit: bool = False, anchor: str = "middle"
) -> str:
    """A length [mm] as text in a picture, which the unit switch rewrites, with the unit if it is wanted."""
    said = f'<tspan class="q" data-mm="{length:.7g}" data-n="{digits}">{number(length, digits, signed=signed)}</tspan>'
    more = ' <tspan class="unit">mm</tspan>' if unit else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{said}{more}</text>'


def named(x: float, y: float, key: str, *, unit: bool = False, anchor: str = "middle") -> str:
    """Words by their key as text in a picture, with the unit if it is wanted."""
    more = ', <tspan class="unit">mm</tspan>' if unit else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{mark(key, "tspan")}{more}</text>'


def text(x: float, y: float, said: str, *, anchor: str = "middle", kind: str = "") -> str:
    """A text as it is."""
    of = f' class="{kind}"' if kind else ""
    return f'<text{of} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(said)}</text>'


def line(kind: str, *points: tuple[float, float]) -> str:
    """Straight pieces from place to place [px], in the style of a class."""
    return f'<path class="{kind}" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in points)}"/>'


def bar(x: float, low: float, high: float, half: float = 4.0) -> str:
    """An upright bar with an end piece at each end [px], which can be seen on a symbol."""
    ends = "".join(f"M{x - half:.1f} {y:.1f}h{2 * half:g}" for y in (low, high))
    return f'<path class="whisker" d="M{x:.1f} {low:.1f}V{high:.1f}{ends}"/>'


def symbol_at(x: float, y: float, word: str, size: float = 12.0, *, touch: str = "", label: str = "") -> str:
    """The flat symbol of a word; a link to the touch if it is one of the page."""
    use = (
        f'<use href="#s-{name_of(word)}" x="{x - size / 2:.1f}" y="{y - size / 2:.1f}" '
        f'width="{size:g}" height="{size:g}"/>'
    )
    if not touch:
        return use
    return f'<a href="#touch={escape(quote(touch, safe=""))}" tabindex="-1" aria-label="{escape(label)}">{use}</a>'


def part_mark(x: float, y: float, word: str, *, large: bool = False) -> str:
    """The mark of a verdict on a part or a tolerance: a disc, a triangle, a square standing on its corner."""
    r = 6.5 if large else 4.0
    shape = {
        "conforms": f"m{-r:g} 0a{r:g} {r:g} 0 1 0 {2 * r:g} 0a{r:g} {r:g} 0 1 0 {-2 * r:g} 0z",
        "does not conform": f"m0 {-1.2 * r:g}l{1.1 * r:g} {2 * r:g}h{-2.2 * r:g}z",
    }.get(word, f"m0 {-1.2 * r:g}l{1.2 * r:g} {1.2 * r:g}l{-1.2 * r:g} {1.2 * r:g}l{-1.2 * r:g} {-1.2 * r:g}z")
    kind = {"conforms": "good", "does not conform": "bad"}.get(word, "open")
    return f'<path class="part {kind}" d="M{x:.1f} {y:.1f}{shape}"/>'


def names_apart(
    places: Iterable[tuple[float, float, str]], top: float, bottom: float
) -> list[tuple[float, float, str]]:
    """Names above their places [px], moved up or down until none covers another; those without room are left out."""
    put: list[tuple[float, float, str]] = []
    for x, y, name in places:
        for up in (y - 9, y + 18, y - 21, y + 30):
            free = all(
                abs(x - other) > _CHARACTER * (len(name) + len(known)) / 2 + 3 or abs(up - beside) > 11
                for other, beside, known in put
            )
            if free and top + 8 <= up <= bottom - 2:
                put.append((x, up, name))
                break
    return put
