"""What a site without neighbours tells of its level, and what a limit hides of it."""

import numpy as np
import pytest

from detectors.yields import lone_site, zeros
from detectors.yields import sequential_test as seq
from detectors.yields.min_level import best_hour

NO = np.zeros(1, dtype=bool)


def test_a_day_tells_its_level_and_the_highest_that_would_have_been_told():
    clear = np.full((1, 96), 4000.0)
    is_used = (np.arange(96) < 40)[None, :]
    told = lone_site.day_level(np.full((1, 96), 400.0), clear, is_used, np.array([5.0]), np.full((1, 96), 1500.0))
    assert told.x[0] == pytest.approx(np.log(0.1))
    assert told.highest[0] == pytest.approx(np.log(1500 / 4000))
    assert (told.near[0], told.energy[0]) == (1.0, pytest.approx(40 * 4000 / 4 / 1000 / 5))
    free = lone_site.day_level(np.full((1, 96), 400.0), clear, is_used, np.array([5.0]), np.full((1, 96), np.inf))
    assert np.isinf(free.highest[0])


def _odds_after(log_level: float, highest: float, *, is_known: bool) -> float:
    """Log odds of a fall after two months of a roof that is told of on days darker than `highest` alone."""
    rng = np.random.default_rng(0)
    deepest = 1 - np.exp((lone_site.DARK + 0.2) / lone_site.CLOUD_SCALE)
    state = seq.start(seq.Prior(np.array([0.1])))
    for _ in range(60):
        cloud = lone_site.CLOUD_SCALE * np.log(1 - deepest * rng.random())
        x = log_level + (rng.normal(0, 0.05) if rng.random() < 0.5 else cloud)
        if x >= highest:
            continue
        limit = np.array([highest if is_known else np.inf])
        told = lone_site.Level(np.array([x]), np.array([0.15]), np.array([3.0]), limit)
        likelihood = lone_site.likelihood(told, NO, ~NO, NO)
        state = seq.update(seq.advance(state, seq.walk_share(np.array([0.004]))), likelihood, np.zeros(1))
    return float(seq.report(state).log_odds_fall[0])


def test_days_that_are_told_because_they_are_dull_do_not_make_a_roof_faulty():
    """A quarter hour behind a limit is told of where the house takes more than there is: on clear days it never is."""
    believed, weighed = (_odds_after(0.0, -1.2, is_known=is_known) for is_known in (False, True))
    assert weighed < seq.CLOSE < believed - 3
    assert _odds_after(np.log(0.2), -1.2, is_known=True) > seq.REFERENCE  # a fifth of its power is told on every day


@pytest.mark.parametrize("level", [-0.25, 0.0, 0.2])
def test_clear_days_of_nothing_are_told_whatever_the_roofs_own_level(level):
    """Under a clear sky by its own shape, twenty days as ever and two days without anything."""
    state = seq.start(seq.Prior(np.array([0.15])))
    for x in [level] * 20 + [np.log(lone_site.MIN_RATIO)] * 2:
        is_nothing = np.array([x < -3])
        told = lone_site.Level(np.array([x]), np.array([0.9]), np.array([4.0]), np.array([np.inf]))
        likelihood = lone_site.likelihood(told, NO, NO, is_nothing)
        evidence = np.where(is_nothing, zeros.ZERO_EVIDENCE, 0.0)
        state = seq.update(seq.advance(state, seq.walk_share(np.array([0.004]))), likelihood, evidence)
    assert seq.report(state).log_odds_fall[0] > 10


def test_the_best_hour_of_a_high_sun_is_what_a_curtailed_roof_can_do_at_least():
    clear = np.full((2, 96), 4000.0)
    clear[:, 40:] = 800.0  # a low sun, whose ratios a wrong plane makes
    made = np.full((2, 96), 500.0)
    made[0, :4] = 2400.0
    made[1, :3] = 2400.0  # three quarter hours may be the edge of a cloud
    made[:, 40:] = 3000.0
    told = best_hour(made, clear, np.array([5.0, 5.0]))
    assert np.exp(told) == pytest.approx(np.array([0.6, 0.125]) * np.exp(-lone_site.TOP))
    made[0, :4] = 7000.0  # its planes are others than are known
    assert best_hour(made, clear, np.array([5.0, 5.0]))[0] == 0.0


def test_sunlit_clouds_of_its_first_days_do_not_raise_a_limited_roofs_level():
    """Four days half as bright again as a clear sky, of which the house took little, then three of what it is."""
    state = seq.start(seq.Prior(np.array([0.15])))
    for x, near in [(0.4, 0.15)] * 4 + [(0.0, 0.3)] * 3:
        told = lone_site.Level(np.array([x]), np.array([near]), np.array([0.4]), np.array([np.inf]))
        likelihood = lone_site.likelihood(told, NO, ~NO, NO)
        state = seq.update(seq.advance(state, seq.walk_share(np.array([0.004]))), likelihood, np.zeros(1))
    assert abs(seq.report(state).baseline[0]) < 0.1
