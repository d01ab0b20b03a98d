"""What a check before the verdict found, as plain data; how it is accepted, and how it refuses."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from ..errors import InputError
from ..show import shown

__all__ = ["NAMES", "Finding", "Refused", "accepted", "listed", "refuse"]

#: What findings are called, and a study accepts them by.
NAMES = (
    "targets off the model",
    "far from target",
    "beside target",
    "ball radius",
    "missing touches",
    "another plan",
    "another part",
    "mixed runs",
    "no alignment",
    "datum residuals",
    "datum touch",
    "rotary axes",
    "far from model",
    "lone touch",
    "two clampings",
    "scale",
    "no scatter",
    "width",
    "basic dimension",
    "allowance",
    "decision",
    "targets",
    "uncertainty",
    "stylus",
)

#: Those that put the place of the whole part in doubt, and with it every deviation.
PLACING = ("ball radius", "no alignment", "datum residuals", "rotary axes", "two clampings", "scale")


@shown
@dataclass(frozen=True)
class Finding:
    """One finding.

    Attributes
    ----------
    level : {"stop", "look", "note"}
        No verdict; undecided at best; worth knowing.
    what : str
        What is wrong, one sentence without a full stop.
    found, expected : str
        What was found, and what would have been right, with where that limit comes from.
    cause, todo : str
        The likely cause; what to do.
    touches : tuple
        Ids of the touches concerned.
    name : str
        One of `NAMES`, by which a study can accept it.
    accepted : bool
        Whether the study accepted it; it is a note then.
    tolerances : tuple of str
        Names of tolerances that may not ask what is meant, or whose datum frame it concerns.
    excess : float
        How many times their own uncertainty touches scatter by, where they refute it; else 1.
    """

    level: Literal["stop", "look", "note"]
    what: str
    found: str = ""
    expected: str = ""
    cause: str = ""
    todo: str = ""
    touches: tuple = ()
    name: str = ""
    accepted: bool = False
    tolerances: tuple[str, ...] = ()
    excess: float = 1.0

    @property
    def doubts_place(self) -> bool:
        """Whether it puts the place of the whole part in doubt, so that no deviation can be relied on."""
        return self.level == "look" and self.name in PLACING

    @property
    def doubts_ball(self) -> bool:
        """Whether it puts the radius of the ball in doubt, and with it every size."""
        return self.level == "look" and self.name == "ball radius"

    @property
    def doubts_question(self) -> tuple[str, ...]:
        """Tolerances that are not to be decided until a person says what they should ask."""
        return self.tolerances if self.level == "look" and self.name != "datum touch" else ()

    @property
    def doubts_frame(self) -> tuple[str, ...]:
        """Tolerances whose own datum frame rests on a touch that does not agree with the others."""
        return self.tolerances if self.level == "look" and self.name == "datum touch" else ()

    @property
    def sentence(self) -> str:
        """All of it, as one line of text."""
        text = self.what + (f"; found {self.found}" if self.found else "")
        text += f"; expected {self.expected}" if self.expected else ""
        text += f" ({listed(self.touches)})" if self.touches else ""
        text += f". Likely cause: {self.cause}" if self.cause else ""
        return text + (f". {self.todo}" if self.todo else "")


class Refused(InputError):
    """Results that cannot be judged: something in them cannot be.

    Parameters
    ----------
    findings : sequence of Finding
        The stops, at least one; kept as the attribute of that name.
    file : str or Path, optional
        The results file.
    """

    def __init__(self, findings: Sequence[Finding], file: str | Path | None = None) -> None:
        self.findings = tuple(findings)
        many = f"{len(self.findings)} reasons" if len(self.findings) > 1 else "one reason"
        super().__init__(
            f"no verdict is made, for {many}:\n" + "\n".join(f"  - {one.sentence}" for one in self.findings), file=file
        )


def refuse(findings: Iterable[Finding], *, file: str | Path | None = None) -> None:
    """Raise if a finding is a stop.

    Parameters
    ----------
    findings : iterable of Finding
    file : str or Path, optional
        The results file, for the message.

    Raises
    ------
    Refused
        With all stops.
    """
    stops = [one for one in findings if one.level == "stop"]
    if stops:
        raise Refused(stops, file)


def accepted(findings: Iterable[Finding], names: Iterable[str], reason: str = "") -> tuple[Finding, ...]:
    """The findings, those of some names turned into notes that say who accepted them and why.

    Parameters
    ----------
    findings : iterable of Finding
    names : iterable of str
        Of `NAMES`.
    reason : str
        Why they are accepted; needed where there are names.

    Raises
    ------
    InputError
        If a name is not known, or there is no reason.
    """
    names = tuple(names)
    for name in names:
        if name not in NAMES:
            raise InputError("there is no finding of that name", column="accept", found=name, expected=", ".join(NAMES))
    if names and not reason.strip():
        raise InputError("findings are accepted without a reason", column="reason", expected="why, in a sentence")
    return tuple(
        replace(one, level="note", accepted=True, what=f"accepted by the study ({reason.strip()}): {one.what}")
        if one.name in names and one.level != "note"
        else one
        for one in findings
    )


def listed(ids: Sequence, most: int = 12) -> str:
    """Ids of touches as a sentence shows them."""
    shown = ", ".join(str(one) for one in ids[:most]) + (f" and {len(ids) - most} more" if len(ids) > most else "")
    return f"touch {shown}" if len(ids) == 1 else f"touches {shown}"
