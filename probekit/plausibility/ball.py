"""Whether the distance of the touches from their targets agrees with the ball."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..touches.check import standoff
from .aim import Aimed
from .finding import Finding

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["ball_radius"]

_HALF_STEP = 0.25  # half the step between the radii of common balls [mm]; common practice, no source
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
