"""Whether the distance of the touches from their targets agrees with the ball."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..touches.check import standoff
from .aim import Aimed
from .finding import Finding

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["ball_in_set_up", "ball_in_sizes", "ball_radius"]

_HALF_STEP = 0.25  # half the step between the radii of common balls [mm]; common practice, no source
_LEAST, _ALIKE = 0.01, 0.15  # what a radius is off by at least [mm]; part of it by which faces may differ
_FEWEST = 5  # features: three faces and a bore agree by chance in 7 of 1000 good runs, with two bores in fewer than 2
_FEWEST_SIZES, _FEWEST_TOUCHES, _TOLD = 3, 5, 0.05  # sizes; touches; share of an offset that no motion explains
_CLOSED = 0.3  # length of the mean normal of a feature, below which no shift makes an offset of it
_FORM, _UNIFORM = 0.1, 0.05  # scatter [mm], and share of the surplus, up to which it is the same everywhere


def ball_radius(
    touch: Aimed, part: Nominal, *, recorded: str | None, radius: float, ball: float | None
) -> list[Finding]:
    """A stop where the height of the touches over their targets is not that of the ball.

    Parameters
    ----------
    touch : Aimed
    part : Nominal
    recorded : {"centre", "contact"} or None
        What was recorded.
    radius : float
        Effective radius of the ball [mm]; zero for contact points.
    ball : float, optional
        Radius of the study's ball, whatever was recorded [mm].
    """
    if len(touch.ids) < 3 or recorded is None:
        return []
    measured = touch.measured - touch.allowance[:, None] * touch.normal
    height, error, scatter = standoff(touch.target, touch.normal, measured, part.diagonal)
    sure = bool(np.isfinite(height))
    if not sure:
        if np.linalg.svd(touch.normal, compute_uv=False)[-1] < 0.2 * np.sqrt(len(touch.ids)):
            return []  # all look one way, or nearly: a shift of the part explains any height
        height = float(np.median(touch.height))
        scatter = 1.4826 * float(np.median(np.abs(touch.height - height)))
        error = scatter / np.sqrt(len(touch.ids))
    surplus = height - radius
    stated = float(np.median(touch.allowance))
    if abs(surplus + stated) < min(abs(surplus), 0.2 * abs(stated)) and abs(surplus) > 5.0 * error:
        return [_not_there(height + stated, radius, stated)]
    cause, known = _cause(recorded, height, radius, ball)
    limit = max(_HALF_STEP, 5.0 * error)
    if abs(surplus) <= limit or scatter > _FORM + _UNIFORM * abs(surplus):
        return []
    return [
        Finding(
            "stop" if sure or known else "look",
            f"the distance of the touches from their targets contradicts the "
            f"{'ball' if recorded == 'centre' else 'contact points that were recorded'}",
            found=f"they stand {height:.3f} mm off their targets along the outward normals",
            expected=f"{radius:.3f} mm, within {limit:.2f} mm (half the step between common balls, or five standard "
            "errors)",
            cause=cause,
            todo="Correct ball_diameter, '# recorded:' or the columns; if that much material is left everywhere, say "
            "so in [deviation] allowance",
            name="ball radius",
        )
    ]


def ball_in_set_up(touch: Aimed, *, recorded: str | None, radius: float, u: float | None) -> list[Finding]:
    """A look where faces that look three ways and a bore, a boss or a face opposite are off by one and the same amount.

    A shift of the part explains any offset of three faces. That a bore is off by that amount as well, it does not
    explain, nor that a face and the one opposite are; a ball of another radius does.

    Parameters
    ----------
    touch : Aimed
    recorded : {"centre", "contact"} or None
        What was recorded.
    radius : float
        Effective radius of the ball [mm].
    u : float, optional
        Standard uncertainty of a deviation [mm].
    """
    if recorded != "centre":
        return []
    off, error, way = [], [], []
    for name in dict.fromkeys(touch.feature):
        own = np.flatnonzero(touch.feature == name)
        mean = touch.normal[own].mean(axis=0)
        closed = bool(np.linalg.norm(mean) < _CLOSED)
        if len(own) < 2 or not (closed or np.linalg.norm(mean) > 1 - 1e-3):
            continue
        height = touch.height[own] - radius
        off.append(float(height.mean()))
        error.append(max(float(height.std(ddof=1)), u or 0.0) / np.sqrt(len(own)))
        way.append(np.zeros(3) if closed else mean)
    faces = np.array(way).reshape(-1, 3)
    if len(off) < _FEWEST or np.linalg.svd(faces, compute_uv=False)[-1] < 0.3:
        return []
    shift = np.linalg.lstsq(faces, np.ones(len(off)), rcond=None)[0]
    if np.abs(faces @ shift - 1).max() < 0.2:
        return []  # a shift explains it
    middle = float(np.median(off))
    alike = _ALIKE * abs(middle) + 3.0 * np.array(error)
    if abs(middle) < max(_LEAST, 5.0 * float(np.median(error))) or (np.abs(np.array(off) - middle) > alike).any():
        return []
    return [_of_another_ball(off, middle, radius, f"{len(off)} features, as clamped")]


def ball_in_sizes(touch: Aimed, *, recorded: str | None, radius: float, u: float | None) -> list[Finding]:
    """A look where all bores, bosses and bodies, and the other faces together, are oversize by one and the same amount.

    As `ball_in_set_up`, where the part has a set-up error as well: what a shift and a turn of each feature explain is
    taken off, which leaves its size. Three sizes that agree come from three tools, or from one ball.

    Parameters
    ----------
    touch, recorded, radius, u
        As in `ball_in_set_up`.
    """
    if recorded != "centre" or not len(touch.ids):
        return []
    features = [np.flatnonzero(touch.feature == name) for name in dict.fromkeys(touch.feature)]
    closed = [own for own in features if np.linalg.norm(touch.normal[own].mean(axis=0)) < _CLOSED]
    others = np.setdiff1d(np.arange(len(touch.ids)), np.concatenate([[], *closed]))
    sizes = [one for own in (*closed, others) if (one := _oversize(touch, own, radius, u or 0.0)) is not None]
    if len(sizes) < _FEWEST_SIZES:
        return []
    off, error, left = np.array(sizes).T
    middle = float(np.median(off))
    alike = np.abs(off - middle) <= _ALIKE * abs(middle) + 3.0 * error
    even = left <= _ALIKE * abs(middle) + 3.0 * (u or 0.0)  # what is beside the size on each feature
    if abs(middle) < max(_LEAST, 5.0 * float(np.median(error))) or not (alike & even).all():
        return []
    return [_of_another_ball(off.tolist(), middle, radius, f"{len(off)} sizes, whatever the set-up")]


def _oversize(touch: Aimed, own: np.ndarray, radius: float, u: float) -> tuple[float, float, float] | None:
    """How far the touches `own` stand off beside a shift and a turn, its standard error, and the scatter left [mm].

    None where a shift and a turn explain it as well.
    """
    if len(own) < _FEWEST_TOUCHES:
        return None
    normal, away = touch.normal[own], touch.target[own] - touch.target[own].mean(axis=0)
    moved = np.hstack([normal, np.cross(away, normal) / max(float(np.abs(away).max()), 1.0)])
    ones = np.ones(len(own))
    alone = ones - moved @ np.linalg.lstsq(moved, ones, rcond=1e-3)[0]
    told = float(alone @ alone)
    if told < _TOLD * len(own):
        return None
    height = touch.height[own] - radius
    off = float(alone @ height) / told
    rest = height - off
    rest -= moved @ np.linalg.lstsq(moved, rest, rcond=1e-3)[0]
    left = float(np.sqrt(np.mean(rest**2)))
    return off, max(left, u) / np.sqrt(told), left


def _of_another_ball(off: list[float], middle: float, radius: float, where: str) -> Finding:
    """A look at features that are off as a ball of another radius makes them."""
    return Finding(
        "look",
        f"all faces and bores are off by one amount along their outward normals, {middle:+z.3f} mm, as a ball of "
        "another radius makes them",
        found=f"{min(off):+z.3f} to {max(off):+z.3f} mm on {where}",
        expected=f"about 0; a shift of the part moves bores to one side, and does not make them "
        f"{'smaller' if middle > 0 else 'larger'}",
        cause=f"an effective radius of {radius:g} mm is stated for one of about {radius + middle:.3f} mm; or so "
        f"much material was {'left on' if middle > 0 else 'taken off'} everywhere",
        todo="Qualify the probe again, and do not move the work offset by these touches before",
        name="ball radius",
    )


def _not_there(height: float, radius: float, stated: float) -> Finding:
    """A stop where the touches stand off their targets as if there were no allowance."""
    return Finding(
        "stop",
        "the material that the study states in [deviation] allowance is not on the part",
        found=f"the touches stand {height:.3f} mm off their targets, which is the ball without an allowance",
        expected=f"{radius + stated:.3f} mm: {radius:.3f} mm of the ball and {stated:g} mm of allowance",
        cause="an allowance for roughing, in the study of a finished part; or a face that has none",
        todo="Take [deviation] allowance out, or name the faces that have it: allowance = {face = 0.3}",
        name="ball radius",
    )


def _cause(recorded: str, height: float, radius: float, ball: float | None) -> tuple[str, bool]:
    """The likely cause, and whether it is one of the mistakes that are known by their size."""
    if recorded == "centre":
        if abs(height) < 0.1 * radius:
            return "contact points were recorded, not ball centres", True
        if abs(height + radius) < 0.1 * radius:
            return "measured and target columns are exchanged, or the normals point inwards", True
        if height < 0:
            return "measured and target columns are exchanged, or the normals point inwards", False
        return f"another ball, of about {2 * height:.2f} mm diameter", False
    if ball is not None and abs(height - ball) < 0.1 * ball:
        return "ball centres were recorded, not contact points", True
    if height > 0:
        return f"ball centres were recorded, not contact points (a ball of about {2 * height:.2f} mm)", False
    return "the radius was compensated for twice, or in the wrong direction", ball is not None and abs(
        height + ball
    ) < ball / 10
