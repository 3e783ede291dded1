"""Robust statistics against Iglewicz & Hoaglin 1993 (worked example), scipy and numpy."""

import numpy as np
import pytest
from scipy import stats

from detectors.stats import robust

SAMPLE = [2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3]
SAMPLE_Z = [-1.574, 0.674, -0.225, 0.225, -0.674, -1.574, -0.674, 0.674, 25.856, 26.305]


def test_the_worked_example_of_iglewicz_and_hoaglin():
    assert robust.median(SAMPLE) == pytest.approx(2.45)
    assert robust.mad(SAMPLE) == pytest.approx(0.15)
    assert (np.array(SAMPLE) - robust.median(SAMPLE)) / robust.robust_sigma(SAMPLE) == pytest.approx(SAMPLE_Z, abs=1e-3)


def test_quantiles_with_gaps_are_numpys():
    rng = np.random.default_rng(11)
    values = rng.normal(size=(40, 9))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[3, :-1] = np.nan  # one value left
    for share in (0.0, 0.25, 0.5, 0.9, 1.0):
        assert robust.quantile(values, share) == pytest.approx(np.nanquantile(values, share, axis=1))
        assert robust.quantile(values, share, axis=0) == pytest.approx(np.nanquantile(values, share, axis=0))


def test_the_sigma_is_scipys_scaled_mad():
    values = np.random.default_rng(12).normal(size=(5, 31))
    assert robust.robust_sigma(values) == pytest.approx(stats.median_abs_deviation(values, axis=1, scale="normal"))


def test_no_value_at_all_gives_no_number():
    assert np.isnan(robust.median([np.nan, np.nan]))
    assert np.isnan(robust.robust_sigma([np.nan]))
    assert np.isnan(robust.median(np.empty((2, 0)))).all()


def test_a_mad_of_zero_gives_way_to_the_mean_deviation():
    # Mean absolute deviation 9 / 5 = 1.8; sqrt(pi / 2) x 1.8 = 2.256
    assert robust.robust_sigma([1, 1, 1, 1, 10]) == pytest.approx(2.256, abs=1e-3)
    assert robust.robust_sigma([4.0, 4.0, 4.0]) == 0


def test_medians_of_groups_are_numpys():
    rng = np.random.default_rng(12)
    values = rng.normal(size=200).round(1)  # with ties
    group = rng.permutation(np.concatenate([np.arange(40), rng.integers(0, 40, 160)]))
    told, counts = robust.medians_of_groups(group, values)
    assert told == pytest.approx([np.median(values[group == n]) for n in range(40)])
    assert counts.tolist() == np.bincount(group).tolist()


@pytest.mark.parametrize("count", [1, 2, 3, 10, 11, 400])
def test_of_one_row_the_median_and_quantiles_are_numpys_to_the_bit(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count)
    assert robust.median_of(values) == np.median(values)
    for share in (0.0, 0.08, 0.2, 0.5, 0.75, 0.9, 1.0):
        assert robust.quantile_of(values, share) == np.quantile(values, share)


@pytest.mark.parametrize("values", [[], [1.0, np.nan]])
def test_of_no_value_or_with_an_unknown_one_nothing_is_told(values: list[float]) -> None:
    assert np.isnan(robust.median_of(np.array(values))) and np.isnan(robust.quantile_of(np.array(values), 0.2))
