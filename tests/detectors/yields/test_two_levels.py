"""Days at two levels, days around one, and what the sky has to do with it."""

import numpy as np
import pytest

from detectors.yields import day_residual, two_levels

RNG = np.random.default_rng(12)
IS_LOW = RNG.random(40) < 0.4


def course(depth: float, sigma: float = 0.03, seed: int = 1) -> np.ndarray:
    """40 days, of which two in five lie lower by `depth`, log."""
    return np.where(IS_LOW, -depth, 0.0) + np.random.default_rng(seed).normal(0, sigma, 40)


def test_a_part_that_comes_and_goes_is_seen_as_two_levels():
    assert (two_levels.low_days(course(0.5)) == IS_LOW).all()
    with_gaps = np.where(np.arange(40) % 7 == 3, np.nan, course(0.5))
    low = two_levels.low_days(with_gaps)
    assert low is not None and (low == (IS_LOW & np.isfinite(with_gaps))).all()


@pytest.mark.parametrize(("depth", "sigma"), [(0.0, 0.05), (0.3, 0.12), (0.05, 0.005), (2.5, 0.05)])
def test_weather_small_changes_and_snow_are_no_two_levels(depth, sigma):
    assert all(two_levels.low_days(course(depth, sigma, seed)) is None for seed in range(50))


def test_days_of_one_level_are_taken_for_two_less_than_once_in_a_thousand():
    wild = np.random.default_rng(7).standard_t(4, (2000, 40)) * 0.08
    assert sum(two_levels.low_days(one) is not None for one in wild) <= 2


def test_a_roofs_own_scale_is_that_of_its_two_levels_days():
    variance = np.full((1, 40), 0.03**2)
    one, two = (day_residual.own_scale(course(depth)[None], variance)[0] for depth in (0.0, 0.5))
    assert two == pytest.approx(one, rel=0.15)


def test_a_sky_that_parts_the_days_as_their_levels_do_explains_them():
    clearness = np.random.default_rng(2).uniform(0.3, 1.0, 40)
    by_sky = clearness < np.quantile(clearness, 0.4)
    assert two_levels.is_the_skys(by_sky, ~by_sky, clearness)
    assert two_levels.is_the_skys(~by_sky, by_sky, clearness)
    assert not two_levels.is_the_skys(IS_LOW, ~IS_LOW, clearness)
    few = np.where(np.arange(40) < 3, clearness, np.nan)
    assert two_levels.is_the_skys(IS_LOW, ~IS_LOW, few)
