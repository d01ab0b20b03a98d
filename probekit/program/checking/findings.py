"""What a check of a program found, as plain data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import pandas as pd

from ...show import shown

__all__ = ["CheckResult", "Finding", "Findings", "NotMade", "gathered", "in_order", "made"]

SEVERITIES = ("stop", "look", "note")


@shown
@dataclass(frozen=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    line : int
        Line of the program, from 1; 0 where it is not one line.
    severity : {"stop", "look", "note"}
        stop: not to be run like this; look: a qualified person decides; note: good to know.
    what, todo : str
    check : str
        Name of the check that found it.
    """

    line: int
    severity: str
    what: str
    todo: str
    check: str = ""

    @property
    def sentence(self) -> str:
        """All of it, as one line of text."""
        where = f"line {self.line}: " if self.line else ""
        return f"{self.severity}: {where}{self.said}"

    @property
    def said(self) -> str:
        """What was found, and what to do."""
        return f"{self.what}. {self.todo}"


@dataclass(frozen=True)
class NotMade:
    """Why a check could not be made, and how much that matters."""

    reason: str
    severity: str = "look"


@shown
@dataclass(frozen=True)
class CheckResult:
    """One check: its name, what it looks for in words, and why it could not be made ("" if it was)."""

    name: str
    about: str
    skipped: str = ""

    @property
    def sentence(self) -> str:
        """What it looks for, and whether it was made."""
        return f"{self.name}: {self.about}" + (f"; not made: {self.skipped}" if self.skipped else "")


@shown
@dataclass(frozen=True)
class Findings:
    """All that the checks of a program found, and which checks were made.

    Attributes
    ----------
    found : tuple of Finding
        By line.
    checks : tuple of CheckResult
    """

    found: tuple[Finding, ...]
    checks: tuple[CheckResult, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.found)

    def __len__(self) -> int:
        return len(self.found)

    def of(self, severity: str) -> tuple[Finding, ...]:
        """The findings of one severity.

        Parameters
        ----------
        severity : {"stop", "look", "note"}
        """
        return tuple(finding for finding in self.found if finding.severity == severity)

    def result(self, check: CheckResult) -> str:
        """One of "not made", the worst severity that the check found, "nothing found".

        Parameters
        ----------
        check : CheckResult
        """
        if check.skipped:
            return "not made"
        found = {finding.severity for finding in self.found if finding.check == check.name}
        return next((severity for severity in SEVERITIES if severity in found), "nothing found")

    @property
    def table(self) -> pd.DataFrame:
        """One row per finding: line, severity, what, todo, check."""
        rows = [(f.line, f.severity, f.what, f.todo, f.check) for f in self.found]
        return pd.DataFrame(rows, columns=["line", "severity", "what", "todo", "check"])

    @property
    def sentence(self) -> str:
        """The result in words. It never says that a program is safe."""
        stop, look = len(self.of("stop")), len(self.of("look"))
        not_made = sum(1 for check in self.checks if check.skipped)
        found = f"The checks found {stop or 'no'} blocking problem{'s' * (stop > 1)}"
        found += f" and {look} point{'s' * (look > 1)} to review" if look else ""
        made = f"; {not_made} of the {len(self.checks)} checks could not be made" if not_made else ""
        return f"{found}{made}."

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{f.line or ''}</td><td>{f.severity}</td><td>{escape(f.what)}</td><td>{escape(f.todo)}</td></tr>"
            for f in self.found
        )
        made = "".join(f"<li>{escape(c.about)}: {self.result(c)} {escape(c.skipped)}</li>" for c in self.checks)
        head = "<tr><th>line</th><th></th><th>what</th><th>what to do</th></tr>"
        return f"<p>{self.sentence}</p><table>{head}{rows}</table><ul>{made}</ul>"


def gathered(hits: Iterable[tuple[int, str]], severity: str, todo: str) -> list[Finding]:
    """One finding for all lines of which the same is said.

    Parameters
    ----------
    hits : iterable of (line, what)
    severity, todo : str
    """
    lines: dict[str, list[int]] = {}
    for line, what in hits:
        lines.setdefault(what, []).append(line)
    found = []
    for what, at in lines.items():
        distinct = sorted(set(at))
        more = (
            f" (and in {len(distinct) - 1} more line{'s' * (len(distinct) > 2)}, the last {distinct[-1]})"
            if len(distinct) > 1
            else ""
        )
        found.append(Finding(distinct[0], severity, what + more, todo))
    return found


def made(
    rules: Sequence[Callable[[Any], list[Finding] | NotMade]], case: object
) -> tuple[list[Finding], tuple[CheckResult, ...]]:
    """Make checks of a case: what they found, and which were made.

    Parameters
    ----------
    rules : sequence of callable
        The name of each is that of the check, the first line of its docstring says what it looks for.
    case : object
        What they take.
    """
    found: list[Finding] = []
    results = []
    for rule in rules:
        name, about = rule.__name__, (rule.__doc__ or "").split("\n")[0].rstrip(".")
        outcome = rule(case)
        if isinstance(outcome, NotMade):
            results.append(CheckResult(name, about, outcome.reason))
            what = f"not checked: {about}; {outcome.reason}"
            found.append(Finding(0, outcome.severity, what, "Supply it, or check it by hand.", name))
        else:
            results.append(CheckResult(name, about))
            found += [replace(finding, check=name) for finding in outcome]
    return found, tuple(results)


def in_order(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings by severity, then by line."""
    return tuple(sorted(found, key=lambda f: (SEVERITIES.index(f.severity), f.line)))
