"""Which motions a set of touches cannot fix: a plane lets the part slide, a bore lets it turn.

The rows of the Jacobian say how each deviation changes with each degree of freedom. Its small singular values are
motions that change no deviation; they are put in words as slides and turns.
"""

from __future__ import annotations

import numpy as np

from ..geometry import cross_matrix

__all__ = ["describe_motions", "held_directions", "undetermined_motions"]

_SMALL = 0.02  # a turn about an axis more than fifty arms away is a slide; facets blur the directions by this order


def undetermined_motions(jacobian: np.ndarray, *, below: float) -> tuple[np.ndarray, np.ndarray]:
    """Motions that hardly change any deviation.

    Parameters
    ----------
    jacobian : (n, k) float
        Change of each deviation per unit of each of k free parameters, turns divided by the typical arm of the
        touches, so that every column is per millimetre moved.
    below : float
        A motion is undetermined if one millimetre of it changes the deviations by less than this, root mean square.

    Returns
    -------
    null : (k, m) float
        Orthonormal basis of the undetermined motions; m = 0 if all is determined.
    sensitivity : (k,) float
        Singular values over sqrt(n), largest first [mm per mm].
    """
    n, k = jacobian.shape
    full = np.vstack([jacobian, np.zeros((max(0, k - n), k))])
    _, singular, vt = np.linalg.svd(full, full_matrices=False)
    sensitivity = singular / np.sqrt(max(n, 1))
    return vt[sensitivity < below].T, sensitivity


def describe_motions(null: np.ndarray, free: np.ndarray, centre: np.ndarray, length: float) -> list[str]:
    """Undetermined motions in words: slides first, then turns.

    Parameters
    ----------
    null : (k, m) float
        As `undetermined_motions` gives it.
    free : (6,) bool
        Which of tx, ty, tz, rx, ry, rz the k rows are.
    centre : (3,) float
        Centre of the touches, about which turns were parametrised [mm].
    length : float
        Arm by which turns were scaled [mm].
    """
    slides, turns = _slides_and_turns(null, free)
    words = []
    if slides.shape[1] == 3:
        words.append("slide in any direction")
    elif slides.shape[1] == 2:
        words.append(f"slide in the plane normal to {_vector(np.cross(slides[:, 0], slides[:, 1]))}")
    elif slides.shape[1] == 1:
        words.append(f"slide along {_vector(slides[:, 0])}")
    basis = slides if slides.shape[1] else np.zeros((3, 1))
    if turns.shape[1] == 3:
        pivot = _common_pivot(turns, centre, length)
        words.append(f"turn about any axis through {_point(pivot)}")
    else:
        for k in range(turns.shape[1]):
            w = turns[3:, k] / length
            t = turns[:3, k] - basis @ (np.linalg.pinv(basis) @ turns[:3, k])
            axis = w / np.linalg.norm(w)
            through = centre + np.cross(w, t) / (w @ w)
            pitch = float(t @ axis) / float(np.linalg.norm(w))
            kind = "turn" if abs(pitch) < _SMALL * length else "screw"
            words.append(f"{kind} about the axis {_vector(axis)} through {_point(through)}")
    return words


def held_directions(null: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Directions (k, m) to hold at zero so that no undetermined motion is made: pure slides, and pure turns.

    Not the motions themselves: a turn about an axis beside the centre is a turn and a slide, and to hold both would
    let a shift of the part show as a turn.
    """
    slides, turns = _slides_and_turns(null, free)
    pure = np.zeros((6, null.shape[1]))
    pure[:3, : slides.shape[1]] = slides
    pure[3:, slides.shape[1] :] = turns[3:]
    return pure[free]


def _slides_and_turns(null: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Undetermined motions recombined: slides (3, a), and turns (6, b) that may slide, too."""
    motions = np.zeros((6, null.shape[1]))
    motions[free] = null
    _, turning, vt = np.linalg.svd(motions[3:], full_matrices=True)
    turning = np.concatenate([turning, np.zeros(null.shape[1] - len(turning))]) if null.shape[1] > 3 else turning
    combined = motions @ vt.T
    return combined[:3, turning < _SMALL], combined[:, turning >= _SMALL]


def _common_pivot(turns: np.ndarray, centre: np.ndarray, length: float) -> np.ndarray:
    """The point that three turns leave in place: solve w x (p - centre) = -t for all of them."""
    rows, right = [], []
    for k in range(turns.shape[1]):
        w, t = turns[3:, k] / length, turns[:3, k]
        rows.append(cross_matrix(w))
        right.append(-t)
    return centre + np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=None)[0]


def _vector(v: np.ndarray) -> str:
    v = v / np.linalg.norm(v)
    v = v * np.sign(v[np.abs(v).argmax()])
    return "({:.3f}, {:.3f}, {:.3f})".format(*(np.round(v, 3) + 0.0))


def _point(p: np.ndarray) -> str:
    return "({:.2f}, {:.2f}, {:.2f})".format(*(np.round(p, 2) + 0.0))
