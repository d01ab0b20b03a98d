"""The page that is answered: its data blocks, the checksum that names it, and the places for answers.

A data block is a `<script>` that is not run: it has a type and an id. Browsers hand such text on unchanged when they
save a page, while they write the rest of the page in their own way. So the checksum that an answer names covers the
data blocks. The edition covers every other character of the page as probekit wrote it, and finds a changed headline; a
copy that a browser saved cannot keep it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..show import shown
from .answers import Answer, answers_from

__all__ = [
    "GIVEN",
    "SUBJECT",
    "Page",
    "block",
    "filled",
    "page_from",
    "page_hash",
    "read_answers",
    "read_page",
    "reading_page",
    "sealed",
]

#: Ids: of the block of answers, and of the block that says what the page is about, which is hashed.
GIVEN, SUBJECT = "given", "subject"

LONGEST_PAGE = 300_000_000  # bytes

_SCRIPT = re.compile(r"<script([^>]*)>(.*?)</script>", re.DOTALL)
_BLOCK = re.compile(r' type="[\w.+/-]+" id="([a-z][a-z0-9-]*)"')
_SECTION = re.compile(r'<section id="answers" data-page="([0-9a-f]*)" data-edition="([0-9a-f]*)">')
_READING = re.compile(r'<meta name="probekit-page" content="([0-9a-f]*)">')  # a page without a place for answers
_PLACES = ("decision", "said")  # elements that answers are written into, for a reader without script


@shown
@dataclass(frozen=True)
class Page:
    """A page that can be answered.

    Attributes
    ----------
    text : str
        The whole page.
    hash, edition : str
        SHA-256 of its data blocks, and the edition that it names; 64 hex digits.
    intact : bool
        Whether the text is that of the edition: as probekit wrote it, but for the answers.
    subject : mapping
        What the page is about: title, verdict, tolerances, regions.
    given : tuple of Answer
        The answers that it holds.
    source : str
        Where it came from.
    """

    text: str = field(repr=False)
    hash: str
    edition: str
    intact: bool
    subject: Mapping[str, Any]
    given: tuple[Answer, ...]
    source: str = "page"

    @property
    def sentence(self) -> str:
        """Which page, of what, with how many answers."""
        about = f"{self.subject.get('title', '')}: {self.subject.get('verdict', '')}"
        return f"page {self.hash[:8]} of {about}, {len(self.given)} answers"


def read_page(path: str | Path) -> Page:
    """Read a page, and check that its data are those that it was made with.

    Parameters
    ----------
    path : str or Path
        The HTML file.

    Returns
    -------
    Page

    Raises
    ------
    InputError
        If it cannot be read, is not a page that can be answered, or its data blocks were changed.
    """
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(LONGEST_PAGE + 1)
        if len(data) > LONGEST_PAGE:
            raise InputError("the file is too long for a page", file=path, expected=f"at most {LONGEST_PAGE} bytes")
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"the page cannot be read ({getattr(error, 'strerror', None) or error})", file=path) from None
    return page_from(text, source=str(path))


def page_from(text: str, *, source: str = "page") -> Page:
    """A page from its text, checked as `read_page` says."""
    text = text.replace("\r\n", "\n")
    blocks, sections = _blocks(text, source), _SECTION.findall(text)
    if len(sections) != 1 or SUBJECT not in blocks or GIVEN not in blocks:
        raise InputError(
            "this page has no place for answers",
            file=source,
            todo="Only the report page of an inspection can be answered: make it again with probekit inspect.",
        )
    stated, edition = sections[0]
    found = page_hash(blocks.items())
    if found != stated:
        raise InputError(
            "the data of this page are not those that it was made with: it was changed or damaged",
            file=source,
            found=found[:8],
            expected=f"the checksum {stated[:8]} that it states",
            todo="Ask for the page again where it was made, and do not use this one.",
        )
    given = answers_from(blocks[GIVEN], f"{source}, its answers")
    return Page(text, found, edition, edition == _edition(text), _subject(blocks[SUBJECT], source), given, source)


def read_answers(data: bytes, *, source: str = "answer") -> tuple[Answer, ...]:
    """Read what somebody sent back: an answer as JSON, a list of them, or a page that was saved with answers.

    Parameters
    ----------
    data : bytes
        The content of the file, UTF-8.
    source : str
        What messages call it.

    Returns
    -------
    tuple of Answer

    Raises
    ------
    InputError
        If it is neither, holds no answer, is damaged, or holds what an answer never does: the message says where.
    """
    text = _decoded(data, source)
    if text[:200].lstrip().lower().startswith(("<!doctype", "<html")):
        given = page_from(text, source=source).given
        if not given:
            raise InputError(
                "the page holds no answer",
                file=source,
                todo="Answer on the page, press 'Save this page with my answer', and give the file that this makes.",
            )
        return given
    return answers_from(text, source, alone=True)


def page_hash(blocks: Iterable[tuple[str, str]]) -> str:
    """SHA-256 of the data blocks, in their order: the id, a line feed, the text, a line feed; answers left out."""
    digest = hashlib.sha256()
    for name, text in blocks:
        if name != GIVEN:
            digest.update(f"{name}\n{text}\n".encode())
    return digest.hexdigest()


def block(name: str, data: Any) -> str:
    """A data block: JSON that cannot end its own element, whatever text it holds."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    text = text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return f'<script type="application/json" id="{name}">{text}</script>'


def sealed(text: str) -> str:
    """The text of a new page with its checksums filled in: of its data and edition, or of a page for reading alone."""
    if not _SECTION.search(text):
        return _READING.sub(lambda _: _reading(_as_written(text)), text, count=1)
    text = _stating(text, page_hash(_blocks(text, "page").items()), "")
    return _SECTION.sub(lambda m: _opening(m[1], _edition(text)), text)


def filled(page: Page, answers: Iterable[Answer], html: Mapping[str, str]) -> str:
    """The text of the page with these answers in place of those that it held.

    Parameters
    ----------
    page : Page
        The page.
    answers : iterable of Answer
        For its block.
    html : mapping
        HTML of "decision" and "said", with all text escaped, and no `<div>` in it.
    """
    new = block(GIVEN, [one.data for one in answers])
    text = re.sub(rf'<script [^>]*id="{GIVEN}">.*?</script>', lambda _: new, page.text, flags=re.DOTALL)
    for name in _PLACES:
        text = _place(name).sub(lambda m, inner=html[name]: f"{m[1]}{inner}{m[3]}", text)  # type: ignore[misc]
    return text


def _blocks(text: str, source: str) -> dict[str, str]:
    """Text of each data block by its id; what a browser could read otherwise than these lines is refused."""
    found: dict[str, str] = {}
    scripts = _SCRIPT.findall(text)
    outside = _SCRIPT.sub("", text).lower()
    strange = len(scripts) != text.lower().count("<script") or "<!--" in outside
    for attributes, inner in scripts:
        name = _BLOCK.fullmatch(attributes)
        strange = strange or (name is None and attributes != "") or (name is not None and name[1] in found)
        if name is not None:
            found[name[1]] = inner
    strange = strange or any(f'id="{name}"' in outside or f"id={name}" in outside for name in found)
    if strange:
        raise InputError(
            "the page holds what probekit does not write: it was changed",
            file=source,
            todo="Ask for the page again where it was made, and do not use this one.",
        )
    return found


def _subject(text: str, source: str) -> Mapping[str, Any]:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not isinstance(found.get("verdict"), str):
        raise InputError("the page does not say what it is about", file=source)
    return found


def reading_page(text: str, *, source: str = "page") -> Page:
    """A page of probekit that is for reading alone: a plan, a history, two parts side by side.

    Parameters
    ----------
    text : str
        The page.
    source : str
        What messages call it.

    Returns
    -------
    Page
        With the checksum of its text as `hash`, and its title as the subject.

    Raises
    ------
    InputError
        If it is no such page, or its text is not as probekit wrote it.
    """
    text = text.replace("\r\n", "\n")
    _blocks(text, source)
    stated = _READING.findall(text)
    if len(stated) != 1:
        raise InputError("this is no page of probekit", file=source)
    found = _as_written(text)
    title = re.search(r"<title>([^<]*)</title>", text)
    subject = {"title": unescape(title[1]) if title else source, "verdict": "", "stamp": ""}
    return Page(text, found, found, found == stated[0], subject, (), source)


def _as_written(text: str) -> str:
    """SHA-256 of a page for reading, with the place of this checksum left empty."""
    return hashlib.sha256(_READING.sub(lambda _: _reading(""), text, count=1).encode("utf-8")).hexdigest()


def _reading(checksum: str) -> str:
    return f'<meta name="probekit-page" content="{checksum}">'


def _stating(text: str, page: str, edition: str) -> str:
    return _SECTION.sub(lambda _: _opening(page, edition), text)


def _opening(page: str, edition: str) -> str:
    return f'<section id="answers" data-page="{page}" data-edition="{edition}">'


def _edition(text: str) -> str:
    """SHA-256 of the page with its answers and the edition itself left out."""
    text = re.sub(rf'(<script [^>]*id="{GIVEN}">).*?(</script>)', r"\1[]\2", text, flags=re.DOTALL)
    for name in _PLACES:
        text = _place(name).sub(r"\1\3", text)
    return hashlib.sha256(_SECTION.sub(lambda m: _opening(m[1], ""), text).encode("utf-8")).hexdigest()


def _place(name: str) -> re.Pattern[str]:
    return re.compile(rf'(<div id="{name}"[^>]*>)(.*?)(</div>)', re.DOTALL)


def _decoded(data: bytes, source: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"the file is not UTF-8 text (byte {error.start})", file=source, todo="Ask for the file again."
        ) from None
