"""Tolerances that cannot be judged, because the touches do not carry them; the others are judged all the same."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from ..errors import FitError, InputError, ProbekitError, TouchesError, UntouchedError, in_full
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

    from .evaluation import Evaluation
    from .spec import Tolerance

__all__ = ["Unjudged", "attempted", "attempted_together"]

_Found = TypeVar("_Found")


@shown
@dataclass(frozen=True, eq=False)
class Unjudged:
    """A tolerance without an actual value: its touches, or those of its datums, do not fix what it is about.

    A verdict takes it in place of an `Evaluation`, and is then undecided at best.

    Attributes
    ----------
    name : str
        What the tolerance is called.
    kind : str
        "profile of a surface", "flatness", ...
    features : tuple of str
        Features (or faces) that it names; all if empty.
    width : float
        Tolerance [mm]; NaN where it states none.
    reason : str
        Why, in one sentence or more.
    rows : (n,) int
        Positions, in the deviations table, of the touches on these features.
    """

    name: str
    kind: str
    features: tuple[str, ...]
    width: float
    reason: str
    rows: np.ndarray

    @classmethod
    def of(cls, tolerance: Tolerance, reason: str, deviations: pd.DataFrame) -> Unjudged:
        """One for a tolerance that could not be evaluated on a table."""
        columns = [deviations[one].to_numpy(dtype=object) for one in ("feature", "face") if one in deviations]
        named = np.zeros(len(deviations), dtype=bool)
        for column in columns:
            named |= np.isin(column.astype(str), list(tolerance.features))
        rows = np.flatnonzero(named) if tolerance.features else np.arange(len(deviations))
        width = float("nan") if tolerance.width is None else float(tolerance.width)
        limits = getattr(tolerance, "limits", None)
        if np.isnan(width) and limits is not None:
            width = float(limits[1] - limits[0])
        return cls(tolerance.name, tolerance.characteristic, tuple(tolerance.features), width, reason, rows)

    @property
    def sentence(self) -> str:
        """The tolerance, and why it is not judged."""
        return f"{self.name}: not judged: {self.reason}"


def attempted(
    evaluate: Callable[[], _Found], names: Container[str], about: str = ""
) -> tuple[_Found, None] | tuple[None, str]:
    """What a function finds; or None, and why the touches do not carry it.

    Parameters
    ----------
    evaluate : callable
    names : container of str
        Names of features that there are, whether they were touched or not.
    about : str
        What the reason begins with.

    Raises
    ------
    InputError
        For what is not the fault of the touches: a value that cannot be used, a feature that there is not.
    """
    try:
        return evaluate(), None
    except UntouchedError as error:
        if error.found not in names:
            raise
        return None, about + f"no touch is on {error.found}"
    except (TouchesError, FitError) as error:
        return None, about + _told(error)


def attempted_together(
    members: Sequence[int],
    evaluate: Callable[[Sequence[int]], tuple[Evaluation, ...]],
    called: Callable[[int], str],
    names: Container[str],
) -> dict[int, Evaluation | str]:
    """Evaluations of tolerances that share a placement; of those that cannot take part, why.

    Parameters
    ----------
    members : sequence of int
    evaluate : callable
        Evaluates some of them at one placement.
    called : callable
        Name of a member, for the notes of the others: a placement for fewer tolerances suits them better.
    names : container of str
        As for `attempted`.
    """
    found, why = attempted(lambda: evaluate(members), names)
    if found is not None:
        return dict(zip(members, found, strict=True))
    alone = {k: attempted(lambda k=k: evaluate([k]), names)[1] for k in members}
    out: dict[int, Evaluation | str] = {k: text for k, text in alone.items() if text is not None}
    left = [k for k in members if k not in out]
    if not out or not left:
        return {k: out.get(k, why or "") for k in members}
    lacking = ", ".join(f"'{called(k)}'" for k in out)
    note = f"simultaneous requirement: placed without {lacking}, not judged; with it the value may be larger"
    rest = attempted_together(left, evaluate, called, names)
    return out | {k: one if isinstance(one, str) else replace(one, notes=(*one.notes, note)) for k, one in rest.items()}


def _told(error: ProbekitError) -> str:
    """The message of an error without the place it is from; the tolerance that it is about says that."""
    if isinstance(error, InputError):
        bare = InputError(error.what, found=error.found, expected=error.expected, todo=error.todo)
        return " ".join([str(bare), *getattr(error, "__notes__", ())])
    return in_full(error)
