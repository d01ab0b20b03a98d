"""Projection in one call, for those who need its settings once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .projection import Projection

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["project"]


def project(touches: pd.DataFrame | np.ndarray, nominal: Nominal, **options: Any) -> pd.DataFrame:
    """Project touches on the nominal: ``Projection(nominal, **options).project(touches)``.

    Parameters
    ----------
    touches : DataFrame or (n, 3) array
        Touches table, or bare positions [mm].
    nominal : Nominal
    **options
        The further parameters of `Projection`: stylus, compensate, along, normal, named, max_distance, ambiguity,
        allowance.

    Returns
    -------
    DataFrame
        The deviations table.

    Raises
    ------
    InputError
        As `Projection` and its `project` do.
    """
    return Projection(nominal, **options).project(touches)
