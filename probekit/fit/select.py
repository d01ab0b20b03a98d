"""Which touches a name means: those of the feature, or of the face, of that name; for fits, datums and tolerances."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..errors import UntouchedError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["select"]


def select(deviations: pd.DataFrame, names: str | Iterable[str], *, of: str = "") -> np.ndarray:
    """Rows (n,) bool of a touches or deviations table that lie on features or faces of some names.

    Parameters
    ----------
    deviations : DataFrame
        With a column `feature`, `face`, or both.
    names : str, or iterable of str
    of : str
        What asks, "datum A", for the error.

    Raises
    ------
    UntouchedError
        If no touch is on one of them, with all names that there are.
    """
    columns = [deviations[one].to_numpy(dtype=object) for one in ("feature", "face") if one in deviations]
    chosen = np.zeros(len(deviations), dtype=bool)
    for name in (names,) if isinstance(names, str) else names:
        here = np.zeros(len(deviations), dtype=bool)
        for column in columns:
            here |= np.array([one == name for one in column], dtype=bool)
        if not here.any():
            known = sorted({one for column in columns for one in column if isinstance(one, str) and one})
            raise UntouchedError(
                f"{of}: no touch is on that feature" if of else "no touch is on that feature",
                found=name,
                expected="one of " + ", ".join(known) if known else "a touch that names its feature or face: none does",
            )
        chosen |= here
    return chosen
