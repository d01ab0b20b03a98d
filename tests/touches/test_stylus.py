import dataclasses

import numpy as np
import pytest

from probekit.errors import InputError
from probekit.touches import Stylus


def test_defaults_and_types():
    stylus = Stylus(4)
    assert stylus == Stylus(ball_diameter=4.0, effective_radius=2.0, stem_diameter=None, length=None)
    assert isinstance(stylus.ball_diameter, float)
    assert Stylus(np.float64(4), np.float32(1.75)).effective_radius == 1.75
    assert Stylus(3.0, 1.492, 3.0, 50.0).stem_diameter == 3.0  # as thick as the ball: allowed


def test_is_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Stylus(4.0).effective_radius = 1.0


@pytest.mark.parametrize("field", ["ball_diameter", "effective_radius", "stem_diameter", "length"])
@pytest.mark.parametrize("value", [-1.0, 0.0, np.nan, np.inf, "4", True, [4.0]])
def test_dimensions_are_positive_numbers(field, value):
    with pytest.raises(
        InputError, match=f"column '{field}': the stylus dimension is not usable; .*expected a positive"
    ):
        Stylus(**{"ball_diameter": 4.0, field: value})


def test_ball_diameter_is_needed():
    with pytest.raises(
        InputError, match="column 'ball_diameter': the stylus dimension is not usable; expected a positive"
    ):
        Stylus(None)


@pytest.mark.parametrize("radius", [4.0, 2.41, 1.59])
def test_implausible_effective_radius(radius):
    with pytest.raises(
        InputError, match=f"found '{radius:g} mm'; expected within 20 % of half the ball diameter, 2 mm"
    ):
        Stylus(4.0, effective_radius=radius)
    Stylus(4.0, effective_radius=2.0 + np.sign(radius - 2.0) * 0.39)


def test_stem_thicker_than_ball():
    with pytest.raises(InputError, match=r"stem is thicker than the ball.*found '4.1 mm'; expected at most .* 4 mm"):
        Stylus(4.0, stem_diameter=4.1)


def test_length_shorter_than_ball():
    with pytest.raises(
        InputError, match=r"shorter than the radius of its ball; found '1.9 mm'; expected at least 2 mm"
    ):
        Stylus(4.0, length=1.9)
