"""What a run of the virtual machine leaves behind: its findings, and the results file that `touches` reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path

import pandas as pd

from ..errors import InputError
from ..files import store
from ..show import shown
from .logged import log_text, parameters_text

__all__ = ["MACHINE", "Run"]

#: What results files of this machine call it.
MACHINE = "virtual machine (a model, not a measurement)"


@shown
@dataclass(frozen=True, eq=False)
class Run:
    """A run of the virtual machine.

    Attributes
    ----------
    table : DataFrame
        Touches table, one row per record line that was reached; metadata in ``attrs``.
    stopped : str
        Why the machine stopped before the program's end; empty if it did not.
    stopped_line : int or None
        Line of the program at which it stopped.
    findings : tuple of str
        What else a person should know, by line of the program.
    seconds : float
        Time the program took, reckoned from its feeds.
    parameters : dict
        Parameters that the program set, number -> value: what a control retains.
    log : DataFrame
        touch, and where it triggered in program coordinates [mm, degree]: what a control could log.
    watched : str
        What of the probe was watched against what.
    origins : dict
        Work offset -> its values X, Y, Z in machine coordinates at the end [mm], of those that are known.
    decisions : tuple of (int, bool)
        Line of each decision of the program, and whether its condition held; each pair once.
    """

    table: pd.DataFrame
    stopped: str
    stopped_line: int | None
    findings: tuple[str, ...]
    seconds: float
    parameters: Mapping[int, float] = field(default_factory=dict)
    log: pd.DataFrame = field(default_factory=pd.DataFrame)
    watched: str = ""
    origins: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    decisions: tuple[tuple[int, bool], ...] = ()

    @property
    def text(self) -> str:
        """The results file: the same run gives the same text.

        Raises
        ------
        InputError
            If no touch was recorded.
        """
        if not len(self.table):
            raise InputError(
                "the run recorded no touch, so there is no results file",
                found=self.stopped or "no line (PROBEKIT RECORD ...) was reached",
            )
        lines = [f"# {key}: {_one_line(value)}" for key, value in self.table.attrs.items() if value != ""]
        lines += [f"# rows: {len(self.table)}", ",".join(self.table.columns)]
        lines += [",".join(_cell(value) for value in row) for row in self.table.itertuples(index=False)]
        return "\n".join(lines) + "\n"

    def write(self, path: str | Path) -> Path:
        """Write the results file, all or not at all.

        Parameters
        ----------
        path : str or Path

        Returns
        -------
        Path
            Where it is.

        Raises
        ------
        InputError
            If no touch was recorded, or the file cannot be written.
        """
        store(path, self.text.encode("utf-8"))
        return Path(path)

    def write_logged(self, folder: str | Path) -> list[str]:
        """Write what a control would leave: parameters.txt, if the program keeps any, and log.csv, if it logged any.

        Parameters
        ----------
        folder : str or Path

        Returns
        -------
        list of str
            Names of the files.
        """
        texts = {
            "parameters.txt": parameters_text(self.parameters) if self.parameters else "",
            "log.csv": log_text(self.log) if len(self.log) else "",
        }
        for name, text in texts.items():
            if text:
                store(Path(folder) / name, text.encode())
        return [name for name, text in texts.items() if text]

    @property
    def sentence(self) -> str:
        """The run in one line."""
        missed = int((self.table["reason"] != "").sum())
        return (
            f"{MACHINE}: {len(self.table)} touches recorded, {missed} of them missed, in {self.seconds / 60.0:.1f} min"
            + (f"; {self.watched}" if self.watched else "")
            + (f"; stopped at line {self.stopped_line}: {self.stopped}" if self.stopped else "")
        )

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(text)}</li>" for text in self.findings)
        return f"<p>{escape(self.sentence)}</p>" + (f"<ul>{items}</ul>" if items else "")


def _one_line(value: object) -> str:
    return " ".join(value.split()) if isinstance(value, str) else repr(value)


def _cell(value: object) -> str:
    if isinstance(value, str):
        marked = value[:1] == " " or any(mark in value for mark in ',"\r\n')
        return '"' + value.replace('"', '""') + '"' if marked else value
    return "" if value != value else repr(value)
