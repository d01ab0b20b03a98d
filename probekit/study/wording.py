"""Messages of the library, told to somebody who writes a study file: its keys in place of Python's arguments."""

from __future__ import annotations

import re
from typing import TypeVar

from ..errors import FitError, InputError, UndeterminedError

__all__ = ["fit_error_in_keys", "in_keys", "input_error_in_keys"]

_Told = TypeVar("_Told", bound=Exception)

_UNKNOWN = re.compile(r"\b([a-z_]+)= is not known")
_AXIS = re.compile(r"\baxis=Axis\(point, direction, radius\)")
_CALL = re.compile(r"(?:touches\.)?read_text\(((?:[^()'\"]|'[^']*'|\"[^\"]*\")*)\)")
_ARGUMENT = re.compile(
    r"(?<![\w<>!=/?&'\".:-])([a-z][a-z_]*)=(?![=>])(\.\.\.|'[^']*'|\"[^\"]*\"|\([^()]*\)|-?\d[\d.]*\b|)"
)
_HOLD = re.compile(r',? or hold them with undetermined="hold"')


def in_keys(text: str) -> str:
    """A message with the keys of a study in place of the arguments of a Python call.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    text = _UNKNOWN.sub(r"this value of \1 is not known", text)
    text = _AXIS.sub("axis = {point = [x, y, z], direction = [x, y, z], radius = r}", text)
    text = _CALL.sub(lambda call: f"[touches]: {_arguments(call[1])}", text)
    text = re.sub(r"(?<!or )leave those (.*?) out of free=", r"or leave those \1 out of [alignment] free", text)
    return _HOLD.sub("", _ARGUMENT.sub(_key, text))


def _arguments(inside: str) -> str:
    return _ARGUMENT.sub(lambda one: f"{one[1]} = {one[2] or '...'}", inside)


def _key(one: re.Match[str]) -> str:
    value = f"[{one[2][1:-1]}]" if one[2].startswith("(") else one[2]
    return f"{one[1]} = {value}" if value else f"the key {one[1]}"


def input_error_in_keys(error: InputError, file: object, column: str | None) -> InputError:
    """The same error in the keys of a study; of this file and key where it names none."""
    told = InputError(
        in_keys(error.what),
        file=error.file if error.file is not None else str(file),
        line=error.line,
        column=error.column if error.file is not None else column,
        found=error.found,
        expected=in_keys(error.expected) if isinstance(error.expected, str) else error.expected,
        todo=in_keys(error.todo) if error.todo else error.todo,
    )
    return _with_notes_of(error, told)


def fit_error_in_keys(error: UndeterminedError) -> FitError:
    """The same error, which is told with the keys of ``[alignment]``."""
    return _with_notes_of(error, FitError(in_keys(str(error))))


def _with_notes_of(error: Exception, told: _Told) -> _Told:
    """The error told anew, with the notes that were added to the first on its way."""
    for note in getattr(error, "__notes__", ()):
        told.add_note(note)
    return told
