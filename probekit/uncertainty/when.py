"""When each touch was made, as part of the run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["elapsed"]

ORDER = "no time of each touch (column time): their order in the table is taken for it"


def elapsed(table: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """When each touch was made, from 0 at the first to 1 at the last.

    Parameters
    ----------
    table : (n rows) DataFrame
        With a column `time`: numbers of any unit, dates with times as ISO 8601 writes them, or times of one day as
        ``08:05:00``. Without one, or where one is missing or cannot be read, the order of the rows.

    Returns
    -------
    (n,) float
    list of str
        What there is to say.
    """
    n = len(table)
    order, said = np.linspace(0.0, 1.0, n) if n > 1 else np.zeros(n), [ORDER] if n > 1 else []
    if "time" not in table:
        return order, said
    time = _numbers(table["time"])
    if not np.isfinite(time).all() or not n:
        lost = int((~np.isfinite(time)).sum())
        return order, [
            f"{lost} touches have no time that can be read: the order in the table is taken for all"
        ] if n else []
    span = float(time.max() - time.min())
    return ((time - time.min()) / span if span > 0 else np.zeros(n)), []


def _numbers(column: pd.Series) -> np.ndarray:
    """A column of times as numbers; NaN where one cannot be read."""
    import pandas as pd

    if column.dtype.kind not in "Mm":
        column = column.astype(object)
        numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
        if np.isfinite(numbers).any():
            return numbers
    if column.dtype.kind != "m":
        dates = pd.to_datetime(column, errors="coerce", format="ISO8601", utc=True)
        if dates.notna().any():
            column = dates - pd.Timestamp(0, tz="UTC")
    return pd.to_timedelta(column, errors="coerce").dt.total_seconds().to_numpy(dtype=float)
