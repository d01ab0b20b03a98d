"""Where the envelope of a feature is not unique, the place of it that is most favourable to its position.

Two touches across a bore rule its mating envelope, and it slides between the others at the same size. ASME Y14.5.1-2019
has a set of candidates then, and the smallest value over the set decides; from memory.

symbol   meaning
r_i      how far touch i is outside the envelope, away from the material [mm]: r_i <= 0 (mating), >= 0 (least material)
q        small motion of the envelope: shift [mm] and turn [rad]; touch i then is r_i - n_i . v_i(q) outside

All q that keep to the limits of the touches, to 0.03 um, are candidates, to first order; the one that makes the
position least is found as the placement of a zone is, with the sign of the motion turned.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..errors import FitError
from ..fit.datums.freedom import Freedom
from ..fit.datums.twists import velocity_rows
from ..geometry import across, apply_motion
from .cover import Covered
from .settle import Held, settle

__all__ = ["most_favourable"]

_EQUAL = 3e-5  # envelopes that leave their touches by no more than this are equally large [mm]
_APART = 1e-3  # positions nearer than this are one [mm]


def most_favourable(one: Held, covered: Covered) -> Held:
    """A feature with its envelope where its position is least, and a note, if that is noticeably less.

    Parameters
    ----------
    one : Held
        With a feature derived by an envelope.
    covered : Covered
        Its touches.
    """
    feature, at, residuals = one.feature, covered.contact.mean(axis=0), one.feature.residuals
    side = 1.0 if residuals.max() <= -residuals.min() else -1.0
    square = across(feature.direction)
    slides = {"axis": square, "centre": np.eye(3), "middle plane": feature.direction[None]}[feature.of]
    turns = np.zeros((0, 3)) if feature.of == "centre" or feature.held else square
    motions = np.zeros((6, len(slides) + len(turns)))
    motions[:3, : len(slides)], motions[3:, len(slides) :] = slides.T, turns.T
    rows = -side * velocity_rows(covered.contact, covered.normal, at, 1.0) @ motions
    limits = np.maximum(_EQUAL - side * residuals, 0.0)
    try:
        motion = settle([one], Freedom(("candidates of the envelope",), motions, at, rows, limits))
    except FitError:  # limits so narrow that the solver does not see between them: the envelope stays where it is
        return one
    gained = one.unit * (one.share(np.eye(4)) - one.share(motion))
    if gained < _APART:
        return one
    point = apply_motion(motion, feature.point[None])[0]
    direction = motion[:3, :3] @ feature.direction
    moved = velocity_rows(covered.contact, covered.normal, at, 1.0) @ _twist(motion, at)
    left = side * (residuals - moved)
    note = (
        "its envelope is not unique: of all places where it is as large, the one most favourable to its position is "
        f"taken, by {gained:.4f} mm less"
    )
    active = tuple(np.flatnonzero(left >= -_EQUAL).tolist())
    found = replace(feature, point=point, direction=direction, active=active, notes=(*feature.notes, note))
    return replace(one, feature=found)


def _twist(motion: np.ndarray, at: np.ndarray) -> np.ndarray:
    """(6,) shift of a point [mm] and turn [rad] of a small motion."""
    turn = motion[:3, :3]
    spin = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) / 2
    return np.concatenate([apply_motion(motion, at[None])[0] - at, spin])
