"""Steps told from slides and from noise, on series made by arithmetic."""

import numpy as np
import pytest

from detectors.stats import level_shift


def test_a_step_is_found_on_its_day_with_its_size_whatever_is_missing():
    rng = np.random.default_rng(5)
    values = np.where(np.arange(50) < 30, 1.0, 0.75) + rng.normal(0, 0.02, 50)
    values[[3, 17, 29, 31, 44]] = np.nan
    step = level_shift.find(values)
    assert step is not None
    assert step.place == 30
    assert step.size == pytest.approx(0.25, abs=0.02)
    assert step.is_sharp
    assert step.scatter == pytest.approx(0.02, rel=0.5)
    # standard errors of two means of 6 and 4 days at least: 0.02 x sqrt(1/6 + 1/4) = 0.013
    assert step.size_error == pytest.approx(0.013, rel=0.5)


def test_a_slide_is_no_step():
    rng = np.random.default_rng(6)
    step = level_shift.find(np.linspace(1.0, 0.8, 50) + rng.normal(0, 0.01, 50))
    assert step is not None
    assert not step.is_sharp


def test_too_short_a_series_and_a_dead_one_have_none():
    assert level_shift.find(np.full(9, 1.0)) is None
    assert level_shift.find(np.zeros(30)) is None
    assert level_shift.find(np.full(40, np.nan)) is None


def test_the_slope_is_the_median_of_all_pairs():
    # Sen 1968: one wild value of five leaves the slope of the rest.
    assert level_shift.slope(np.arange(5.0), np.array([0.0, 2.0, 4.0, 60.0, 8.0])) == pytest.approx(2.0)
    assert level_shift.slope(np.arange(1.0), np.array([3.0])) == 0.0
