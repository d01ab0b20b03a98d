"""Answers as data: what one person says to one page, read from JSON that nobody trusts."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from typing import Any

from ..errors import InputError
from ..show import shown

__all__ = ["DISPOSITIONS", "LONGEST_ANSWER", "Answer", "Comment", "answer_from", "answers_from", "canonical", "schema"]

#: What may be done with a part, in the words of the trade; ISO 9000 calls the release of a part that does not conform a
#: concession.
DISPOSITIONS = ("accept", "re-cut", "touch again", "concession", "scrap")

#: What a comment may be on.
PLACES = ("part", "tolerance", "region", "touch")

KIND = "answer 1"  # what the JSON says it is, with its version
LONGEST_ANSWER = 20_000  # bytes of one answer as JSON
LONGEST_NAME, LONGEST_TEXT, MOST_COMMENTS, MOST_ANSWERS = 120, 4000, 100, 1000

_REQUIRED = ("probekit", "page", "edition", "name", "role", "date", "disposition", "reason", "comments")
_HEX = re.compile(r"[0-9a-f]{64}")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")  # marks that make text read otherwise than it is stored


@shown
@dataclass(frozen=True)
class Comment:
    """What is said of one place.

    Attributes
    ----------
    on : str
        "part", "tolerance", "region" or "touch".
    id : str
        Which one; empty for the part.
    text : str
        At most 4000 characters; never HTML.
    """

    on: str
    id: str
    text: str

    @property
    def sentence(self) -> str:
        """Where, and what."""
        return f"on {self.on}{f' {self.id}' if self.id else ''}: {self.text}"


@shown
@dataclass(frozen=True)
class Answer:
    """What one person says to one page.

    Attributes
    ----------
    page : str
        SHA-256 of the data blocks of the page that was answered, 64 hex digits.
    edition : str
        SHA-256 of the text of that page without its answers, as the page names it.
    name, role : str
        Who, as typed, or as the invitation says; the role may be empty.
    date : str
        When, in UTC, like 2026-11-29T22:15:00Z, by the clock of whoever answered.
    disposition : str
        One of `DISPOSITIONS`; empty if there are only comments.
    reason : str
        Why; never empty with a disposition.
    comments : tuple of Comment
    key, signature : str
        Ed25519 public key and signature, base64; empty if the answer is not signed.
    """

    page: str
    edition: str
    name: str
    role: str
    date: str
    disposition: str = ""
    reason: str = ""
    comments: tuple[Comment, ...] = ()
    key: str = ""
    signature: str = ""

    @property
    def sentence(self) -> str:
        """Who, what, why."""
        said = f"{self.disposition}: {self.reason}" if self.disposition else f"{len(self.comments)} comments"
        return f"{self.who} to page {self.page[:8]}, {said}"

    @property
    def who(self) -> str:
        """Name, and role if there is one."""
        return f"{self.name}, {self.role}" if self.role else self.name

    @property
    def id(self) -> str:
        """SHA-256 of what is said, 64 hex digits; the signature does not change it."""
        return hashlib.sha256(canonical(self)).hexdigest()

    @property
    def data(self) -> dict[str, Any]:
        """The answer as its JSON file holds it."""
        plain: dict[str, Any] = {
            "probekit": KIND,
            **{name: getattr(self, name) for name in _REQUIRED[1:-1]},
            "comments": [{"on": one.on, "id": one.id, "text": one.text} for one in self.comments],
        }
        if self.signature:
            plain["signature"] = {"key": self.key, "value": self.signature}
        return plain


def canonical(answer: Answer) -> bytes:
    """The bytes that are signed and hashed: JSON of all but the signature, in the form of RFC 8785.

    All values are text, and the keys ASCII, so that sorting and escaping by the standard library give that form.
    """
    plain = {name: value for name, value in answer.data.items() if name != "signature"}
    return json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode("utf-8")


def schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12) of one answer."""
    text = files(__package__).joinpath("answer.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def answers_from(text: str, source: str, *, alone: bool = False) -> tuple[Answer, ...]:
    """Answers of a JSON text: a list, or, if `alone`, one answer as well."""
    size = len(text.encode("utf-8", "surrogatepass"))
    if size > (MOST_ANSWERS * LONGEST_ANSWER):
        raise InputError("the file is too long for answers", file=source, found=size)
    try:
        found = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except RecursionError:
        raise InputError("the JSON is nested too deeply to be an answer", file=source) from None
    except ValueError as error:
        raise InputError(
            f"this is not the JSON of an answer ({error})",
            file=source,
            todo="It was cut or changed on its way: ask for the file again.",
        ) from None
    listed = [found] if alone and isinstance(found, dict) else found
    if not isinstance(listed, list) or len(listed) > MOST_ANSWERS or (alone and not listed):
        raise InputError(
            "this is not the JSON of an answer", file=source, expected=f"an answer, or a list of 1 to {MOST_ANSWERS}"
        )
    return tuple(
        answer_from(one, source=source if len(listed) == 1 else f"{source}, answer {k + 1}")
        for k, one in enumerate(listed)
    )


def answer_from(found: object, *, source: str = "answer") -> Answer:
    """One answer from plain data, with every key checked.

    Parameters
    ----------
    found : object
        What JSON gave.
    source : str
        What messages call it.

    Raises
    ------
    InputError
        For a key that is missing, unknown, or of another kind; too long a text; characters that are not text.
    """
    if not isinstance(found, Mapping):
        raise InputError("an answer is a JSON object", file=source, found=type(found).__name__)
    _keys(found, _REQUIRED, ("signature",), source)
    if found["probekit"] != KIND:
        raise InputError(
            "this is no answer of a kind known here",
            file=source,
            column="probekit",
            found=found["probekit"],
            expected=f'"{KIND}"',
        )
    for name in ("page", "edition"):
        if not isinstance(found[name], str) or not _HEX.fullmatch(found[name]):
            raise InputError("not a checksum", file=source, column=name, found=found[name], expected="64 hex digits")
    disposition = found["disposition"]
    if disposition not in ("", *DISPOSITIONS):
        raise InputError(
            "unknown disposition",
            file=source,
            column="disposition",
            found=disposition,
            expected=f"one of {', '.join(DISPOSITIONS)}, or nothing",
        )
    comments = found["comments"]
    if not isinstance(comments, list) or len(comments) > MOST_COMMENTS:
        raise InputError("not a list of comments", file=source, column="comments", expected=f"at most {MOST_COMMENTS}")
    answer = Answer(
        page=found["page"],
        edition=found["edition"],
        name=_text(found["name"], "name", source, LONGEST_NAME, needed=True, lines=False),
        role=_text(found["role"], "role", source, LONGEST_NAME, lines=False),
        date=_date(found["date"], source),
        disposition=disposition,
        reason=_text(found["reason"], "reason", source, LONGEST_TEXT, needed=disposition != ""),
        comments=tuple(_comment(one, source) for one in comments),
        **(_signature(found["signature"], source) if "signature" in found else {}),
    )
    if not (disposition or comments):
        raise InputError("the answer says nothing: no disposition and no comment", file=source)
    if (size := len(json.dumps(answer.data, ensure_ascii=False).encode("utf-8"))) > LONGEST_ANSWER:
        raise InputError("the answer is too long", file=source, found=size, expected=f"at most {LONGEST_ANSWER} bytes")
    return answer


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands there twice")
    return found


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")


def _keys(found: Mapping[Any, Any], required: tuple[str, ...], optional: tuple[str, ...], source: str) -> None:
    if missing := [name for name in required if name not in found]:
        raise InputError("a key is missing", file=source, column=missing[0])
    if unknown := [name for name in found if name not in (*required, *optional)]:
        raise InputError("unknown key", file=source, column=str(unknown[0])[:40], expected=", ".join(required))


def _text(value: object, name: str, source: str, longest: int, *, needed: bool = False, lines: bool = True) -> str:
    """Text as typed; what cannot be seen, or makes text read otherwise than it is, is refused and not mended."""
    if not isinstance(value, str):
        raise InputError("not a text", file=source, column=name, found=type(value).__name__)
    if needed and not value.strip():
        raise InputError("nothing stands there", file=source, column=name)
    if len(value) > longest:
        raise InputError(
            "too long", file=source, column=name, found=len(value), expected=f"at most {longest} characters"
        )
    kept = "\n\t" if lines else ""
    bad = next((c for c in value if (unicodedata.category(c) in ("Cc", "Cs") and c not in kept)), "")
    if bad or (bad := (_TURNING.search(value) or [""])[0]):
        raise InputError(
            "a character that is no text, or turns its direction",
            file=source,
            column=name,
            found=f"U+{ord(bad):04X}",
            todo="Type the text anew.",
        )
    return value


def _date(value: object, source: str) -> str:
    try:
        if isinstance(value, str) and _DATE.fullmatch(value):
            datetime.fromisoformat(value)
            return value
    except ValueError:
        pass
    raise InputError("not a date", file=source, column="date", found=value, expected="like 2026-11-29T22:15:00Z")


def _comment(found: object, source: str) -> Comment:
    if not isinstance(found, Mapping):
        raise InputError("a comment is a JSON object", file=source, column="comments", found=type(found).__name__)
    _keys(found, ("on", "id", "text"), (), source)
    if found["on"] not in PLACES:
        raise InputError(
            "unknown place of a comment", file=source, column="on", found=found["on"], expected=", ".join(PLACES)
        )
    on_part = found["on"] == "part"
    id_ = _text(found["id"], "id", source, LONGEST_NAME, needed=not on_part, lines=False)
    if on_part and id_:
        raise InputError("the part has no number", file=source, column="id", found=id_, expected="nothing")
    return Comment(found["on"], id_, _text(found["text"], "text", source, LONGEST_TEXT, needed=True))


def _signature(found: object, source: str) -> dict[str, str]:
    if not isinstance(found, Mapping):
        raise InputError("a signature is a JSON object", file=source, column="signature", found=type(found).__name__)
    _keys(found, ("key", "value"), (), source)
    for name, size in (("key", 32), ("value", 64)):
        try:
            raw = base64.b64decode(found[name], validate=True)
            good = len(raw) == size and base64.b64encode(raw).decode() == found[name]  # one spelling only
        except (binascii.Error, ValueError, TypeError):
            good = False
        if not good:
            raise InputError(
                "damaged signature",
                file=source,
                column=name,
                found=str(found[name])[:40],
                expected=f"{size} bytes in base64",
            )
    return {"key": found["key"], "signature": found["value"]}
