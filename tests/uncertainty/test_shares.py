"""Who matters, by result."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from uncertainty.worked import budget_of, gains, part

from probekit import InputError
from probekit.uncertainty import Scatter, read, shares, touches

TABLE, GAIN = part(), gains(part())


@pytest.mark.parametrize(
    ("shop", "result", "leading"),
    [
        ("good", "mean", "pivot"),
        ("good", "diameter", "effective radius"),
        ("hot", "distance", "temperature not corrected"),
        ("worn", "diameter", "effective radius"),
        ("worn", "distance", "probe repeatability"),
        ("worn", "mean", "probe by direction"),
    ],
)
def test_each_result_has_its_own_ruler(shop, result, leading):
    scatter = touches(TABLE, budget_of(shop), datums=("A", "B", "C"))
    got = shares(scatter, GAIN[result], result)
    assert got.causes[0] == leading
    assert got.u == pytest.approx(float(scatter.u_of(GAIN[result])), rel=1e-12)  # the parts add up to the whole
    assert got.share.sum() == pytest.approx(1.0)
    assert (np.diff(got.parts) <= 0).all()
    assert result in got.sentence
    assert leading in got.table["cause"].iloc[0]


def test_what_is_assumed_is_counted_and_drawn_otherwise():
    scatter = touches(TABLE, read({"budget": {"temperature_within_c": 0.1}}))
    got = shares(scatter, GAIN["distance"], "distance")
    assert got.assumed_share > 0.9
    assert "% of u² is assumed" in got.sentence
    drawn = got._repr_svg_()
    root = ET.fromstring(drawn)
    assert "(assumed)" in drawn
    assert "stroke-dasharray" in drawn
    widths = [float(one.get("width")) for one in root.iter("{http://www.w3.org/2000/svg}rect")]
    assert max(widths) == widths[-1] == 130  # all together is the longest bar
    assert widths[0] == pytest.approx(130 * got.parts[0] / got.u, abs=0.1)
    assert drawn in got._repr_html_()
    stated = shares(touches(TABLE, budget_of("good")), GAIN["distance"])
    assert stated.assumed_share == 0


def test_touches_that_are_told_by_one_number_have_one_cause():
    got = shares(Scatter.independent(np.full(4, 0.003)), np.full(4, 0.25), "mean")
    assert got.causes == ("each touch's own",)
    assert got.u == pytest.approx(0.0015)


def test_no_uncertainty_and_a_name_with_marks_still_draw():
    none = shares(Scatter.independent(np.zeros(3)), np.ones(3), "a < b")
    assert none.u == 0
    ET.fromstring(none._repr_svg_())
    odd = Scatter(np.zeros(2), np.ones((2, 1)), ("<b>&",))
    ET.fromstring(shares(odd, np.ones(2))._repr_svg_())


@pytest.mark.parametrize("gain", [np.ones(3), np.ones((4, 4)), np.array([1, 2, np.nan, 0])])
def test_a_gain_that_does_not_fit_is_refused(gain):
    with pytest.raises(InputError, match="one finite number for each touch"):
        shares(Scatter.independent(np.ones(4)), gain)
