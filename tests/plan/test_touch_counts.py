"""Numbers of touches against published values and independent formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from probekit import plan
from probekit.errors import InputError


@pytest.mark.parametrize(
    ("coverage", "confidence", "sides", "touches"),
    [
        # sample sizes of nonparametric tolerance limits after Wilks (1941), as tabled throughout the literature on them
        (0.95, 0.95, 1, 59),
        (0.95, 0.95, 2, 93),
        (0.90, 0.95, 1, 29),
        (0.90, 0.95, 2, 46),
        (0.99, 0.95, 1, 299),
        (0.99, 0.95, 2, 473),
        (0.95, 0.99, 1, 90),
        (0.95, 0.99, 2, 130),
        (0.90, 0.90, 1, 22),
        (0.90, 0.90, 2, 38),
        (0.99, 0.99, 1, 459),
        (0.99, 0.99, 2, 662),
    ],
)
def test_sample_sizes_of_tolerance_limits(coverage: float, confidence: float, sides: int, touches: int) -> None:
    assert plan.count.touches_for_coverage(coverage, confidence, sides=sides) == touches


@pytest.mark.parametrize("coverage", [0.5, 0.83, 0.999])
@pytest.mark.parametrize("confidence", [0.5, 0.977])
def test_coverage_follows_the_beta_distribution(coverage: float, confidence: float) -> None:
    # part between the extremes of n draws: beta(n - 1, 2); below the largest: beta(n, 1)
    for sides in (1, 2):
        n = plan.count.touches_for_coverage(coverage, confidence, sides=sides)
        assert stats.beta.sf(coverage, n - sides + 1, sides) >= confidence
        fewer = n - 1
        assert fewer < sides or stats.beta.sf(coverage, fewer - sides + 1, sides) < confidence


def test_the_chance_to_miss_a_defect_is_that_of_no_success() -> None:
    for part, n in ((0.05, 59), (0.2, 7), (0.01, 0)):
        assert plan.count.chance_missed(part, n) == pytest.approx(stats.binom.pmf(0, n, part))
    for part in (0.01, 0.1, 0.4):
        for risk in (0.5, 0.05, 0.001):
            n = plan.count.touches_for_defect(part, risk)
            assert plan.count.chance_missed(part, n) <= risk * (1 + 1e-9)
            assert plan.count.chance_missed(part, n - 1) > risk
    assert plan.count.touches_for_defect(0.5, 0.25) == 2
    table = plan.count.risk_table([0.05, 0.1], [0.1, 0.05])
    assert table.loc[0.05, 0.05] == 59
    assert table.loc[0.1].tolist() == [22, 29]


def test_sagitta_and_spacing_belong_together() -> None:
    for radius, error in ((50.0, 0.01), (3.0, 0.2), (800.0, 0.002)):
        spacing = plan.count.spacing_for_sagitta(radius, error)
        assert radius - np.sqrt(radius**2 - (spacing / 2) ** 2) == pytest.approx(error, rel=1e-6)
        assert spacing == pytest.approx(np.sqrt(8 * radius * error), rel=error / radius)
    assert plan.count.spacing_for_sagitta(np.inf, 0.01) == np.inf
    assert plan.count.spacing_for_sagitta(2.0, 5.0) == 4.0


def test_no_spot_slips_through_its_grid() -> None:
    spacing = plan.count.spacing_for_spot(6.0)
    rng = np.random.default_rng(1)
    at = rng.random((200000, 2)) * spacing
    away = np.hypot(np.minimum(at[:, 0], spacing - at[:, 0]), np.minimum(at[:, 1], spacing - at[:, 1])).max()
    assert 2.99 < away <= 3.0  # the worst place of a spot's middle is its radius from the next touch


def test_least_numbers_are_those_of_the_parameters() -> None:
    table = plan.count.touches_by_feature()
    # degrees of freedom of each feature: as many touches as numbers that place and size it
    assert table["least"].to_dict() == {"line": 2, "plane": 3, "circle": 3, "sphere": 4, "cylinder": 5, "cone": 6}
    assert (table["recommended"] > table["least"]).all()
    assert "from memory" in plan.count.touches_by_feature.__doc__


def test_numbers_that_are_no_chance_are_refused() -> None:
    for bad in (0.0, 1.0, -0.1, 1.1, np.nan):
        with pytest.raises(InputError, match="must lie between 0 and 1"):
            plan.count.touches_for_defect(bad, 0.05)
        with pytest.raises(InputError, match="risk must lie between 0 and 1"):
            plan.count.touches_for_defect(0.05, bad)
        with pytest.raises(InputError, match="confidence must lie between"):
            plan.count.touches_for_coverage(0.9, bad)
    with pytest.raises(InputError, match="number of bounded sides is not usable; found 3"):
        plan.count.touches_for_coverage(0.9, 0.9, sides=3)
    with pytest.raises(InputError, match="touches must not be negative"):
        plan.count.chance_missed(0.1, -1)
    with pytest.raises(InputError, match="radius must be positive"):
        plan.count.spacing_for_sagitta(0.0, 0.1)
    with pytest.raises(InputError, match="error must be positive"):
        plan.count.spacing_for_sagitta(1.0, np.nan)
    with pytest.raises(InputError, match="diameter must be positive"):
        plan.count.spacing_for_spot(-1.0)
