"""Programs after the first one, where the control cannot decide, as plain data."""

from __future__ import annotations

from dataclasses import dataclass

from ..program.checking.findings import Findings
from ..program.deciding.decisions import Recut
from ..program.deciding.entries import Entry
from ..program.deciding.phases import Part
from ..show import shown

__all__ = ["Cut", "Following"]


@shown
@dataclass(frozen=True, eq=False)
class Following:
    """A program that follows another one, after a person has entered what that one found.

    Attributes
    ----------
    name : str
        Of its file, with the suffix.
    part : Part
    text : str
    findings : Findings
    enter : tuple of Entry
        What a person enters after it.
    """

    name: str
    part: Part
    text: str
    findings: Findings
    enter: tuple[Entry, ...] = ()

    @property
    def sentence(self) -> str:
        """Name, phase, and what the checks say, in one line."""
        return f"{self.name}: {self.part.sentence}. {self.findings.sentence}"


@shown
@dataclass(frozen=True, eq=False)
class Cut:
    """A program that cuts an operation again, which a person runs after having entered how much lower.

    Attributes
    ----------
    name : str
        Of its file, with the suffix.
    number : int
        Of the program, from 1, after which it is run.
    cut : Recut
    text : str
    findings : Findings
    notes : tuple of str
        What a person should look at.
    """

    name: str
    number: int
    cut: Recut
    text: str
    findings: Findings
    notes: tuple[str, ...] = ()

    @property
    def when(self) -> str:
        """When it is run, in words."""
        return (
            f"at most once, after program {self.number} and what is entered in {self.cut.to} then: Z of {self.cut.of} "
            f"MINUS what is left, at most {self.cut.limit:g} mm; after it program {self.number} again"
        )

    @property
    def sentence(self) -> str:
        """Name, operation, and what the checks say, in one line."""
        return f"{self.name}: '{self.cut.operation}' again. {self.findings.sentence}"
