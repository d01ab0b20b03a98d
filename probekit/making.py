"""Objects made from the tables of a study: what a table may say is what the function or class that it names takes."""

from __future__ import annotations

import difflib
import inspect
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from .errors import InputError

__all__ = ["blaming", "check_keys", "made", "nearest", "takes", "tuples"]


def made(
    kind: Callable[..., Any],
    table: Any,
    where: str,
    *,
    file: str | Path | None = None,
    given: Mapping[str, Any] | None = None,
) -> Any:
    """What a function or class makes of a table.

    Parameters
    ----------
    kind : callable
        Its parameters are the keys of the table.
    table : dict
        Lists in it become tuples.
    where : str
        How a message calls the table.
    file : str or Path, optional
        The file it is from, for the error.
    given : mapping, optional
        Arguments that do not come from a file, and so are no keys.

    Raises
    ------
    InputError
        If it is no table, a key is unknown (the nearest is offered) or missing, or from the function; it names file and
        key.
    """
    given = given or {}
    check_keys(table, takes(kind), where, file=file, given=given)
    with blaming(file, where):
        return kind(**given, **tuples(table))


def takes(kind: Callable[..., Any]) -> dict[str, bool]:
    """Names of the parameters of a function or class, and whether each must be given."""
    parameters = inspect.signature(kind).parameters.items()
    return {name: p.default is p.empty for name, p in parameters if p.kind not in (p.VAR_POSITIONAL, p.VAR_KEYWORD)}


def check_keys(
    table: Any,
    known: Mapping[str, bool],
    where: str,
    *,
    file: str | Path | None = None,
    given: Iterable[str] = (),
    what: str = "unknown key",
) -> None:
    """Refuse a table with a key that is not known, or without one that must be there; see `made`."""
    if not isinstance(table, Mapping):
        raise InputError("this must be a table", file=file, column=where, found=table)
    open_to = [name for name in known if name not in set(given)]
    for key in table:
        if key not in open_to:
            raise InputError(what, file=file, column=f"{where}.{key}", expected=nearest(key, open_to))
    missing = [name for name in open_to if known[name] and name not in table]
    if missing:
        raise InputError("a key is missing", file=file, column=where, expected=", ".join(missing))


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name that was most likely meant, or all of them, for an error."""
    known = list(known)
    near = difflib.get_close_matches(name, known, n=1)
    return f"'{near[0]}'" if near else "one of " + ", ".join(known)


def tuples(value: Any) -> Any:
    """A value of a table with tuples for lists, within each other, too."""
    if isinstance(value, dict):
        return {key: tuples(one) for key, one in value.items()}
    return tuple(tuples(one) for one in value) if isinstance(value, list) else value


@contextmanager
def blaming(file: str | Path | None, where: str) -> Iterator[None]:
    """Let an error from values of a study name the file and the table, unless it names a file itself."""
    try:
        yield
    except InputError as error:
        if error.file is not None:
            raise
        inside = error.column is not None and error.column != where
        raise _told_of(error, file, f"{where}.{error.column}" if inside else where) from None
    except (TypeError, ValueError) as error:
        raise InputError(f"a value cannot be used: {error}", file=file, column=where) from None


def _told_of(error: InputError, file: str | Path | None, column: str | None) -> InputError:
    told = InputError(
        error.what,
        file=file,
        line=error.line,
        column=column,
        found=error.found,
        expected=error.expected,
        todo=error.todo,
    )
    for note in getattr(error, "__notes__", ()):
        told.add_note(note)
    return told
