"""Plausibility of a whole table: units, exchanged columns, exchanged axes, centres taken for contact points."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from ..columns import MEASURED, NORMAL, TARGET, array
from ..errors import InputError
from ..values import unseen
from .rows import Rows, check_rows
from .table import INCH, TEXTS

__all__ = ["check", "standoff"]

_FITS = 0.2  # an explanation counts if it brings measured and targets this much nearer (as a factor)
_CLOSE = 0.01  # median distance below this part of the diagonal: nothing to explain
_TELLING = 0.1  # mean square of what the motions leave of a constant height; with less the two cannot be told apart
_FORMULA = ("=", "@", "+cmd", "-cmd")
_COLD, _HOT = 0.0, 60.0  # outside of this nobody measures [degree Celsius]; common practice, no source
_COPIES = (
    1 / 3
)  # part of the touches that may stand where another does; a probe repeats itself to the last digit rarely
_SAMPLE = 2000  # touches that are enough to see exchanged axes


def check(table: pd.DataFrame, *, diagonal: float | None = None, aim: bool = True) -> list[str]:
    """Check that a touches table is plausible.

    Parameters
    ----------
    table : DataFrame
        Touches, as `read` gives them; not changed.
    diagonal : float, optional
        Diagonal of the part's bounding box [mm], ``nominal.diagonal``. Without it that of the targets, if there are
        at least three that are not all in one place.
    aim : bool
        Whether to look at how far, and on which side, touches are from their targets, too. `probekit.plausibility`,
        which knows the probing moves and the ball, says more of that.

    Returns
    -------
    list of str
        Notes: what a person should know though it is no error.

    Raises
    ------
    InputError
        If a row is wrong by itself (id, NaN, infinity, reason, unit vector); if a third of the touches are copies of
        others under new ids; if measured positions and targets are in
        different units (25.4 times or 1/25.4 of one another); if axes are exchanged or turned round; if a touch is
        further from its target than the part is large; if ball centres lie inside the material, so that measured
        and target columns look swapped.

    Notes
    -----
    The tests are rules of thumb with wide margins, so that set-up shifts and form errors pass: common practice, no
    source. Swapped measured and target columns cannot be told from the distance between them. They show in the
    height of ball centres along the normals, once the best rigid motion is taken out: see `standoff`.
    """
    if diagonal is not None and not (np.isfinite(diagonal) and diagonal > 0):
        raise InputError("the diagonal of the part is not usable", found=diagonal, expected="a positive number of mm")
    notes = check_rows(table) + _odd(table)
    rows = Rows(table)
    notes += _check_copies(rows, array(table, MEASURED), table)
    target, measured = array(table, TARGET), array(table, MEASURED)
    both = np.flatnonzero(np.isfinite(target).all(axis=1) & np.isfinite(measured).all(axis=1))
    size = _diagonal_of(target) if diagonal is None else float(diagonal)
    if not both.size or size is None:
        return [*notes, "too few touches with target and measured position: units and columns could not be checked"]
    _check_unit(rows, both, target[both], measured[both], size)
    _check_axes(target[both], measured[both], size, table)
    if not aim:
        return notes
    _check_distance(rows, both, np.linalg.norm(measured - target, axis=1)[both], size)
    return notes + _check_recorded(table, target[both], measured[both], size)


def _odd(table: pd.DataFrame) -> list[str]:
    """Notes on text that a spreadsheet would run as a formula, and on a temperature that no workshop has."""
    notes = []
    for name in ("touch", *TEXTS):
        cells = table[name].astype(str).tolist() if name in table else []
        if odd := [cell for cell in cells if unseen(cell, "\t\r\n")]:
            notes.append(
                f"column '{name}': {len(odd)} cells hold a character that cannot be seen or reverses the direction of "
                f"reading, the first one {odd[0]!a:.40}: they do not read as they are"
            )
        formulas = [cell for cell in cells if cell.startswith(_FORMULA)]
        if formulas:
            notes.append(
                f"column '{name}': {len(formulas)} cells begin like a spreadsheet formula, the first one "
                f"{formulas[0]!r:.40}: do not open this file in a spreadsheet; tables written of it are safe"
            )
    temperature = table.attrs.get("temperature")
    if isinstance(temperature, int | float) and not _COLD <= temperature <= _HOT:
        notes.append(f"a temperature of {temperature:g} degrees Celsius is not a workshop temperature")
    return notes


def _check_copies(rows: Rows, measured: np.ndarray, table: pd.DataFrame) -> list[str]:
    """Raise if many touches stand exactly where another does: a run read twice counts twice in every mean."""
    there = np.flatnonzero(np.isfinite(measured).all(axis=1))
    _, first, which = np.unique(measured[there], axis=0, return_index=True, return_inverse=True)
    earlier = there[first[which.ravel()]]
    copies = np.flatnonzero(earlier != there)
    if not len(copies):
        return []
    ids = table["touch"].to_numpy(dtype=object)
    one, other = there[copies[0]], earlier[copies[0]]
    said = f"{len(copies)} of {len(there)} touches have exactly the measured position of another one"
    if len(copies) < 3 or len(copies) < _COPIES * len(there):
        return [f"{said}: touch {ids[one]} that of touch {ids[other]}"]
    raise rows.error(
        one,
        f"{said}, so they were copied, not measured",
        column="x, y, z",
        found=f"the position of touch {ids[other]}",
        todo="Take the copies out: a run read twice counts twice, and makes the result look surer than it is.",
    )


def _diagonal_of(target: np.ndarray) -> float | None:
    target = target[np.isfinite(target).all(axis=1)]
    if len(target) < 3:
        return None
    size = float(np.linalg.norm(np.ptp(target, axis=0)))
    return size if size > 0 else None


def _distance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.linalg.norm(a - b, axis=1)


def _check_unit(rows: Rows, index: np.ndarray, target: np.ndarray, measured: np.ndarray, size: float) -> None:
    """Raise if a factor of 25.4 explains the distance of touches from their targets.

    A touch near the origin says nothing (all units give zero there), and a touch in other coordinates is as far away in
    any unit: undoing the factor must bring it near. A touch counts if it stands out against the others or most touches
    say the same; else a set-up shift that happens to point to the origin would count too.
    """
    now = _distance(measured, target)
    telling = (np.linalg.norm(target, axis=1) > 0.1 * size) & (now > _CLOSE * size)
    for factor, words in ((INCH, "1/25.4 of"), (1 / INCH, "25.4 times")):
        then = _distance(measured * factor, target)
        explained = telling & (then < _FITS * np.minimum(now, np.linalg.norm(target, axis=1)))
        if explained.mean() <= 0.5:
            explained &= now > 5 * np.median(now)
        hits = np.flatnonzero(explained)
        if hits.size:
            first = hits[0]
            raise rows.error(
                int(index[first]),
                f"mixed units: in {hits.size} of {len(now)} touches the measured position is {words} its target",
                column="x",
                found=", ".join(f"{c:.6g}" for c in measured[first]),
                expected=f"near the target {', '.join(f'{c:.6g}' for c in target[first])}",
                todo="Give all positions of a file in one unit, mm or inch, and state it",
            )


def _check_axes(target: np.ndarray, measured: np.ndarray, size: float, table: pd.DataFrame) -> None:
    """Raise if exchanging or turning round axes of the measured positions brings them to their targets."""
    step = max(1, len(target) // _SAMPLE)
    target, measured = target[::step], measured[::step]
    now = float(np.median(_distance(measured, target)))
    if len(target) < 3 or now <= _CLOSE * size:
        return
    ways = [
        (order, sign) for order in itertools.permutations(range(3)) for sign in itertools.product((1, -1), repeat=3)
    ]
    medians = [float(np.median(_distance(measured[:, order] * sign, target))) for order, sign in ways]
    best = int(np.argmin(medians))
    if medians[best] < _FITS * now:
        order, sign = ways[best]
        words = ", ".join(("-" if s < 0 else "") + MEASURED[n] for n, s in zip(order, sign, strict=True))
        raise InputError(
            f"the axes of the measured positions look exchanged: read as ({words}) they fit their targets",
            file=table.attrs.get("source"),
            column="x, y, z",
            found=f"median distance {now:.3f} mm as read as (x, y, z)",
            expected=f"about {medians[best]:.3f} mm, as read as ({words})",
            todo="Check the order of the columns and the frame in which the positions were recorded",
        )


def _check_distance(rows: Rows, index: np.ndarray, distance: np.ndarray, size: float) -> None:
    far = np.flatnonzero(distance > size)
    if far.size:
        raise rows.error(
            int(index[far[0]]),
            f"{far.size} of {len(distance)} touches are further from their target than the size of the part",
            column="x",
            found=f"{distance[far[0]]:.3f} mm",
            expected=f"at most the diagonal, {size:.3f} mm",
            todo="Check that x, y, z and x0, y0, z0 hold the right columns, in one frame and one unit",
        )


def _check_recorded(table: pd.DataFrame, target: np.ndarray, measured: np.ndarray, size: float) -> list[str]:
    """Notes on `recorded` against the height of the touches over their targets; raise if blocks look swapped."""
    normal = array(table, NORMAL)[np.isfinite(array(table, (*TARGET, *MEASURED))).all(axis=1)]
    use = np.isfinite(normal).all(axis=1)
    height, error, _ = standoff(target[use], normal[use], measured[use], size)
    sure = 5 * error
    recorded = table.attrs.get("recorded")
    if recorded == "centre" and height < -max(0.1, sure):
        raise InputError(
            "ball centres lie inside the material: measured x, y, z and targets x0, y0, z0 look swapped, "
            "or the normals i, j, k point inwards",
            file=table.attrs.get("source"),
            found=f"{height:.3f} mm along the outward normals on average",
            expected="about the ball's radius, positive",
            todo="Exchange the two groups of columns, or reverse the normals",
        )
    if recorded == "centre" and height + sure < 0.1:
        return [f"recorded as ball centres, but only {height:.3f} mm off their targets: they look like contact points"]
    if recorded == "contact" and abs(height) > max(0.3, sure):
        side = "outside" if height > 0 else "inside"
        return [
            f"recorded as contact points, but {abs(height):.3f} mm {side} their targets: they look like ball centres"
        ]
    return []


def standoff(target: np.ndarray, normal: np.ndarray, measured: np.ndarray, size: float) -> tuple[float, float, float]:
    """Mean height of touches along their normals that no small rigid motion explains.

    Parameters
    ----------
    target, normal, measured : (n, 3) float
        Targets, outward unit normals and measured positions [mm].
    size : float
        Size of the part, that makes turns comparable to shifts [mm].

    Returns
    -------
    height, error, scatter : float
        The height, its standard error, and the standard deviation of the touches about it [mm]. Where touches cannot
        tell a height from a motion (a single plane, say): NaN, infinite, NaN.

    Notes
    -----
    Least squares in the model (measured - target) . n = h + t . n + w . (target x n): h is the height, t and w a small
    translation and rotation. By the Frisch-Waugh-Lovell theorem h is the regression on what is left of the constant
    after projection on the six motions.
    """
    if len(target) < 8:
        return np.nan, np.inf, np.nan
    lever = (target - target.mean(axis=0)) / size
    motions = np.column_stack([normal, np.cross(lever, normal)])
    basis, weight, _ = np.linalg.svd(motions, full_matrices=False)
    basis = basis[:, weight > 1e-6 * weight[0]]
    rest = np.ones(len(target)) - basis @ basis.sum(axis=0)
    if np.mean(rest**2) < _TELLING:
        return np.nan, np.inf, np.nan
    height = np.einsum("ij,ij->i", measured - target, normal)
    constant = float(rest @ height / (rest @ rest))
    left = height - constant
    left = left - basis @ (basis.T @ left)
    scatter = float(np.sqrt(left @ left / max(len(target) - basis.shape[1] - 1, 1)))
    return constant, scatter / float(np.sqrt(rest @ rest)), scatter
