"""The results files that a study names: the touches on the part, and those that its probe was qualified with."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

from .. import fit, touches
from ..errors import InputError, ProbekitWarning
from .model import Study, motion_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Qualified", "qualified_of", "stylus_of", "touches_of"]

#: What a study says of a qualification, and the touches it was found from.
Qualified = tuple[fit.Qualification, "pd.DataFrame"]

_PLACEMENT = ("translation", "rotation")
_STYLUS = ("ball_diameter", "effective_radius", "stem_diameter", "length")
_ARTEFACT = ("diameter", "artefact", "degree")
_WHERE = "stylus.qualification"


def touches_of(study: Study) -> pd.DataFrame:
    """The touches of ``[touches]``, measured positions in the part frame that ``[machine]`` places.

    Raises
    ------
    InputError
        If the file or the placement cannot be read.
    """
    table = _read(study, study.settings["touches"])
    if not set(_PLACEMENT) & set(study.settings.get("machine", {})):
        return table
    part_in_machine = motion_of(study, "machine")
    return fit.move_touches(table, fit.invert_motion(part_in_machine))


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
            "the stylus has two effective radii: one that is given, and one from qualification",
            file=study.path,
            column="stylus.effective_radius",
            found=stylus["effective_radius"],
            todo="Leave out one of effective_radius and qualification.",
        )
    table = _read(study, {key: value for key, value in given.items() if key not in _ARTEFACT})
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


def _read(study: Study, given: dict[str, Any]) -> pd.DataFrame:
    options = {key: value for key, value in given.items() if key != "plan"}
    path = study.file(options.pop("file"))
    return touches.read_text(path, **options) if "columns" in options or "pattern" in options else touches.read(path)
