"""What a visitor sees beside the pages: the way in, and the list of pages."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from ..report.page import checksum
from ..settle.merging import CAUTION, Settlement
from .links import Link
from .pages import SharedPage

__all__ = ["ENTRY_HEADERS", "INDEX_HEADERS", "entry", "index"]

_SIGNS = {"conforms": "good", "does not conform": "bad", "undecided": "open"}


def _asset(name: str) -> str:
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")


def _headers(script: str) -> dict[str, str]:
    script_sum, style_sum = checksum(_asset(script)), checksum(_asset("share.css"))
    return {
        "Content-Security-Policy": (
            f"default-src 'none'; script-src '{script_sum}'; style-src '{style_sum}'; "
            "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
    }


ENTRY_HEADERS, INDEX_HEADERS = _headers("entry.js"), _headers("index.js")


@cache
def entry() -> str:
    """The way in: takes the token out of the address, where no proxy and no other site sees it."""
    return Template(_asset("entry.html")).substitute(style=_asset("share.css"), script=_asset("entry.js"))


def index(link: Link, pages: Sequence[tuple[SharedPage, Settlement]], last: int) -> str:
    """The pages that a link shows, each with its verdict and what was answered.

    Parameters
    ----------
    link : Link
        By which they are looked at.
    pages : sequence of (SharedPage, Settlement)
    last : int
        Number of the last entry that this shows.
    """
    who = escape(f"{link.name}, {link.role}" if link.role else link.name)
    may = "You can answer" if link.answers else "You can read"
    return Template(_asset("index.html")).substitute(
        style=_asset("share.css"),
        script=_asset("index.js"),
        who=f"{who}. {may} until {escape(link.expires[:10])}.",
        items="".join(_item(one, settled) for one, settled in pages),
        caution=escape(CAUTION),
        last=last,
    )


def _item(one: SharedPage, settled: Settlement) -> str:
    if not one.answered:
        return (
            f'<li><a href="/p/{one.id}"><b>{escape(str(one.page.subject["title"]))}</b></a>'
            f'<p class="small">For reading. {escape(one.name)}, page {one.page.hash[:8]}</p></li>'
        )
    subject, count = one.page.subject, len(settled.answers)
    verdict = str(subject["verdict"])
    stamp = f'<p class="small">{escape(str(subject["stamp"]))}</p>' if subject.get("stamp") else ""
    answers = f"{count} answer{'s' * (count != 1)}, the last {settled.answers[-1].date[:10]}. " if count else ""
    kind = "against" if settled.decision == "contradiction" else "settled" if settled.sides else "open"
    return (
        f'<li><a href="/p/{one.id}"><b>{escape(str(subject.get("title", one.name)))}</b></a> '
        f'<span class="word {_SIGNS.get(verdict, "open")}">{escape(verdict)}</span>{stamp}'
        f'<p class="said {kind}">{answers}{escape(settled.sentence)}</p>'
        f'<p class="small">{escape(one.name)}, page {one.page.hash[:8]}</p></li>'
    )
