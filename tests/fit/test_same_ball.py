"""A table and the Projection that a fit is given must tell of one ball: a contradiction is refused, whatever fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import InputError, fit
from probekit.deviation import Projection
from probekit.fit import Datum
from probekit.tolerance import Profile, evaluate_all

BALL = 3.0
PART = shapes.plane_patch()
CENTRES = np.array([[0.0, 0, BALL], [9, 2, BALL], [3, 8, BALL], [-4, 5, BALL]])
TOUCHES = pd.DataFrame(CENTRES, columns=["x", "y", "z"]).assign(touch=[1, 2, 3, 4], feature="top")
FREE = {"free": ["tz", "rx", "ry"]}


def aligned(table, how):
    return fit.rigid(table, how, **FREE)


def framed(table, how):
    return fit.datum_frame(table, [Datum("A", "plane", "top")], nominal=how).alignment


def evaluated(table, how):
    evaluate_all([Profile(width=0.1)], table, how)
    return aligned(table, PART)


@pytest.mark.parametrize("made", [aligned, framed, evaluated])
def test_another_ball_is_refused(made):
    table = Projection(PART, BALL).project(TOUCHES)
    for same in (Projection(PART, BALL), PART, Projection(PART)):
        assert made(table, same).translation[2] == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match="another ball radius") as refused:
        made(table, Projection(PART, 2.5))
    assert "found 3.0" in str(refused.value)
    assert "2.5 mm" in str(refused.value)


def test_bare_points_are_projected_as_it_says():
    """They were taken for contacts: the part sat a whole radius too high."""
    assert fit.rigid(CENTRES, Projection(PART, BALL), **FREE).translation[2] == pytest.approx(0.0, abs=1e-9)
    assert fit.rigid(CENTRES, PART, **FREE).translation[2] == pytest.approx(-BALL)


def test_other_words_are_refused_where_a_projection_is_given():
    table = Projection(PART, BALL).project(TOUCHES)
    with pytest.raises(InputError, match="another machining allowance"):
        aligned(table, Projection(PART, BALL, allowance=0.2))
