"""What is written of an inspection: the page, the tables, and what is to be touched or cut again."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import plausibility, report
from ..csv_text import csv_text
from ..errors import InputError
from ..files import store
from ..report.recut_files import recut_files
from .about import missing, words
from .content import further, touches_again
from .places import INSPECTION, result_set

if TYPE_CHECKING:
    import pandas as pd

    from ..report.earlier import EarlierParts
    from .inspection import Inspection

__all__ = ["FURTHER", "write"]


def write(
    inspection: Inspection,
    folder: str | Path,
    *,
    made: str = "",
    also: Collection[str] = (),
    earlier: EarlierParts | None = None,
) -> dict[str, Path]:
    """Write the page, the tables, and files of what to touch again and of a re-cut if one is offered, into a folder.

    Parameters
    ----------
    inspection : Inspection
        What `run` found.
    folder : str or Path
        Made if need be. The files are published as one set (`probekit.published`): those of an earlier run go into
        its folder ``old``.
    made : str
        When the run was made, for the page.
    also : collection of str
        What else to write: "qif" for ``results.qif`` (QIF 3.0), "dmis" for ``results.dmo`` (DMIS output), "xlsx" for
        ``results.xlsx``, a workbook.
    earlier : EarlierParts, optional
        What an archive knows of the parts before this one (`probekit.archive.before`), for the page.

    Returns
    -------
    dict
        Kind of file -> path.

    Raises
    ------
    InputError
        If the folder cannot be written to, one of the files was read, or `also` names what is not known.
    """
    for kind in also:
        if kind not in FURTHER:
            raise InputError("such a file cannot be written", found=kind, expected=" or ".join(map(repr, FURTHER)))
    read = {"model": inspection.part.source, "touches": inspection.measured.attrs.get("source")}
    results = result_set(folder, "inspect", {what: Path(str(file)) for what, file in read.items() if file})
    again = touches_again(inspection)
    step = (
        inspection.action
        if not len(again)
        else replace(inspection.action, suggestions=(*inspection.action.suggestions, _said_of_again(again)))
    )
    common = {"alignment": inspection.alignment, "action": step, "provenance": inspection.provenance}
    gate: dict[str, Any] = {"findings": inspection.findings, "residuals": inspection.residuals}
    gate["influence"] = inspection.influence
    sure: dict[str, Any] = {"budget": inspection.budget, "shares": inspection.shares}
    about: dict[str, Any] = {"about": words(inspection.about), "missing": missing(inspection.about)}
    about["stamp"] = inspection.stamp + (f"; judged {made}" if made else "")
    with results.publishing() as there:
        to = {kind: there / name for kind, name in INSPECTION.items()}
        sure["between"] = [line for one in inspection.surfaces for line in one.lines]
        sure["artefact"] = inspection.artefact
        options = {**about, **gate, **common, **sure, "results": INSPECTION["csv"], "earlier": earlier}
        report.page(inspection.scene, inspection.verdict, to=to["report"], notes=inspection.notes, **options)
        if len(again):
            store(to["again"], csv_text(again).encode("utf-8"))
        content = report.tables(
            inspection.verdict, to_csv=to["csv"], to_json=to["json"], more=further(inspection, again), **common
        )
        for kind in also:
            store(to[kind], FURTHER[kind](inspection, content))
        recut = recut_files(inspection.action.recut, about["stamp"], there)
    kinds = {"report", "csv", "json", *(["again"] if len(again) else []), *also, *recut}
    return {kind: results.folder / name for kind, name in INSPECTION.items() if kind in kinds}


def _as_qif(inspection: Inspection, _content: dict[str, Any]) -> bytes:
    """The results as a QIF document."""
    from .. import qif

    return qif.results(inspection.verdict, part=inspection.part.name, provenance=inspection.provenance)


def _as_dmis(inspection: Inspection, _content: dict[str, Any]) -> bytes:
    """The results as DMIS output."""
    from .. import dmis

    text = dmis.results(inspection.verdict, part=inspection.part.name, provenance=inspection.provenance)
    return text.encode("ascii")


def _as_workbook(_inspection: Inspection, content: dict[str, Any]) -> bytes:
    """The results as a workbook."""
    return report.workbook(content)


#: What else can be written, on request -> how it is made.
FURTHER: dict[str, Callable[[Inspection, dict[str, Any]], bytes]] = {
    "qif": _as_qif,
    "dmis": _as_dmis,
    "xlsx": _as_workbook,
}


def _said_of_again(again: pd.DataFrame) -> str:
    ids = plausibility.finding.listed(again["touch"].tolist())
    more = ""
    if "again" in again:
        more = (
            " Name its results in [touches] again, and inspect once more: the means are judged, and what either look "
            "proves counts."
        )
    return (
        f"Touch these again: {INSPECTION['again']} in this folder lists {ids} as a plan; "
        f"probekit program STUDY --only {INSPECTION['again']} writes the program for them.{more}"
    )
