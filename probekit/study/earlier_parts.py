"""What earlier parts of the process tell of this one: the table that ``[surface] earlier`` names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..csv_text import read_csv_text
from ..errors import InputError
from ..field import learn_prior
from ..making import blaming
from ..uncertainty import Scatter

if TYPE_CHECKING:
    import pandas as pd

    from ..field.earlier import Earlier
    from ..tolerance import Evaluation

__all__ = ["earlier_of", "earlier_table"]

MODEL_DIGITS = 12  # of the SHA-256 of a model that an export names
_PART = ("part", "record")  # columns that may say the part: the first that there is


def earlier_of(
    wanted: Mapping[str, Any],
    folder: Path,
    one: Evaluation,
    touches: pd.DataFrame,
    scatter: Scatter,
    *,
    area: float,
    white: float,
    model: str = "",
) -> Earlier | None:
    """What earlier parts tell of the surface of one tolerance; None if the study names none.

    Parameters
    ----------
    wanted : mapping
        The table ``[surface]``; its file holds deviations of many parts one below the other, as ``probekit history
        FOLDER --export`` writes them, with a column `record` or `part`.
    folder : Path
        That of the study.
    one : Evaluation
        The tolerance.
    touches : DataFrame
        Those that it judges.
    scatter : Scatter
        Their uncertainty. What touches of a part share counts as form of the earlier parts, which is on the safe side.
    area, white : float
        See `probekit.field.learn_prior`.
    model : str
        SHA-256 of the model of the part.

    Raises
    ------
    InputError
        If the file cannot be read, or cannot be learned from.
    """
    if "earlier" not in wanted:
        return None
    path = folder / str(wanted["earlier"])
    table, part = earlier_table(path, model)
    if "feature" in table:
        table = table[table["feature"].isin(set(touches["feature"]))]
    first = table[table[part] == table[part].iloc[0]] if len(table) else table
    own = Scatter.independent(np.full(len(first), np.sqrt(np.mean(scatter.own**2))))
    with blaming(path, part):
        half = (one.upper - one.lower) / 2.0
        return learn_prior(table, own, area=area, zone=half, white=white, part=part)


def earlier_table(path: str | Path, model: str) -> tuple[pd.DataFrame, str]:
    """Deviations of earlier parts from a file, and the column that says the part.

    Parameters
    ----------
    path : str or Path
    model : str
        SHA-256 of the model of the part that is judged or planned; without one its revision is not compared.

    Raises
    ------
    InputError
        If the file cannot be read, does not say the part, or has parts of another revision of the model: one that the
        column `model` names, which an export of an archive has.
    """
    try:
        table = read_csv_text(Path(path).read_text(encoding="utf-8-sig"), texts=("model",))
    except (OSError, ValueError) as error:
        raise InputError(f"the table of earlier parts cannot be read ({error})", file=path) from None
    part = next((name for name in _PART if name in table), None)
    if part is None:
        raise InputError(
            "the table of earlier parts does not say the part", file=path, column="part", expected="part or record"
        )
    if "model" in table:
        _require_one_model(table.groupby(table["model"].astype(str))[part].nunique(), path, model)
    return table, part


def _require_one_model(parts: pd.Series, path: str | Path, model: str) -> None:
    """Raise unless all parts, counted by their model, are of the one that is meant."""
    mine = model[:MODEL_DIGITS]
    if len(parts) > 1 or (model and len(parts) and parts.index[0] != mine):
        raise InputError(
            "the earlier parts are not all of this revision of the model",
            file=path,
            column="model",
            found=", ".join(f"{name} ({count} parts)" for name, count in parts.items()),
            expected=f"{mine} alone" if model else "one",
            todo="Export the parts of one revision: probekit history FOLDER --export csv --to NEW --like RECORD. If "
            "the judged faces did not change with the model, say so by leaving the column out of the file.",
        )
