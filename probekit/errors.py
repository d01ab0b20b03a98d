"""The errors and the warning of probekit: each says where, what was found, what was expected, what to do."""

from __future__ import annotations

from pathlib import Path

__all__ = [
    "FitError",
    "InputError",
    "ProbekitError",
    "ProbekitWarning",
    "TouchesError",
    "UndeterminedError",
    "UntouchedError",
    "how_to_install",
    "in_full",
]


def how_to_install(extra: str) -> str:
    """How to install an extra: from the clone, since the name probekit on the public index belongs to a stranger."""
    return f'Run in the folder of the clone of probekit: pip install ".[{extra}]"'


class ProbekitError(Exception):
    """Base of every error that probekit raises on purpose."""


def in_full(error: BaseException) -> str:
    """The message of an error, with the notes that were added to it on its way."""
    return " ".join([str(error), *getattr(error, "__notes__", ())])


class ProbekitWarning(UserWarning):
    """Something a person should look at, though the work can go on."""


class FitError(ProbekitError, RuntimeError):
    """A fit that did not converge: its result would mean nothing."""


class UndeterminedError(FitError):
    """A fit that the touches do not determine.

    Parameters
    ----------
    motions : list of str
        The motions that change no deviation, in words; kept as the attribute of that name.
    """

    def __init__(self, motions: list[str]) -> None:
        self.motions = tuple(motions)
        super().__init__(
            "the touches do not fix the part: it could " + "; ".join(motions) + " and no deviation would change. "
            'Touch more faces, leave those degrees of freedom out of free=, or hold them with undetermined="hold".'
        )


class InputError(ProbekitError, ValueError):
    """Input that cannot be used.

    Parameters
    ----------
    what : str
        One sentence: what is wrong.
    file : str or Path, optional
        The file it is in.
    line : int, optional
        Line of the file, counted from 1.
    column : str, optional
        Column of a table, or key of a study: the message calls it after the file.
    found, expected : optional
        What was read, and what would have been right.
    todo : str, optional
        What the user should do.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | Path | None = None,
        line: int | None = None,
        column: str | None = None,
        found: object = None,
        expected: object = None,
        todo: str | None = None,
    ) -> None:
        self.what, self.file, self.line, self.column = what, file, line, column
        self.found, self.expected, self.todo = found, expected, todo
        where = ", ".join(
            part
            for part in (
                str(file) if file is not None else "",
                f"line {line}" if line is not None else "",
                f"{_called(file)} '{column}'" if column is not None else "",
            )
            if part
        )
        text = f"{where}: {what}" if where else what
        if found is not None:
            text += f"; found {_shown(found)}"
        if expected is not None:
            text += f"; expected {expected}"
        super().__init__(text + (f". {todo}" if todo else ""))


class TouchesError(InputError):
    """Touches that do not carry what is asked of them: too few, too close together, or not all round."""


class UntouchedError(TouchesError):
    """A name that no touch bears, in `found`: a feature that was not touched, or a slip of the hand."""


def _called(file: str | Path | None) -> str:
    """What a file calls its named values: a study has keys, a table has columns."""
    return "key" if str(file).lower().endswith(".toml") else "column"


def _shown(found: object, limit: int = 80) -> str:
    """A value as it may stand in a message: quoted, control characters escaped, cut to a sane length."""
    text = repr(found) if isinstance(found, str) else str(found)
    return text if len(text) <= limit else text[: limit - 3] + "..."
