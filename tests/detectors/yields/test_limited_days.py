"""What a day under a limit says of the level: the lesser of roof and takers, held against what was made."""

import numpy as np
import pytest
from scipy.stats import lognorm

from detectors.yields import capped, limited_days
from detectors.yields.limited_days import LEVELS, Day

SUN_W = 5000 * np.clip(np.sin(np.linspace(0, np.pi, 40)), 0, None)  # 5 kWp under ten hours of a clear sky


def _likelihood(level, takers_w):
    """Of one site whose roof has this level, under a clear sky that its neighbours share."""
    takers = np.broadcast_to(np.asarray(takers_w, dtype=float), SUN_W.shape)
    made = np.minimum(SUN_W * np.exp(level), takers)
    day = Day(
        SUN_W[None], np.full((1, 40), capped.SKY_SIGMA), np.full(1, np.inf), made[None], takers[None],
        np.ones((1, 40)), np.full(1, 0.05), np.full(1, 5.0),
    )  # fmt: skip
    (told,) = limited_days.log_likelihood(day)
    return dict(zip(LEVELS.tolist(), told.tolist(), strict=True))


@pytest.mark.parametrize("sigma", [0.05, 0.3, 0.5])
@pytest.mark.parametrize("cap", [0.2, 0.9, 1.0, 1.5, 8.0])
def test_the_mean_of_a_capped_sky_is_the_integral_of_its_distribution(cap, sigma):
    """E[min(X, K)] is the integral of the survival function up to K (scipy's log-normal)."""
    at = np.linspace(0, cap, 20_001)
    survival = lognorm.sf(at, s=sigma, scale=np.exp(-(sigma**2) / 2))
    integral = np.trapezoid(survival, at)
    assert capped.capped_mean(np.array(1.0), np.array(cap), np.array(sigma)) == pytest.approx(integral, rel=1e-4)


def test_takers_that_take_all_show_the_level_from_both_sides():
    told = _likelihood(-0.5, 20_000.0)
    assert max(told, key=told.__getitem__) == -0.5
    assert told[0.0] < -6
    assert told[-0.9] < -5


def test_a_day_that_was_curtailed_all_day_bounds_the_level_from_below_alone():
    told = _likelihood(0.0, np.minimum(0.5 * SUN_W, 1500.0))
    assert told[0.5] == pytest.approx(told[0.0], abs=0.3)
    assert told[-0.6] > told[-1.1] > told[-1.8]
    assert told[-1.8] < -5


def test_a_fall_below_what_was_usable_is_told_although_a_healthy_roof_would_have_been_curtailed():
    told = _likelihood(-1.1, 2200.0)
    assert told[0.0] < told[-1.1] - 5
    assert max(told, key=told.__getitem__) == pytest.approx(-1.1, abs=0.2)


def test_without_takers_nothing_is_told():
    assert np.isnan(list(_likelihood(0.0, 0.0).values())).all()


def test_a_likelihood_moves_with_the_level_of_its_model_and_is_one_where_nothing_is_told():
    told = np.array([list(_likelihood(-0.5, 20_000.0).values()), np.full(len(LEVELS), np.nan)])
    at = np.array([-0.7, -0.5, -0.3])
    moved = limited_days.on_levels(told, np.array([0.2, 0.0]), at)
    assert moved[0].argmax() == 2
    assert (moved[1] == 1).all()


def test_usable_is_what_was_always_usable_around():
    usable = np.array([[900.0, 300.0, 900.0, 900.0, 50.0]])
    known = np.array([[True, True, True, True, False]])
    assert capped.min_around(usable, known).tolist() == [[300.0, 300.0, 300.0, 900.0, 900.0]]


def test_neighbours_that_disagree_leave_more_open():
    agree, disagree = np.full((1, 4, 2), 0.8), np.array([0.4, 0.6, 0.9, 1.0])[None, :, None].repeat(2, 2)
    assert capped.sky_sigma(agree).max() == capped.SKY_SIGMA
    assert capped.sky_sigma(disagree).min() > 0.2
    assert capped.sky_sigma(agree[:, :2]).min() == capped.FEW_SKY_SIGMA
