"""The frame of a release sheet: page, head, sections, findings and checks, the trial, where it is signed."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path

from ...files import store
from .findings import Findings
from .sheet_tables import table

__all__ = [
    "checks_of",
    "findings_of",
    "finished",
    "head_of",
    "section",
    "signatures",
    "ticks",
    "trial_of",
]

_SIGNS = {
    "stop": "■ STOP",
    "look": "▲ LOOK",
    "note": "• note",
    "nothing found": "○ nothing found",
    "not made": "□ NOT MADE",
}
_CLASS = {"nothing found": "nothing", "not made": "missing"}


def finished(title: str, parts: Iterable[str], to: str | Path | None) -> str:
    """A whole sheet of its parts in HTML, written to a file if one is named."""
    style = files(__package__).joinpath("release.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    page = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'sha256-{digest}'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}: release sheet</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n<main>{''.join(parts)}</main>\n</body>\n</html>\n"
    )
    if to is not None:
        store(to, page.encode("utf-8"))
    return page


def head_of(title: str, file: str, digest: str, state: str, told: str) -> str:
    """The top of a sheet: of which file it is, in HTML, with its checksum, its state in a word, and what that means."""
    return (
        f"<h1>{escape(title)}: release sheet</h1>"
        f'<p class="soft">{file}, SHA-256 <code>{digest[:32]}</code> <code>{digest[32:]}</code></p>'
        f'<div class="state"><strong>{state}</strong>{told}</div>'
    )


def section(heading: str, inner: str) -> str:
    """A part of a sheet; the heading is escaped."""
    return f"<section><h2>{escape(heading)}</h2>{inner}</section>"


def findings_of(findings: Findings) -> str:
    """What the checks found."""
    if not len(findings):
        return "<p>This is not a guarantee: the checks know only what they were given.</p>"
    rows = []
    for found in findings:
        line = f"line {found.line}: " if found.line else ""
        rows.append(
            f'<li class="{found.severity}"><p><span class="word {found.severity}">{_SIGNS[found.severity]}</span> '
            f'{line}{escape(found.what)}</p><p class="todo">{escape(found.todo)}</p></li>'
        )
    return f'<ul class="findings">{"".join(rows)}</ul>'


def ticks(texts: Iterable[str]) -> str:
    """Sentences to tick."""
    items = "".join(f'<li><span class="box"></span><span>{escape(text)}</span></li>' for text in texts)
    return f'<ul class="cautions">{items}</ul>'


def checks_of(findings: Findings) -> str:
    """Each check and its result."""
    rows = []
    for made in findings.checks:
        result = findings.result(made)
        sign = f'<span class="word {_CLASS.get(result, result)}">{_SIGNS[result]}</span>'
        why = f' <span class="soft">({escape(made.skipped)})</span>' if made.skipped else ""
        rows.append(f"<li>{sign}<span>{escape(made.about)}{why}</span></li>")
    return f'<ul class="checks">{"".join(rows)}</ul>'


def trial_of(rows: Sequence[tuple[str, str, str, str]]) -> str:
    """The table of a trial."""
    head = ("scenario", "what is not as planned", "expected", "found")
    note = (
        '<p class="soft">A model with one fault at a time: it proves nothing about the real machine. What is marked '
        "NOT SO the program does not catch: a person must exclude it before the program runs.</p>"
    )
    return note + table(head, rows)


def signatures() -> str:
    """Where it is signed."""
    rows = (
        "Set-up, tools and offsets checked",
        "Dry run completed, by the dry-run program",
        "First run in single block completed",
        "Released for this machine (qualified person)",
    )
    labels = ("name", "date and time", "signature")
    cells = "".join(f'<td data-label="{label}"></td>' for label in labels)
    body = "".join(f"<tr><td>{escape(row)}</td>{cells}</tr>" for row in rows)
    head = "".join(f"<th>{label}</th>" for label in ("", *labels))
    return f'<table class="sign"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
