"""The results files that a study names: the touches on the part, and those that its probe was qualified with."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import fit, touches
from ..errors import InputError, ProbekitWarning
from .model import Study

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CONTROL", "Qualified", "is_document", "qualified_of", "read_results", "stylus_of", "targets_read"]

#: What a study says of a qualification, and the touches it was found from.
Qualified = tuple[fit.qualified.Qualification, "pd.DataFrame"]

_STYLUS = ("ball_diameter", "effective_radius", "stem_diameter", "length")
#: Keys of ``[touches]`` that say what the positions are, not how their text is read.
CONTROL = ("plan", "moves", "format", "coordinates", "tool_length", "work_offset")
#: Keys that say what numbers mean, and what they may say.
_TOLD = {"unit": '"mm" or "inch"', "recorded": '"centre" (of the ball) or "contact"'}
_LAYOUT = ("decimal", "separator", "skip", "comment", "encoding", "metadata")
_ARTEFACT = ("diameter", "artefact", "degree")
_WHERE = "stylus.qualification"


def qualified_of(study: Study) -> Qualified | None:
    """What the touches of ``qualification`` in ``[stylus]`` tell of the probe; None if the study names none.

    Parameters
    ----------
    study : Study

    Returns
    -------
    (Qualification, DataFrame) or None

    Raises
    ------
    InputError
        If an effective radius is given as well, or the touches cannot be read or do not determine the artefact.
    FitError
        If the qualification does not settle.
    """
    stylus = study.settings.get("stylus", {})
    given = stylus.get("qualification")
    if given is None:
        return None
    if "effective_radius" in stylus:
        raise InputError(
            "the stylus has two effective radii: one is given, the other comes from the qualification",
            file=study.path,
            column="stylus.effective_radius",
            found=stylus["effective_radius"],
            todo="Omit either effective_radius or qualification.",
        )
    table = read_results(study, {key: value for key, value in given.items() if key not in _ARTEFACT})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ProbekitWarning)  # what it warns of stands in its notes
            found = fit.qualify(table, **{key: given[key] for key in _ARTEFACT if key in given})
    except InputError as error:
        raise (error if error.file is not None else _of_study(error, study, _WHERE)) from None
    return found, table


def stylus_of(study: Study, qualified: Qualified | None = None) -> touches.Stylus | None:
    """The stylus to take the ball off with: as given, or as qualified; None if the study has no ``[stylus]``.

    Raises
    ------
    InputError
        If a size is not usable.
    """
    given = {key: value for key, value in study.settings.get("stylus", {}).items() if key in _STYLUS}
    if not given:
        return None
    try:
        return touches.Stylus(**given) if qualified is None else qualified[0].stylus(**given)
    except InputError as error:
        where = _WHERE if qualified is not None and error.column == "effective_radius" else f"stylus.{error.column}"
        raise _of_study(error, study, where) from None


def _of_study(error: InputError, study: Study, where: str) -> InputError:
    """The same error, told of a key in the study file."""
    return InputError(
        error.what, file=study.path, column=where, found=error.found, expected=error.expected, todo=error.todo
    )


def read_results(study: Study, given: dict[str, Any], plan: touches.planned.Planned | None = None) -> pd.DataFrame:
    """The touches of a results file.

    Parameters
    ----------
    study : Study
    given : dict
        ``file`` and how to read it, as in ``[touches]``.
    plan : Planned, optional
        To join results without targets with.

    Raises
    ------
    InputError
        If it cannot be read so.
    """
    options = {key: value for key, value in given.items() if key not in CONTROL}
    path = study.file(options.pop("file"))
    if is_document(path):
        return _of_document(study, path, options, plan)
    told = {key: options[key] for key in _TOLD if key in options}
    if {"columns", "pattern"} & set(options):
        if lacking := [key for key in _TOLD if key not in options]:
            lack = InputError("text that `columns` or `pattern` read does not say this", expected=_TOLD[lacking[0]])
            raise _of_study(lack, study, f"touches.{lacking[0]}")
        return touches.read_text(path, plan=plan, **options)
    if unused := [key for key in _LAYOUT if key in options]:
        alone = InputError(
            "this key would do nothing: it says how `columns` or `pattern` read text",
            todo="Name the columns too, or omit it: a touches file may have commas, semicolons or tabs as it is.",
        )
        raise _of_study(alone, study, f"touches.{unused[0]}")
    return touches.read(path, plan=plan, **told)


def is_document(path: str | Path) -> bool:
    """Whether a file says by itself how it is to be read, by its ending: a QIF document, DMIS output."""
    return Path(path).suffix.lower() in touches.control.DOCUMENTS


def targets_read(path: str | Path) -> pd.DataFrame:
    """The targets of a plan: a CSV file, or a QIF document by the ending .qif."""
    if Path(path).suffix.lower() != ".qif":
        return touches.read_plan(path)
    from .. import qif

    found = qif.read(path)
    if not len(found.targets):
        raise InputError("the document holds no target", file=path, found=found.sentence, expected="nominal points")
    return found.targets


def _of_document(
    study: Study, path: Path, options: dict[str, Any], plan: touches.planned.Planned | None
) -> pd.DataFrame:
    """The touches of a document; it says its unit, and what its points are, itself."""
    strange = sorted(set(options) - {"plan"})
    if strange:
        raise _of_study(
            InputError("this file says by itself how it is to be read", column=strange[0], todo="Omit the key."),
            study,
            f"touches.{strange[0]}",
        )
    from .. import dmis, qif

    found = qif.read(path) if path.suffix.lower() == ".qif" else dmis.read(path)
    if not len(found.touches):
        raise InputError("the document holds no measured point", file=path, found=found.sentence)
    for column, several, todo in (
        ("results", "several sets of results, and a study judges one part", "Export one part a document."),
        ("frame", "points in several coordinate systems", "Output all points in the one of the part."),
    ):
        if column in found.touches and found.touches[column].nunique() > 1:
            sets = f"{found.touches[column].nunique()}: " + ", ".join(map(str, found.touches[column].unique()))
            raise InputError(f"the document holds {several}", file=path, found=sets, todo=todo)
    table = found.touches.drop(columns=["results", "frame"], errors="ignore")
    for note in found.notes:
        touches.finish.add_note(table.attrs, note)
    return touches.csv_file.joined(table, plan) if plan is not None else table
