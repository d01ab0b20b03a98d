"""What few touches can tell: how far their own scatter may be relied on, and which lobes they do not see."""

from __future__ import annotations

__all__ = ["FEW", "blind_to", "student"]

FEW = 10  # degrees of freedom: with more, Student's factor is 1.1 or less and scatter counts as it is


def student(freedoms: int) -> float:
    """Factor on a scatter of few degrees of freedom, so that k = 1.96 of it covers 95 %.

    Parameters
    ----------
    freedoms : int
        Touches less unknowns.

    Returns
    -------
    float
        Student's two-sided 95 % point over that of the normal distribution (JCGM 100:2008, G.3, from memory: 12.7, 4.3,
        3.2, 2.6 for 1, 2, 3, 5); one from `FEW` on, NaN without any.
    """
    from scipy.special import ndtri, stdtrit

    if freedoms < 1:
        return float("nan")
    return float(stdtrit(freedoms, 0.975) / ndtri(0.975)) if freedoms < FEW else 1.0


def blind_to(touches: int) -> str:
    """Lobes that evenly spaced touches round a circle take for a move or a size, in words.

    A lobed circle r = a cos(m t), seen at n places, looks like a larger one for m = n and like one moved by a for
    m = n - 1 and n + 1: on the places both have the same values.
    """
    n = touches
    return (
        f"{n} touches round a circle do not see {n - 1}, {n} or {n + 1} lobes: {n - 1} or {n + 1} would move the "
        f"centre by the height of a lobe, {n} would change the diameter by twice as much, and nothing would show"
    )
