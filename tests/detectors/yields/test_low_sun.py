"""A horizon takes the beam, a failed part a share of every sky: what tells them apart, and when it is too early."""

from datetime import date, timedelta

import numpy as np
import pytest

from detectors.yields import low_sun
from detectors.yields.history import History

DAYS, FELL, KWP = 40, 25, 6.0
NOVEMBER, FEBRUARY, JUNE = date(2025, 10, 20), date(2026, 1, 20), date(2026, 5, 20)
DEPTH = float(np.log(0.3))


def _history(first: date, on_dull: float, dull_each: int = 4) -> History:
    """A roof that falls by DEPTH on bright days and by `on_dull` on dull ones, each so many days; 0 = none is dull."""
    number = np.arange(DAYS)
    is_dull = (number % dull_each == 1) if dull_each else np.zeros(DAYS, dtype=bool)
    x = np.where(number < FELL, 0.0, np.where(is_dull, on_dull, DEPTH))
    nothing, sigma = np.full(DAYS, np.nan), np.where(is_dull, 0.2, 0.1)
    due = np.where(is_dull, 0.25, 0.9) * 2.0 * KWP
    return History(
        first, x, sigma, sigma, np.zeros(DAYS, dtype=bool), nothing[:, None], nothing[:, None], due, due * np.exp(x),
        clear_kwh=np.full(DAYS, 2.0),
    )  # fmt: skip


def _says(history: History, day: int = FELL, *, has_limit: bool = False) -> bool:
    since = history.first + timedelta(days=day)
    return low_sun.may_be_hidden(history, since, 0.0, DEPTH, 52.0, KWP, has_limit=has_limit)


def test_in_autumn_a_fall_waits_for_a_dull_day():
    assert _says(_history(NOVEMBER, 0.0, dull_each=0))
    assert not _says(_history(NOVEMBER, DEPTH))
    assert _says(_history(NOVEMBER, -0.1))


@pytest.mark.parametrize("first", [FEBRUARY, JUNE])
def test_a_sun_that_was_lower_before_or_stands_high_is_behind_nothing_new(first):
    assert not _says(_history(first, DEPTH, dull_each=0))


def test_what_was_missing_from_the_first_days_on_under_a_low_sun_waits_too():
    history = _history(FEBRUARY, 0.0, dull_each=0)
    assert _says(history, day=0)
    assert not low_sun.may_be_hidden(history, FEBRUARY, 0.0, DEPTH, 30.0, KWP, has_limit=False)
    assert not _says(history, day=-10)  # what began before all that is looked back on is not new


def test_dull_days_that_lack_nothing_speak_for_an_obstacle_under_a_high_sun_too():
    assert _says(_history(JUNE, 0.0))
    assert not _says(_history(JUNE, DEPTH))
    assert not _says(_history(JUNE, 0.0, dull_each=14))  # a single one may err


def test_alone_and_of_unknown_planes_a_fall_under_a_sinking_sun_waits_however_deep():
    """In mid-October an obstacle takes a morning at most, and planes learned in summer may err by more."""
    october = date(2025, 9, 18)
    bright = _history(october, 0.0, dull_each=0)
    since = october + timedelta(days=FELL)
    half = float(np.log(0.5))

    def says(first: History, since: date, *, has_sky: bool) -> bool:
        return low_sun.may_be_hidden(first, since, 0.0, half, 47.0, KWP, has_limit=False, has_sky=has_sky)

    assert [says(bright, since, has_sky=one) for one in (True, False)] == [False, True]
    rising = _history(FEBRUARY, 0.0, dull_each=0)
    assert not says(rising, FEBRUARY + timedelta(days=FELL), has_sky=False)


def test_which_days_of_a_limited_site_were_dull_nobody_knows():
    assert _says(_history(NOVEMBER, DEPTH), has_limit=True)
    assert not _says(_history(JUNE, 0.0), has_limit=True)


@pytest.mark.parametrize(
    ("changed", "is_hidden"),
    [
        ({}, True),
        ({"kind": "no-generation"}, False),  # behind a hill the sky's light is left
        ({"kind": "string-loss", "input": 2}, False),  # the other inputs stand behind the same hill
        ({"kind": "string-loss"}, True),  # told by its share alone
        ({"kind": "capacity-mismatch", "after": 0.4}, False),  # nothing that hides the sun adds power
    ],
)
def test_which_cases_an_obstacle_may_be(changed, is_hidden):
    since = NOVEMBER + timedelta(days=FELL)
    case = {"kind": "underperformance", "input": 0, "first_day": since, "before": 0.0, "after": DEPTH, **changed}
    site = {"latitude": 52.0, "installed_kwp": KWP}
    assert low_sun.of_case(case, _history(NOVEMBER, 0.0), site, has_limit=False) is is_hidden


@pytest.mark.parametrize(("left", "is_hidden"), [(0.9, True), (0.5, False)])
def test_a_morning_below_the_hills_takes_a_part_of_the_day_at_most(left, is_hidden):
    """In October the noon sun stands at 30 degrees; a fourth of a clear day's light comes from below 25 on a side."""
    since = date(2025, 10, 15)
    history = _history(since - timedelta(days=FELL), 0.0, dull_each=0)
    said = low_sun.may_be_hidden(history, since, 0.0, float(np.log(left)), 52.0, KWP, has_limit=False)
    assert said is is_hidden


def test_how_much_of_a_days_light_an_obstacle_may_take():
    """Of the light on an equator's equinox 1 - cos 25 comes from below 25 degrees: the integral of a sine."""
    assert low_sun.low_share(52.0, date(2025, 12, 21)) == 1.0
    assert low_sun.low_share(0.0, date(2026, 3, 20)) == pytest.approx((1 - np.cos(np.radians(25))) / 2, abs=0.01)
    assert low_sun.low_share(-52.0, date(2026, 6, 21)) == 1.0
