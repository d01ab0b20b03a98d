"""Answers of several people to one page, put together; who contradicts whom stays in sight."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import InputError
from ..show import shown
from .answers import DISPOSITIONS, Answer
from .pages import Page
from .signing import INVALID, UNSIGNED, check

__all__ = ["CAUTION", "SHORT_CAUTION", "Settlement", "merge"]

#: What stands beside every decision, in short and in full.
SHORT_CAUTION = "A decision on the page does not move the machine."
CAUTION = (
    "A decision on the page does not move the machine, and changes no program, offset or order. A person qualified for "
    "the machine acts on it; who may decide or grant a concession is the rule of your shop and of your contract."
)


@shown
@dataclass(frozen=True)
class Settlement:
    """What the answers to a page come to.

    Attributes
    ----------
    answers : tuple of Answer
        All, by date; none is left out.
    replaced : frozenset of str
        Ids of answers whose disposition a later one of the same name replaces.
    sides : tuple of (str, tuple of Answer)
        Each disposition that somebody stands by, with those who do, in the order of `DISPOSITIONS`.
    signatures : mapping
        Id of an answer -> what is known of its signature, in words.
    warnings : tuple of str
        What stands beside the decision: it is not what it may look like.
    notes : tuple of str
        What a reader must know of every decision on a page.
    """

    answers: tuple[Answer, ...]
    replaced: frozenset[str]
    sides: tuple[tuple[str, tuple[Answer, ...]], ...]
    signatures: Mapping[str, str]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def decision(self) -> str:
        """The disposition if all agree; "contradiction" if they do not; "open" if nobody gave one."""
        if not self.sides:
            return "open"
        return self.sides[0][0] if len(self.sides) == 1 else "contradiction"

    @property
    def data(self) -> dict[str, Any]:
        """The settlement as plain data for JSON."""
        return {
            "decision": self.decision,
            "sentence": self.sentence,
            "cautions": [*self.warnings, *self.notes],
            "answers": [
                one.data | {"id": one.id, "replaced": one.id in self.replaced, "signed": self.signatures[one.id]}
                for one in self.answers
            ],
        }

    @property
    def sentence(self) -> str:
        """The decision in words, with who stands by it."""
        said = [f"{what} ({'; '.join(one.who for one in people)})" for what, people in self.sides]
        if len(said) == 1:
            return f"Disposition: {said[0]}."
        if said:
            return f"Not settled, the answers contradict each other: {' against '.join(said)}."
        comments = sum(len(one.comments) for one in self.answers)
        return f"No disposition; {comments} comment{'s' * (comments != 1)}." if self.answers else "Not answered."


def merge(page: Page, answers: Iterable[Answer] = (), *, keys: Mapping[str, str] | None = None) -> Settlement:
    """Put answers beside those that the page holds.

    Parameters
    ----------
    page : Page
        What was answered.
    answers : iterable of Answer
        Further answers; one that is there twice counts once.
    keys : mapping, optional
        Ed25519 public key (base64) -> whose it is, as you know it.

    Returns
    -------
    Settlement
        A later answer of the same name replaces the disposition of an earlier one if neither is signed, for people
        change their minds; both stay in the list. Of two at the same second none is later.

    Raises
    ------
    InputError
        If an answer names another page, or a signature does not fit what it signs; all such are named at once.
    """
    found: dict[str, Answer] = {}
    for one in (*page.given, *answers):
        if one.id not in found or (one.signature and not found[one.id].signature):
            found[one.id] = one
    listed = tuple(sorted(found.values(), key=lambda one: (one.date, one.id)))
    states = {one.id: check(one, keys or {}) for one in listed}
    wrong = [f"{one.who} of {one.date} answered page {one.page[:8]}" for one in listed if one.page != page.hash]
    wrong += [f"the signature of {one.who} of {one.date} is invalid" for one in listed if states[one.id] == INVALID]
    if wrong:
        raise InputError(
            f"not every answer can be used with this page, {page.hash[:8]}: {'; '.join(wrong)}",
            file=page.source,
            todo="Leave those out, or ask the people again; nothing was written.",
        )
    replaced = _replaced(listed)
    standing = [one for one in listed if one.disposition and one.id not in replaced]
    sides = tuple(
        (what, people) for what in DISPOSITIONS if (people := tuple(one for one in standing if one.disposition == what))
    )
    unsigned = any(state == UNSIGNED for state in states.values())
    typed = ("Names are as typed: without a signature nothing proves who answered.",) if unsigned else ()
    return Settlement(listed, replaced, sides, states, tuple(_warnings(page, listed, sides)), (*typed, CAUTION))


def _replaced(answers: tuple[Answer, ...]) -> frozenset[str]:
    latest: dict[str, str] = {}
    for one in answers:
        if one.disposition and not one.signature:
            latest[_same(one.name)] = max(one.date, latest.get(_same(one.name), ""))
    return frozenset(
        one.id for one in answers if one.disposition and not one.signature and one.date < latest[_same(one.name)]
    )


def _same(name: str) -> str:
    return " ".join(unicodedata.normalize("NFC", name).lower().split())


def _warnings(
    page: Page, answers: tuple[Answer, ...], sides: tuple[tuple[str, tuple[Answer, ...]], ...]
) -> Iterable[str]:
    verdict = page.subject["verdict"]
    if any(what == "accept" for what, _ in sides) and verdict != "conforms":
        state = "is undecided" if verdict == "undecided" else "does not conform"
        yield (
            f"Accepted, although the part {state}: to release such a part is a concession, and needs whoever may "
            "grant one."
        )
    if other := [one.who for one in answers if one.edition != page.edition]:
        yield (
            "Given on another edition of this page, with the same numbers and another text around them: "
            f"{'; '.join(other)}."
        )
