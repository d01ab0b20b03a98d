"""Three shops on one part of 200 mm: against closed forms, and against a table made with another implementation.

The table is in-house: an earlier prototype computed it on a part of the same size, with the same budget and another
freeform skin. Results on plane and bores agree within a few percent; those on the skin depend on its shape.
"""

from __future__ import annotations

import numpy as np
import pytest
from uncertainty.worked import APART, budget_of, gains, part

from probekit.uncertainty import Scatter, touches

TABLE = part()
GAIN = gains(TABLE)
AT = {name: (TABLE["feature"] == name).to_numpy() for name in ("A", "B", "C", "skin")}


def scattered(name: str) -> Scatter:
    return touches(TABLE, budget_of(name), datums=("A", "B", "C"), about=(0.0, 0.0, 0.0))


#: um, k = 1: own, touch on A, diameter, distance; the last two with the same u taken as independent.
FIRM = {
    "good": (0.6, 1.1, 1.3, 1.1, 0.75, 0.76),
    "hot": (1.2, 2.8, 3.7, 15.4, 4.3, 5.1),
    "worn": (4.1, 6.0, 7.1, 3.0, 4.2, 4.2),
}
#: um: ranges of a skin touch in the machine and in A|B|C, mean of the skin; the mean with independent touches.
SHAPED = {
    "good": ((1.6, 1.8), (1.5, 1.8), 0.95, 0.32),
    "hot": ((4.8, 10.2), (4.5, 11.3), 4.8, 1.0),
    "worn": ((6.0, 6.1), (5.2, 6.0), 1.9, 1.7),
}


@pytest.mark.parametrize("name", FIRM)
def test_plane_and_bores_agree_with_the_table(name):
    scatter = scattered(name)
    alone = Scatter.independent(scatter.u)
    got = [
        scatter.own.max(),
        scatter.u[AT["A"]].max(),
        scatter.u_of(GAIN["diameter"]),
        scatter.u_of(GAIN["distance"]),
        alone.u_of(GAIN["diameter"]),
        alone.u_of(GAIN["distance"]),
    ]
    np.testing.assert_allclose(1e3 * np.array(got), FIRM[name], rtol=0.08)


@pytest.mark.parametrize("name", SHAPED)
def test_the_skin_agrees_as_far_as_another_shape_can(name):
    scatter, (machine, framed, mean, mean_alone) = scattered(name), SHAPED[name]
    u, in_frame = 1e3 * scatter.u[AT["skin"]], 1e3 * scatter.u_of(GAIN["frame"][AT["skin"]])
    np.testing.assert_allclose([u.min(), u.max()], machine, rtol=0.3)
    np.testing.assert_allclose([in_frame.min(), in_frame.max()], framed, rtol=0.2)
    assert 1e3 * scatter.u_of(GAIN["mean"]) == pytest.approx(mean, rel=0.6)
    assert 1e3 * Scatter.independent(scatter.u).u_of(GAIN["mean"]) == pytest.approx(mean_alone, rel=0.3)


def test_one_u_for_each_touch_is_wrong_both_ways():
    """The point of it: too small by three for a distance in a hot shop, too large with a worn probe."""
    hot, worn = scattered("hot"), scattered("worn")
    assert hot.u_of(GAIN["distance"]) > 2.8 * Scatter.independent(hot.u).u_of(GAIN["distance"])
    assert Scatter.independent(worn.u).u_of(GAIN["distance"]) > 1.35 * worn.u_of(GAIN["distance"])
    assert hot.u_of(GAIN["mean"]) > 4 * Scatter.independent(hot.u).u_of(GAIN["mean"])


@pytest.mark.parametrize("name", FIRM)
def test_causes_reach_size_and_distance_as_in_closed_form(name):
    """Circle of n equal steps: u(diameter) = 2 u_R and 2 s/sqrt n, u(distance of centres) = s sqrt(4/n); heat a L."""
    budget, scatter = budget_of(name), scattered(name)

    def share(cause: str, result: str) -> float:
        rows = [k for k, one in enumerate(scatter.causes) if one == cause]
        return 1e3 * float(np.linalg.norm(GAIN[result] @ scatter.factors[:, rows]))

    s = 1e3 * scatter.own_causes["probe repeatability"][0]
    alone = Scatter.independent(np.full(len(TABLE), s))
    assert share("effective radius", "diameter") == pytest.approx(2 * budget.u("radius_2s_um"))
    assert share("effective radius", "distance") == pytest.approx(0, abs=1e-9)
    assert alone.u_of(GAIN["diameter"]) == pytest.approx(2 * s / np.sqrt(8))
    assert alone.u_of(GAIN["distance"]) == pytest.approx(s * np.sqrt(4 / 8))
    grown = 1e-3 * budget.expansion * APART
    assert share("part temperature", "distance") == pytest.approx(grown * budget.u("temperature_within_c"))
    assert share("scales", "distance") == pytest.approx(1e-3 * APART * budget.u("scale_um_per_m"))
    assert share("pivot", "distance") == 0  # all datums in one pose
    whole = grown * budget.warmer if name == "hot" else 0.0
    assert share("temperature not corrected", "distance") == pytest.approx(whole)
    assert share("expansion coefficient", "distance") == pytest.approx(grown * budget.warmer * 0.1 / np.sqrt(3))


def test_where_nothing_moves_by_heat_is_taken_out_by_a_frame():
    """A shift of the whole part is no deviation in A|B|C: another `about` changes nothing there."""
    far = touches(TABLE, budget_of("hot"), datums=("A", "B", "C"), about=(300.0, -900.0, 5000.0))
    near, frame = scattered("hot").less("index"), GAIN["frame"][AT["skin"]]
    np.testing.assert_allclose(far.less("index").u_of(frame), near.u_of(frame), rtol=1e-6)


def test_covariance_agrees_with_an_independent_package():
    """GTC (GUM Tree Calculator) sees the same causes as uncertain numbers; it propagates and correlates by itself."""
    import GTC as gtc

    scatter = scattered("good")
    causes = [gtc.ureal(0, 1, label=f"{name} {k}") for k, name in enumerate(scatter.causes)]
    some = [0, 5, 12, 20, 28, 33, 60, 101, 147]
    made = []
    for i in some:
        value = gtc.ureal(0, float(scatter.own[i]))
        for factor, cause in zip(scatter.factors[i], causes, strict=True):
            value = value + float(factor) * cause
        made.append(value)
    expected = np.array([[gtc.get_covariance(a, b) for b in made] for a in made])
    np.testing.assert_allclose(scatter.of(np.array(some)).covariance(), expected, rtol=0, atol=1e-15)
    diameter = gtc.ureal(0, 0)
    for i in np.flatnonzero(AT["B"] | AT["A"]):
        value = gtc.ureal(0, float(scatter.own[i]))
        for factor, cause in zip(scatter.factors[i], causes, strict=True):
            value = value + float(factor) * cause
        diameter = diameter + float(GAIN["diameter"][i]) * value
    assert scatter.u_of(GAIN["diameter"]) == pytest.approx(diameter.u, abs=1e-15)
