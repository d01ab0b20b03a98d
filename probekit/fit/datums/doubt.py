"""How sure a datum frame is: what each touch moves in it, how far its touches scatter, and what nothing tells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri

from ...errors import InputError
from ..few import student
from .twists import adjoint

if TYPE_CHECKING:
    import pandas as pd

    from .frame import Step

__all__ = ["CHANCE", "exactly_fixed", "gain_of", "spread_of", "tied"]

CHANCE = 0.05  #: of scatter as large as that seen, if the touches are as certain as stated


def gain_of(steps: list[Step], centre: np.ndarray, arm: float, *, squares: bool = False) -> np.ndarray:
    """(6, n) twist of the result with the deviation of each touch, carried through the order of precedence.

    With `squares` as if each simulator settled by least squares.
    """
    counts = [len(step.part.rows) for step in steps]
    gain, at = np.zeros((6, sum(counts))), 0
    for step, m in zip(steps, counts, strict=True):
        own = slice(at, at + m)
        at += m
        if step.settled is None:
            continue
        gain = adjoint(step.settled.motion, centre, arm) @ gain
        change = step.slope @ gain  # of its deviations, by what came before
        change[:, own] += np.eye(m)
        k = step.taken.shape[1]
        side = -1.0 if step.part.datum.settles_by == "least_material" else 1.0  # the design has that sign
        own_gain = -side * np.linalg.pinv(step.settled.design, rcond=1e-10)[:k] if squares else step.settled.gain
        gain = gain + step.taken @ (own_gain @ change)
    return gain


def spread_of(
    table: pd.DataFrame,
    steps: list[Step],
    deviations: list[np.ndarray],
    rows: np.ndarray,
    u: float | np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray]:
    """(n,) standard uncertainty of each touch as stated, and with the form that its feature shows; NaN if unknown.

    Where nothing is stated the touches are as they scatter, with Student's factor.
    """
    if u is None and "u" in table and np.isfinite(table["u"].to_numpy(dtype=float)[rows]).all():
        stated = table["u"].to_numpy(dtype=float)[rows]
        return stated, stated
    if u is not None:
        u = np.asarray(u, dtype=float)
        if u.ndim and u.shape != (len(table),):
            raise InputError("u must have one entry per row", found=f"shape {u.shape}", expected=f"({len(table)},)")
        if not ((u >= 0) & np.isfinite(u)).all():
            raise InputError("u must be finite and not negative", found=u)
        stated = np.broadcast_to(u, len(table))[rows]
        return stated, _as_they_scatter(steps, deviations, stated)
    found = np.array([step.scatter(d) for step, d in zip(steps, deviations, strict=True)])
    squares, freedoms = found.sum(axis=0)
    seen = np.full(len(rows), student(int(freedoms)) * np.sqrt(squares / freedoms) if freedoms else np.nan)
    return seen, seen


def _as_they_scatter(steps: list[Step], deviations: list[np.ndarray], stated: np.ndarray) -> np.ndarray:
    """(n,) as stated; on a feature whose touches scatter by more than chance makes of that, by their scatter."""
    spread, at = stated.copy(), 0
    for step, deviation in zip(steps, deviations, strict=True):
        own = slice(at, at + len(deviation))
        at += len(deviation)
        squares, freedoms = step.scatter(deviation)
        mean = float(np.mean(stated[own] ** 2))
        if freedoms and mean > 0 and squares > float(chdtri(freedoms, CHANCE)) * mean:
            spread[own] *= student(freedoms) * np.sqrt(squares / freedoms / mean)
    return spread


def exactly_fixed(step: Step) -> tuple[str, ...]:
    """A note where as many touches as unknowns leave no residual."""
    n = len(step.part.rows)
    if step.settled is None or n > np.linalg.matrix_rank(np.hstack([step.slope @ step.taken, step.member]), tol=1e-6):
        return ()
    named = " and ".join(dict.fromkeys(one.kind for one in step.part.counterparts))
    return (
        f"datum {step.part.datum.letter}: {n} touch{'es fix' if n > 1 else ' fixes'} what it takes of this {named} "
        f"exactly; {'their residuals are' if n > 1 else 'its residual is'} zero by construction and "
        f"{'say' if n > 1 else 'says'} nothing. How sure it is comes from what is stated of the touches, and "
        "holds only if the feature is as true to form as that allows for",
    )


def tied(step: Step) -> tuple[str, ...]:
    """A note where the simulator of a datum is not the only one: which one was taken."""
    found, datum = step.settled, step.part.datum
    if found is None:
        return ()
    if found.tie:
        kind = "mating envelope" if datum.settles_by == "mating" else "minimum material envelope"
        return (
            f"datum {datum.letter}: its {kind} is not unique, one as large lies {found.tie:.4f} mm away; of all such "
            "the one nearest to its touches by least squares is taken",
        )
    planes = {one.kind for one in step.part.counterparts} == {"plane"}
    if datum.settles_by == "tangent" and planes and len(found.active) < step.taken.shape[1]:
        on = f"{len(found.active)} touch{'es' if len(found.active) > 1 else ''}"
        return (
            f"datum {datum.letter}: its tangent plane rests on {on} alone and could rock; the one nearest to all its "
            "touches by least squares is taken",
        )
    return ()
