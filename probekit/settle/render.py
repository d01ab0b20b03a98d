"""Answers as HTML, and the page with them. What people wrote is text, and stays text."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from .answers import Answer, Comment
from .merging import SHORT_CAUTION, Settlement
from .pages import Page, filled
from .signing import UNSIGNED

__all__ = ["decision_html", "render", "said_html"]


def render(page: Page, settlement: Settlement) -> str:
    """The text of the page with the answers in it and the decision in its headline.

    Parameters
    ----------
    page : Page
        The page that was answered.
    settlement : Settlement
        What its answers come to, from `merge`.
    """
    html = {"decision": decision_html(settlement), "said": said_html(settlement)}
    return filled(page, settlement.answers, html)


def decision_html(settlement: Settlement) -> str:
    """The decision, for the headline; contradictions beside each other, with reasons."""
    if not settlement.answers:
        return ""
    sides = "".join(
        f"<li><b>{escape(what)}</b><ul>{''.join(_stand(one) for one in people)}</ul></li>"
        for what, people in settlement.sides
    )
    lines = [f'<p class="settled {_kind(settlement)}">{escape(settlement.sentence)}</p>']
    lines += [f'<ul class="sides">{sides}</ul>'] if sides else []
    lines += [f'<p class="warn">{escape(one)}</p>' for one in settlement.warnings]
    lines += [f'<p class="small">{SHORT_CAUTION}</p>']
    return "".join(lines)


def said_html(settlement: Settlement) -> str:
    """All answers, by date, and what is to be known of them."""
    if not settlement.answers:
        return ""
    items = "".join(_item(one, settlement) for one in settlement.answers)
    notes = "".join(f'<p class="small">{escape(one)}</p>' for one in settlement.notes)
    return f'<ol class="said">{items}</ol>{notes}'


def _kind(settlement: Settlement) -> str:
    return {"open": "open", "contradiction": "against"}.get(settlement.decision, "agreed")


def _stand(answer: Answer) -> str:
    return f"<li>{escape(answer.who)}: {escape(answer.reason)}</li>"


def _item(answer: Answer, settlement: Settlement) -> str:
    said = f"<b>{escape(answer.disposition)}</b>" if answer.disposition else "comment"
    old = " <em>replaced by a later answer of this name</em>" if answer.id in settlement.replaced else ""
    reason = f'<p class="text">{escape(answer.reason)}</p>' if answer.reason else ""
    comments = "".join(
        f'<li>{_place(one)}: <span class="text">{escape(one.text)}</span></li>' for one in answer.comments
    )
    signed = settlement.signatures.get(answer.id, UNSIGNED)
    return (
        f"<li><p>{said}, {escape(answer.who)}, <time>{escape(_when(answer.date))}</time>{old}</p>{reason}"
        f"{f'<ul>{comments}</ul>' if comments else ''}"
        f'<p class="small">{escape(signed)}; to page {answer.page[:8]}</p></li>'
    )


def _place(comment: Comment) -> str:
    if comment.on == "part":
        return "on the part"
    name = f"{escape(comment.on)} {escape(comment.id)}"
    return (
        f'on <a href="#touch={escape(quote(comment.id, safe=""))}">{name}</a>'
        if comment.on == "touch"
        else f"on {name}"
    )


def _when(date: str) -> str:
    return f"{date[:10]} {date[11:16]} UTC"
