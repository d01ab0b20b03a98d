"""A program that somebody edited, checked against its plan and its milling: `probekit check`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ..errors import InputError
from ..program import difference
from ..program.checking.findings import Finding, Findings
from ..program.merging.cut_alone import CUT_ALONE
from ..program.reading.source import Source, load
from ..program.reading.words import parse
from ..show import shown
from .deciding_parts import part_of
from .model import Study
from .outputs import CAUTION
from .places import part_name, program_names
from .prepared import Plan, dialect_of, stated_tool

__all__ = ["Checked", "check"]

_LISTED = 12  # changed lines that are named


@shown
@dataclass(frozen=True)
class Checked:
    """A program file and what the checks say of it.

    Attributes
    ----------
    file : Path
    source : Source
    findings : Findings
    edited : tuple of int or None
        Lines that are not those of the program as it was last written, by their numbers in the file; None if that is
        not there.
    missing : int
        Lines of that program that the file lacks.
    planned_again : bool
        Whether the plan was not that of an earlier run.
    """

    file: Path
    source: Source
    findings: Findings
    edited: tuple[int, ...] | None
    missing: int = 0
    planned_again: bool = False

    @property
    def stops(self) -> bool:
        """Whether a check found something that the program must not be run with."""
        return bool(self.findings.of("stop"))

    @property
    def sentence(self) -> str:
        """File and result in one line."""
        return f"{self.file.name}: {self.findings.sentence}"

    @property
    def lines(self) -> list[str]:
        """What a person wants to read, line by line; each finding begins with file and line."""
        told = [f"{self.file.name}: {len(self.source.lines)} lines"]
        if self.edited is not None:
            told.append(f"  {self._edited()}")
        if self.planned_again:
            told.append("  The plan was made again from the study as it is now: the program may be of an earlier one.")
        told += [self._told(one) for one in self.findings if one.severity != "note"]
        told += [f"  note: {one.what}" for one in self.findings.of("note")]
        return [*told, "", self.findings.sentence, f"Caution: {CAUTION}"]

    def _told(self, one: Finding) -> str:
        where = f"{self.file.name}:{one.line}" if one.line else self.file.name
        return f"{where}: {one.severity}: {one.said}"

    def _edited(self) -> str:
        if not self.edited and not self.missing:
            return "Every line is as the last run wrote it."
        listed = ", ".join(map(str, self.edited[:_LISTED])) + (" ..." if len(self.edited) > _LISTED else "")
        new = f"{len(self.edited)} new or changed ({listed})" if self.edited else "none new"
        gone = f", {self.missing} of the old ones changed or missing" if self.missing else ""
        return f"Lines since the last run wrote it: {new}{gone}."


def check(
    study: Study, planned: Plan, file: str | Path, *, written: Callable[[str], bytes | None] | None = None
) -> Checked:
    """Check a program file, edited or not, against the plan of a study and the milling program that it names.

    Parameters
    ----------
    study : Study
        With a table ``[program]``.
    planned : Plan
    file : str or Path
        The program that is to run: merged, or the probing alone.
    written : callable, optional
        Content of a file that the last run left, by its name; None if there is none.

    Returns
    -------
    Checked

    Raises
    ------
    InputError
        If the file cannot be read, or the checks do not understand the dialect of the study.
    """
    file = Path(file)
    stated_tool(study)
    source, dialect = load(file), dialect_of(study)
    if not dialect.checked:
        raise InputError(
            "the checks cannot read this dialect",
            file=study.path,
            column="program.dialect",
            found=dialect.name,
            todo="A qualified person must check the program.",
        )
    milled = not dialect.language
    if milled and any(comment.upper().startswith(CUT_ALONE) for block in parse(source) for comment in block.comments):
        raise InputError(
            "the program cuts an operation again: it is not compared with the plan",
            file=file,
            todo="Write it again (probekit program) and compare the two files.",
        )
    part = part_of(planned, source) if milled else None
    own = program_names(study)
    name = "".join(own) if not part else part_name(*own, part + 1)
    before = None if written is None else written(name)
    edited, missing = None, 0
    if before is not None:
        table = difference(before, source).table
        edited = tuple(int(line) for line in table["line_after"].dropna())
        missing = int(table["line_before"].notna().sum())
    return Checked(file, source, planned.check(source, part=part), edited, missing, planned_again=not planned.reused)
