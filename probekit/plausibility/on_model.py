"""Whether the targets lie on the model, and the likely cause where they do not."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

from ..columns import TARGET, array, words
from ..nominal.facets import FacetEngine
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["allowances", "targets_on_model"]

_BASE = 0.02  # targets may be off the model by this beside rounding and facets [mm]; common practice, no source
_SAMPLE = 200  # targets that are enough to guess a cause
_EXPLAINS = 0.2  # a cause counts if it brings the targets this much nearer (as a factor)
_SPREAD = 0.02  # of the part's diagonal: targets that a factor brings closer together are not explained by it


def allowances(part: Nominal, allowance: float | Mapping[str, float]) -> np.ndarray:
    """(faces + 1,) machining allowance by index of the face; zero for the index -1 of no face [mm]."""
    if not isinstance(allowance, Mapping):
        return np.append(np.full(len(part.face_names), float(allowance)), 0.0)
    return np.array([*(float(allowance.get(name, 0.0)) for name in part.face_names), 0.0])


def targets_on_model(
    touches: pd.DataFrame, part: Nominal, *, radius: float, allowance: float | Mapping[str, float] = 0.0
) -> list[Finding]:
    """Findings on targets that are not points of the model."""
    target = array(touches, TARGET)
    rows = np.flatnonzero(np.isfinite(target).all(axis=1))
    if not rows.size:
        return []
    target, feature = target[rows], touches["feature"].astype(str).to_numpy()[rows]
    feet = part.engine.feet(target)
    feature = np.where(feature == "", np.array(part.face_names, dtype=object)[feet.face], feature)
    rounding, chord = _rounding(target), np.append(part.chord_errors, 0.0)
    limit = _BASE + rounding + 3.0 * chord[feet.face]
    off = np.minimum(np.abs(feet.distance), np.abs(feet.distance - allowances(part, allowance)[feet.face]))
    bad = off > limit
    if not bad.any():
        return _off_their_face(touches.iloc[rows], part, target, limit, allowance)
    whole = [name for name in dict.fromkeys(feature) if np.median((off / limit)[feature == name]) > 1]
    shown = np.isin(feature, whole) if whole else bad
    ids = touches["touch"].to_numpy(dtype=object)[rows]
    expected = (
        f"within {np.median(limit[shown]):.3f} mm: {_BASE:g} mm, rounding of the file {rounding:.4f} mm, and three "
        "times the chord error of the facets"
    )
    if not whole:
        return [
            Finding(
                "look",
                f"{int(bad.sum())} of {len(rows)} targets do not lie on the model",
                found=f"up to {off.max():.3f} mm off",
                expected=expected,
                cause="a digit or a sign lost in x0, y0, z0",
                todo="Correct the targets, or take them out",
                touches=tuple(ids[bad].tolist()),
                name="targets off the model",
            )
        ]
    return [
        Finding(
            "stop",
            f"the targets of {', '.join(whole)} do not lie on the model"
            if len(whole) < 6
            else "the targets do not lie on the model",
            found=f"median distance {np.median(off[shown]):.3f} mm over {int(shown.sum())} targets",
            expected=expected,
            cause=_cause(part, target[shown], feet.distance[shown], feature[shown], radius),
            todo="Take the model that the program was made from, in the unit and the frame of the targets",
            touches=tuple(ids[shown & bad].tolist()),
            name="targets off the model",
        )
    ]


def _off_their_face(
    touches: pd.DataFrame, part: Nominal, target: np.ndarray, limit: np.ndarray, allowance: float | Mapping[str, float]
) -> list[Finding]:
    """A stop where a touch names one face and its target lies on another: it would be measured from the one it names.

    `target` (n, 3) and `limit` (n,) [mm] are those of the rows of `touches`.
    """
    named = words(touches, "face") if "face" in touches else np.full(len(touches), "", dtype=object)
    named = np.where(named == "", words(touches, "feature"), named)
    extra, off = allowances(part, allowance), np.zeros(len(touches))
    for face, name in enumerate(part.face_names):
        own = np.flatnonzero(named == name)
        if len(own):
            distance = part.engine.of_face(face)[0].feet(target[own]).distance
            off[own] = np.minimum(np.abs(distance), np.abs(distance - extra[face]))
    bad = np.flatnonzero(off > limit)
    if not len(bad):
        return []
    lies = part.engine.feet(target[bad]).face
    pairs = dict.fromkeys((str(named[row]), part.face_names[face]) for row, face in zip(bad, lies, strict=True))
    shown = "; ".join(f"named {one}, on {other}" for one, other in list(pairs)[:4])
    return [
        Finding(
            "stop",
            f"{len(bad)} of {len(touches)} targets do not lie on the face that their touch names",
            found=f"up to {off[bad].max():.3f} mm off it ({shown})",
            expected=f"within {limit[bad].max():.3f} mm",
            cause="the names of features were exchanged, or rows were moved",
            todo="Correct the column feature or face of these touches",
            touches=tuple(touches["touch"].to_numpy(dtype=object)[bad].tolist()),
            name="targets off the model",
        )
    ]


def _rounding(points: np.ndarray) -> float:
    """Largest distance [mm] that rounding to the decimals of the numbers can make."""
    for decimals in range(1, 7):
        if np.allclose(points, np.round(points, decimals), rtol=0, atol=1e-9):
            return 0.5 * 10.0**-decimals * np.sqrt(3.0)
    return 0.0


def _cause(part: Nominal, target: np.ndarray, signed: np.ndarray, feature: np.ndarray, radius: float) -> str:
    step = max(1, len(target) // _SAMPLE)
    some, before = target[::step], float(np.median(np.abs(signed)))
    engine = FacetEngine(part.vertices, part.facets, part.facet_face, len(part.face_names))
    best, words = np.inf, ""
    for said, moved, worth in _ways(part, some):
        left = float(np.median(np.abs(engine.feet(moved).distance))) / worth
        if left < 0.8 * best:
            best, words = left, said
    if best < _EXPLAINS * before and best < 0.005 * max(part.diagonal, float(np.ptp(target, axis=0).max())):
        return words
    if radius and np.median(np.abs(signed - radius)) < 0.1 * radius:
        return "they are ball centres, one ball radius outside the model"
    if radius and np.median(np.abs(signed + radius)) < 0.1 * radius:
        return "they are one ball radius inside the model"
    for name in dict.fromkeys(feature):
        own = signed[feature == name]
        if abs(np.median(own)) > before / 2 and np.median(np.abs(own - np.median(own))) < 0.1 * abs(np.median(own)):
            side = "outside" if np.median(own) > 0 else "inside"
            return (
                f"another part of a family, or another revision of the model: {name} lies {abs(np.median(own)):.3f} mm "
                f"{side} it all over; or an allowance that the study does not state"
            )
    return "another model, another frame, or measured and target columns exchanged"


def _ways(part: Nominal, target: np.ndarray) -> Iterator[tuple[str, np.ndarray, float]]:
    """Mistakes in words, the targets with each undone, and by how much lengths grow by that."""
    for factor, said in (
        (25.4, "a factor of 25.4: the model was read as inch, or the targets are in inch"),
        (
            1 / 25.4,
            "a factor of 1/25.4: the model is in inch and was read as mm, or touches in mm were read as inch",
        ),
        (1000.0, "a factor of 1000: the model was read as metres, or the targets are in metres"),
        (0.001, "a factor of 1/1000: the model is in metres"),
        (10.0, "a factor of 10: centimetres"),
        (0.1, "a factor of 1/10: centimetres"),
    ):
        if np.linalg.norm(np.ptp(target, axis=0)) * factor >= _SPREAD * part.diagonal:  # not all shrunk onto one point
            yield said, target * factor, max(factor, 1.0)
    middle = part.bounds.mean(axis=0)
    for axis, name in enumerate("xyz"):
        for about, where in ((0.0, "the origin"), (middle[axis], "the middle of the part")):
            mirrored = target.copy()
            mirrored[:, axis] = 2 * about - mirrored[:, axis]
            yield f"the model and the targets are mirror images, {name} reversed about {where}", mirrored, 1.0
    for order in itertools.permutations(range(3)):
        for sign in itertools.product((1, -1), repeat=3):
            if np.linalg.det(np.eye(3)[list(order)] * sign) > 0 and (order, sign) != ((0, 1, 2), (1, 1, 1)):
                yield "the axes of model and targets are exchanged or turned", target[:, order] * sign, 1.0
    for corner in itertools.product((0.0, 0.5, 1.0), repeat=3):
        at = part.bounds[0] + np.array(corner) * (part.bounds[1] - part.bounds[0])
        where = "another origin: the targets are counted from a corner, an edge or the middle of the part"
        yield where, target + at, 1.0
    centred = target - (target.min(axis=0) + target.max(axis=0)) / 2 + middle
    yield "another origin: the targets would lie on the model if moved as a whole", centred, 1.0
