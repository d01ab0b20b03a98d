"""What may be said of a surface between its touches, and what never: the sentences, and the page of words.

A probability that the surface lies in its zone is said with three things in the same sentence: what the touches
resolve, the condition, and the blind spot. Who copies the sentence copies them with it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .defects import radius_seen, seen
from .nodes import Nodes

__all__ = ["CONDITION", "MAY", "NEVER", "blind_spot_said"]

CONDITION = "if its form is smooth between the touches"

#: What may be claimed -> on what it rests.
MAY = {
    f"the whole surface lies in its zone with a probability of so much, {CONDITION}; a hill or dent of this size is "
    "felt at so many of 100 places": "touches that resolve the surface, thirty or more, with a budget",
    "a hill or dent of this radius and height is felt at so many of 100 places": "where the touches stand, and their "
    "uncertainty; no model",
    "the touches are too far apart to say what lies between": "the touches; it is an answer",
    "the surface is out of its zone, by this touch": "the decision rule on the touch; no model",
    "this many touches leave the same blind spot as those": "where the touches stand; no model",
    "this machine is so far off square, and its rotary axes so far off, today": "a part touched in several poses, the "
    "first of them again at the end, and touches that the model explains",
    "fewer touches say as much of this part as more did of earlier ones, which it is like": "twenty or more "
    "earlier parts of the same process, and touches that do not contradict them",
}

#: What is never claimed -> why.
NEVER = {
    "a probability without its condition and the blind spot": "both decide what it means",
    "that the surface is in its zone, or a probability of 1.00 or 0.00": "nobody touched it between the touches",
    "that nothing lies between the touches": "a hill that is small enough always finds room",
    "a probability in place of a touch that is out": "the touch is a measurement, the probability is not",
    "a probability with declared defects on which the drawn sets of them do not agree": "it is not settled",
    "a probability from touches that are too few or too far apart": "where it is high it is wrong",
    "a probability for faces, edges or fillets without touches of their own": "nothing is known of them",
    "that the band of doubt is a measurement uncertainty": "it rests on a model of the form",
    "a risk for a lot, from one part": "one part says nothing of the next",
    "that a machine is calibrated by a part": "it is known today, over the volume of that part, to what is left",
    "a scale that all axes have in common, from a part": "a part of another size looks the same",
    "that a proof of a minimum zone holds for motions that are not small": "it is local",
}


def blind_spot_said(
    at: Nodes, places: np.ndarray, normals: np.ndarray, u: float, width: float, hill: Mapping[str, float] | None = None
) -> str:
    """What hills and dents touches at these places feel, in words.

    Parameters
    ----------
    at : Nodes
        Where a hill may be.
    places, normals : (n, 3) float
        Of the touches [mm].
    u : float
        Standard uncertainty of a touch, with the finer form of the surface [mm].
    width : float
        Of the zone [mm].
    hill : mapping, optional
        `radius` and `height` [mm] of one that should not be missed.
    """
    if hill is not None:
        radius, height = float(hill["radius"]), float(hill["height"])
        share = seen(at, places, normals, radius, height, u)
        return (
            f"A single hill or dent of {radius:g} mm radius and {height:g} mm is felt at "
            f"{100 * share:.0f} of 100 places"
        )
    half, sure = (radius_seen(at, places, normals, width, u, share) for share in (0.5, 0.95))
    hill_said = f"A single hill or dent as high as the zone is wide ({width:.4g} mm)"
    if not np.isfinite(half):
        return f"{hill_said} can lie on it unfelt, whatever its size"
    large = f"; from {_radius(sure)} mm it is felt at 95 of 100" if np.isfinite(sure) else "; parts of it have no touch"
    return (
        f"{hill_said} is felt at half of all places if its radius is {_radius(half)} mm{large}: "
        "smaller ones hide between the touches"
    )


def _radius(value: float) -> str:
    """Two digits, never as a power of ten."""
    return f"{value:.2g}" if value < 99.5 else f"{value:.0f}"
