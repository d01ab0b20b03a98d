"""All over and all around: which faces the touches of such a tolerance do not reach.

A profile "all over" asks for every face of the part, "all around" for every face along an outline (ASME Y14.5-2018,
11.2; ISO 1101:2017, 9.1: double circle and circle at the leader; from memory). What is judged is the touches. So
neither changes the value: both are checked, and what is not covered is told.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError, ProbekitWarning

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["around_notes", "checked_around", "closes"]

_NAMES = 8


def checked_around(around: str, features: tuple[str, ...], name: str) -> None:
    """Refuse an outline whose faces are not named.

    Raises
    ------
    InputError
    """
    if around == "all around" and not features:
        raise InputError(
            f"tolerance '{name}' is all around, and no face is named",
            column="features",
            todo="Name the faces along the outline: the model does not say which outline the drawing means.",
        )


def around_notes(
    deviations: pd.DataFrame,
    rows: np.ndarray,
    nominal: Nominal | None,
    around: str,
    features: tuple[str, ...],
    name: str,
) -> tuple[str, ...]:
    """What "all over" or "all around" would need, and the touches do not give.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    rows : (n,) int
        The touches judged.
    nominal : Nominal or None
        Without it nothing can be checked, and that is said.
    around : str
        "all over", "all around", or "" for neither.
    features : tuple of str
        Features or faces that the tolerance names.
    name : str
        What it is called.

    Warns
    -----
    ProbekitWarning
        If a face has no touch.
    """
    if not around:
        return ()
    if nominal is None:
        return (f"{around}: without the nominal it is not known whether each face has a touch",)
    touched = set(deviations["face"].iloc[rows].astype(str))
    wanted = set(nominal.face_names) if around == "all over" else (set(features) & set(nominal.face_names)) | touched
    bare = [face for face in nominal.face_names if face in wanted - touched]
    each = f"each of {len(wanted)} faces" if len(wanted) > 1 else "the one face"
    notes = [f"{around}: {each} has a touch"] if not bare else []
    if bare:
        areas = dict(zip(nominal.face_names, nominal.face_areas, strict=True))
        share = 100 * sum(areas[face] for face in bare) / sum(areas[face] for face in wanted if face in areas)
        listed = ", ".join(bare[:_NAMES]) + (f" and {len(bare) - _NAMES} more" if len(bare) > _NAMES else "")
        said = f"{around}: {len(bare)} of {len(wanted)} faces have no touch and are not judged: {listed}"
        notes.append(f"{said} ({share:z.0f} % of the area)")
        warnings.warn(f"tolerance '{name}' is {notes[-1]}", ProbekitWarning, stacklevel=2)
    if around == "all around" and not closes(nominal, wanted):
        notes.append(
            "all around: the faces named do not close to a ring, so a face of the outline may be missing from the list"
        )
    return tuple(notes)


def closes(nominal: Nominal, faces: Iterable[str]) -> bool:
    """Whether each connected piece of some faces goes all around: its border is none, or more than one loop.

    A strip that ends has one loop of border, a band that closes has two. A hole in a strip adds a loop as well, so that
    True is no proof.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    index = [k for k, face in enumerate(nominal.face_names) if face in set(faces)]
    facets = nominal.facets[np.isin(nominal.facet_face, index)]
    n = len(nominal.vertices)
    ends = np.sort(np.concatenate([facets[:, [0, 1]], facets[:, [1, 2]], facets[:, [2, 0]]]), axis=1)
    edges, count = np.unique(ends, axis=0, return_counts=True)
    border = edges[count == 1]

    def pieces(pairs: np.ndarray) -> np.ndarray:
        return connected_components(coo_array((np.ones(len(pairs)), pairs.T), shape=(n, n)), directed=False)[1]

    piece, loop = pieces(edges), pieces(border)
    at = np.unique(border[:, 0])
    loops = np.unique(np.column_stack([piece[at], loop[at]]), axis=0)[:, 0]
    return not (np.bincount(loops) == 1).any()
