"""The touches table of a run: what the record lines ask for, as the control would report it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

from ..columns import APPROACH, NORMAL, TARGET, TURN
from ..errors import InputError
from ..program.reading.steps import Step
from .axes import Axes
from .contact import Ball
from .results import MACHINE

__all__ = ["results_table"]


def results_table(
    steps: Sequence[Step], axes: Axes, balls: Sequence[Ball], seconds: np.ndarray, decimals: int
) -> pd.DataFrame:
    """One row per record line.

    Parameters
    ----------
    steps : sequence of Step
        That were carried out.
    axes : Axes
    balls : sequence of Ball
        Of the probe.
    seconds : (at least n,) float
        Time at which each step begins.
    decimals : int
        Of the positions [mm].

    Returns
    -------
    DataFrame
        Columns of the touches table; further ``ai, aj, ak`` direction of the probing move; ``seconds``; with rotary
        axes ``angle_a``, ... [degree]; where the probe's frame is not the part's ``turn_x, turn_y, turn_z``; where a
        record line names a further tip ``tip``. ``x, y, z`` is the centre of the named tip's ball.

    Raises
    ------
    InputError
        If a touch is recorded twice, or names a tip that the probe does not have.
    """
    again = {(step.line, step.detail.touch): row for row, step in enumerate(steps) if step.kind == "record"}
    rows = sorted(again.values())  # of a touch that a program makes again the last one counts
    records = [steps[row].detail for row in rows]
    count, lines, places = len(rows), {}, {ball.tip: ball.place for ball in balls}
    for row, record in zip(rows, records, strict=True):
        if record.touch in lines:
            raise InputError(
                f"touch {record.touch} is recorded twice: lines {lines[record.touch]} and {steps[row].line}",
                line=steps[row].line,
                todo="Give every touch of a program its own number",
            )
        if record.tip not in places:
            raise InputError(
                f"touch {record.touch} names a tip that the probe does not have",
                line=steps[row].line,
                column="TIP",
                found=record.tip,
                expected=f"of {', '.join(map(str, places))}",
            )
        lines[record.touch] = steps[row].line
    probings = [_last_probing(steps, row) for row in rows]
    angles = np.array([record.angles for record in records], dtype=float).reshape(count, len(axes.ideal.axes))
    trigger = np.array([record.trigger or (np.nan,) * 3 for record in records], dtype=float).reshape(count, 3)
    moves = np.array([_direction(step) for step in probings], dtype=float).reshape(count, 3)
    tips = np.array([places[record.tip] for record in records], dtype=float).reshape(count, 3)
    known = np.isfinite(trigger).all(axis=1)
    measured = np.full((count, 3), np.nan)
    measured[known] = np.round(axes.reported(trigger[known], angles[known], tips[known]), decimals) + 0.0
    approach = axes.directions_in_part(moves, angles) if count else moves
    table = pd.DataFrame(
        {"touch": [record.touch for record in records], "feature": [record.feature for record in records]}
    )
    for names, values in (
        (TARGET, np.array([record.target for record in records], dtype=float).reshape(count, 3)),
        (NORMAL, np.array([record.normal for record in records], dtype=float).reshape(count, 3)),
        (("x", "y", "z"), measured),
    ):
        for column, name in enumerate(names):
            table[name] = values[:, column] + 0.0
    table["reason"] = [
        "" if fine else "no trigger" if step is not None else "no probing move before the record"
        for fine, step in zip(known, probings, strict=True)
    ]
    for column, name in enumerate(APPROACH):
        table[name] = np.round(approach[:, column], 15) + 0.0
    table["seconds"] = np.round(seconds[rows], 3)
    if any(record.tip for record in records):
        table["tip"] = [record.tip for record in records]
    for column, letter in enumerate(axes.ideal.letters):
        table[f"angle_{letter.lower()}"] = angles[:, column]
    turns = axes.turns(angles) if count else np.empty((0, 3, 3))
    if axes.ideal.axes or not np.allclose(turns, np.eye(3)):
        vectors = Rotation.from_matrix(turns).as_rotvec(degrees=True) if count else np.empty((0, 3))
        for column, name in enumerate(TURN):
            table[name] = np.round(vectors[:, column], 9) + 0.0
    table.attrs = {"unit": "mm", "recorded": "centre", "machine": MACHINE}
    return table


def _last_probing(steps: Sequence[Step], row: int) -> Step | None:
    """The probing move that a record line writes down; None if there is none since the record before."""
    told = (place for place in range(row - 1, -1, -1) if steps[place].kind in ("record", "probe"))
    place = next(told, None)
    return None if place is None or steps[place].kind == "record" else steps[place]


def _direction(step: Step | None) -> tuple[float, float, float]:
    if step is None:
        return (np.nan,) * 3
    way = np.subtract(step.end, step.start)
    length = float(np.linalg.norm(way))
    return tuple((way / length).tolist()) if length > 0 else (np.nan,) * 3
