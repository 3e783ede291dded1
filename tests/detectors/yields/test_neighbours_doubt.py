"""One bright day over a roof with a single neighbour, and the neighbour's own doubt."""

import numpy as np
import pytest

from detectors.yields.testing import ODDS
from tests.support import build
from tests.support.bright_day import DAY, STREET, night_of, powers

TWO = ("a", "street")


def _place(told, name="street"):
    return told.fleet.sites["site_id"].to_list().index(name)


def _odds(log_odds_fall, depth=-0.7):
    """Of the neighbour, the night before, and of the roof itself, known for weeks."""
    known = {"day": DAY, "baseline": 0.0, "baseline_sigma": 0.03}
    neighbour = {"site_id": "a", "log_odds_fall": log_odds_fall, "depth": depth}
    return build.frame(ODDS, [{**known, **neighbour}, {**known, "site_id": "street", "log_odds_fall": -7.0}])


@pytest.mark.parametrize("factor", [1.6, 2.0])
def test_a_roof_that_makes_more_than_it_ever_did_shows_that_its_only_neighbour_fell(factor):
    """The clear sky alone is left, and nothing is expected of the hours."""
    told = night_of(names=TWO, neighbour=1 / factor, odds=_odds(-7.0))
    n = _place(told)
    assert np.isnan(told.x[n]) and np.isnan(told.expected_kwh[n])
    assert told.actual_kwh[n] == pytest.approx(powers()[STREET].sum() / 4000, rel=0.01)
    assert told.x[_place(told, "a")] == pytest.approx(-np.log(factor), abs=0.05)  # the one that fell is seen to


def test_a_roof_whose_own_bright_day_shows_as_much_is_larger_than_registered():
    told = night_of(factor=1.6, names=TWO, odds=_odds(-7.0))
    assert told.x[_place(told)] == pytest.approx(np.log(1.6), abs=0.05)


def test_of_many_neighbours_one_that_fell_takes_none_away():
    told = night_of(neighbour=0.5)
    assert told.x[_place(told)] == pytest.approx(0.0, abs=0.05)


def test_the_neighbours_own_doubt_is_in_the_variance_of_who_has_no_other():
    """With p = 1/2 and a depth of 0.7: sigma 0.35."""
    sure, doubted = (night_of(names=TWO, odds=_odds(one)) for one in (-8.0, 0.0))
    n = _place(sure)
    assert doubted.sigma[n] ** 2 - sure.sigma[n] ** 2 == pytest.approx(0.35**2, rel=0.01)
    among_many = [night_of(odds=_odds(one)).sigma for one in (-8.0, 0.0)]
    assert among_many[1][STREET] == pytest.approx(among_many[0][STREET])
