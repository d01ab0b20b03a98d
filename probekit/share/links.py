"""Links: who may read or answer which pages, until when; and what the log says, in memory."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from ..errors import InputError
from ..settle.answers import Answer, answer_from
from ..show import shown
from .log import Entry, now

__all__ = ["Link", "State", "digest", "new_link"]

_BYTES = 24  # of a token: 192 bits
_MOST_DAYS = 366


@shown
@dataclass(frozen=True)
class Link:
    """A link, without its token: only the SHA-256 of that is kept.

    Attributes
    ----------
    id : str
        How it is named when it is listed or revoked.
    name, role : str
        Whom it was made for.
    answers : bool
        Whether it is an invitation to answer; otherwise it is for reading.
    expires : str
        UTC.
    only : tuple of str
        Names of the pages that it shows; all if empty.
    revoked : bool
    """

    id: str
    name: str
    role: str
    answers: bool
    expires: str
    only: tuple[str, ...] = ()
    revoked: bool = False

    @property
    def sentence(self) -> str:
        """Whose, for what, until when."""
        what = "to answer" if self.answers else "to read"
        state = "revoked" if self.revoked else ("" if self.valid else "expired, ") + f"until {self.expires}"
        pages = f", only {', '.join(self.only)}" if self.only else ""
        return f"{self.id} {what}, {self.name}{f', {self.role}' if self.role else ''}{pages}: {state}"

    @property
    def valid(self) -> bool:
        """Whether it may be used now."""
        return not self.revoked and now() < self.expires

    def shows(self, page: str) -> bool:
        """Whether it shows a page of that name."""
        return not self.only or page in self.only


def digest(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def new_link(
    name: str, role: str = "", *, answers: bool = False, days: float = 14, only: Iterable[str] = ()
) -> tuple[str, dict[str, Any]]:
    """Make a link.

    Parameters
    ----------
    name, role : str
        Whom it is for; an answer given by it bears this name and role.
    answers : bool
        Whether it is an invitation to answer.
    days : float
        How long it holds, at most 366.
    only : iterable of str
        Names of the pages that it shows; all if none.

    Returns
    -------
    token : str
        Shown once, and kept nowhere.
    body : dict
        For the log, as an entry of kind "link".

    Raises
    ------
    InputError
        If name, role or days cannot be used.
    """
    if not 0 < days <= _MOST_DAYS:
        raise InputError("a link holds for some days", column="days", found=days, expected=f"up to {_MOST_DAYS}")
    for column, text in (("name", name), ("role", role)):
        if len(text) > 120 or not text.isprintable() or (column == "name" and not text.strip()):
            raise InputError("not usable on a page", column=column, found=text, expected="at most 120 characters")
    token = secrets.token_urlsafe(_BYTES)
    until = (datetime.now(UTC) + timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")
    body = {"digest": digest(token), "name": name.strip(), "role": role.strip(), "answers": answers, "expires": until}
    return token, {**body, "only": sorted(set(only))}


@dataclass
class State:
    """What the log comes to; changed by `hear` alone.

    Attributes
    ----------
    links : dict
        Digest of a token -> its link.
    answers : dict
        Page hash -> (number of the entry, answer), in order.
    received : dict
        Id of an answer -> the entry that acknowledges it.
    last : int
        Number of the last entry.
    """

    links: dict[str, Link] = field(default_factory=dict)
    answers: dict[str, list[tuple[int, Answer]]] = field(default_factory=dict)
    received: dict[str, Entry] = field(default_factory=dict)
    last: int = 0

    def hear(self, entry: Entry) -> None:
        """Take an entry in."""
        self.last, body = entry.number, entry.body
        if entry.kind == "link":
            link = Link(
                id=body["digest"][:8],
                name=body["name"],
                role=body["role"],
                answers=body["answers"],
                expires=body["expires"],
                only=tuple(body["only"]),
            )
            self.links[body["digest"]] = link
        elif entry.kind == "revoked":
            for key, link in self.links.items():
                if link.id == body["id"]:
                    self.links[key] = replace(link, revoked=True)
        elif entry.kind == "answer":
            answer = answer_from(body["answer"], source=f"entry {entry.number}")
            self.answers.setdefault(answer.page, []).append((entry.number, answer))
            self.received.setdefault(answer.id, entry)

    def link(self, token: str) -> Link | None:
        """The link of a token if it may be used now."""
        found = self.links.get(digest(token)) if token else None
        return found if found is not None and found.valid else None
