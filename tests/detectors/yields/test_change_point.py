"""The day of a change and its interval, on series with known changes."""

import numpy as np
import pytest

from detectors.yields import change_point


@pytest.mark.parametrize("day", [8, 20, 35])
def test_the_day_of_a_fall_is_found_with_its_levels(day):
    rng = np.random.default_rng(day)
    x = rng.normal(0.03, 0.05, 40)
    x[day:] -= 0.3
    found = change_point.find(x, np.full(40, 0.05), 0.1)
    assert found.first == pytest.approx(day, abs=1)
    assert found.earliest <= found.first <= found.latest
    assert found.before == pytest.approx(np.median(x[: found.first]), abs=0.03)  # all days weigh alike
    assert found.after == pytest.approx(np.median(x[found.first :]), abs=0.03)


def test_the_interval_holds_the_true_day_about_as_often_as_it_says():
    """95 % by chi-squared's 3.84 / 2; days are whole, so it holds rather more."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(200):
        x = rng.normal(0, 0.1, 40)
        x[25:] -= 0.3
        found = change_point.find(x, np.full(40, 0.1), 0.1)
        inside += found.earliest <= 25 <= found.latest
    assert inside >= 180


def test_gaps_and_vague_days_do_not_hold_the_change():
    x = np.append(np.zeros(20), np.full(10, -0.5))
    sigma = np.full(30, 0.05)
    x[18:22] = np.nan
    sigma[10] = 2.0
    found = change_point.find(x, sigma, 0.1)
    assert found.first == 22
    assert found.before == 0.0


def test_a_level_that_was_always_low_changed_on_the_first_day():
    rng = np.random.default_rng(2)
    x = rng.normal(-0.5, 0.05, 30)
    found = change_point.find(x, np.full(30, 0.05), 0.1)
    assert found.first <= 2
    assert found.after == pytest.approx(-0.5, abs=0.05)


def test_a_rise_is_no_fall():
    x = np.append(np.full(20, -0.4), np.zeros(20))
    found = change_point.find(x, np.full(40, 0.05), 0.1)
    assert found.first != 20
    assert change_point.find(x, np.full(40, 0.05), 0.5, is_fall=False).first == 20


def test_days_that_clouds_took_below_the_level_show_by_their_best_when_it_fell():
    """A lone site: most days are cloudy, and none lies above what the roof can make."""
    rng = np.random.default_rng(3)
    level = np.repeat([0.1, -0.6], [4, 16])
    clouds = -rng.exponential(0.5, 20) * (np.arange(20) % 4 > 0)  # one day in four is clear
    clouds[2] = -0.05
    vague = np.where(clouds < 0, 0.6, 0.15)
    found = change_point.find(level + clouds, vague, 0.1, above=np.full(20, 0.1))
    assert found.earliest <= 4 <= found.latest <= found.earliest + 2
    assert found.lead > 3
    assert change_point.find(level + clouds, vague, 0.1).lead < found.lead / 2


def test_without_a_usable_day_it_is_the_last_one():
    found = change_point.find(np.full(5, np.nan), np.full(5, 0.1), 0.1)
    assert found == (4, 4, 4, 0.0, 0.0, 0.0)


def test_a_fall_that_comes_and_goes_begins_with_its_first_day():
    x = np.random.default_rng(8).normal(0.02, 0.03, 40)
    x[[22, 23, 26, 29, 30, 34, 38]] -= 0.4
    x[30] = np.nan
    change = change_point.find_passing(x, np.full(40, 0.05), 0.02, -0.38)
    assert (change.first, change.before, change.after) == (22, 0.02, -0.38)
    assert change.earliest <= 22 <= change.latest <= 26
    nothing = change_point.find_passing(np.full(5, np.nan), np.full(5, 0.05), 0.0, -0.4)
    assert (nothing.first, nothing.latest) == (4, 4)
