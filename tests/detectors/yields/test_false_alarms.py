"""The threshold that holds a stated rate of false alarms, on healthy fleets with log odds drawn from known tails."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.yields import false_alarms
from detectors.yields.cases import CASE
from detectors.yields.sequential_test import OPEN
from detectors.yields.testing import ODDS
from tests.support import build

DAY = date(2026, 6, 1)


def _odds(highest: np.ndarray, days: int = 60) -> pl.DataFrame:
    """Sites whose log odds rise to these values on one day of the window and lie low on all others."""
    rows = pl.DataFrame({"site_id": [f"s{n}" for n in range(len(highest))], "peak": highest})
    dates = pl.DataFrame({"day": [DAY - timedelta(days=n + 1) for n in range(days)]})
    told = rows.join(dates, how="cross").with_columns(
        log_odds=pl.when(pl.col("day") == DAY - timedelta(days=9)).then("peak").otherwise(-8.0), is_judged=pl.lit(True)
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in ODDS.items() if name not in told.columns]
    return told.with_columns(missing).select(ODDS.names()).cast(ODDS)


def _cases(*rows: tuple[str, int, int], kind: str = "underperformance") -> pl.DataFrame:
    """Site, and the days before DAY from which to which its case was open."""
    return build.frame(CASE, [
        {"site_id": site, "kind": kind, "day": DAY - timedelta(days=n), "opened_on": DAY - timedelta(days=first)}
        for site, first, last in rows
        for n in range(first, last - 1, -1)
    ])  # fmt: skip


@pytest.mark.parametrize("rate", [0.1, 0.2, 0.5])
def test_the_rate_holds_within_its_binomial_interval(rate):
    """A thousand healthy sites teach the threshold; twenty thousand others of the same tail are held against it."""
    rng = np.random.default_rng(17)
    threshold = false_alarms.learn(_odds(rng.exponential(1.6, 4000) - 1), CASE.to_frame(), DAY, rate).open_at
    others = 20_000
    raised = int((rng.exponential(1.6, others) - 1 > threshold).sum())
    asked = others * rate * false_alarms.WINDOW_DAYS / false_alarms.DAYS_PER_YEAR
    # The threshold itself is known from a fifth as many sites: its own scatter comes on top.
    room = 3 * np.sqrt(asked * (1 + others / 4000))
    assert abs(raised - asked) < room


def test_a_young_fleet_starts_from_the_usual_threshold():
    assert false_alarms.learn(ODDS.to_frame(), CASE.to_frame(), DAY, 0.05).open_at == OPEN
    few = false_alarms.learn(_odds(np.full(30, 0.0)), CASE.to_frame(), DAY, 0.05)
    assert few.open_at == pytest.approx(OPEN, abs=0.1)
    assert false_alarms.learn(_odds(np.full(30, 0.0), days=10), CASE.to_frame(), DAY, 0.05).sites == 0


def test_noisier_fleets_need_more_and_more_alarms_allowed_need_less():
    rng = np.random.default_rng(3)
    calm, noisy = _odds(rng.exponential(0.8, 3000) - 1), _odds(rng.exponential(2.5, 3000) - 1)
    at = lambda odds, rate=0.2: false_alarms.learn(odds, CASE.to_frame(), DAY, rate).open_at  # noqa: E731
    assert at(noisy) > at(calm)
    assert at(noisy, 0.05) > at(noisy, 0.2) > at(noisy, 1.0)
    assert at(calm, 10.0) >= false_alarms.LOWEST


def test_lasting_cases_are_no_false_alarms_and_short_ones_are():
    """A hundred sites that rose to 7: with a case still open they teach nothing, with one that went by they do."""
    peaks = np.append(np.full(900, -2.0), np.full(100, 7.0))
    odds = _odds(peaks)
    sick = [f"s{n}" for n in range(900, 1000)]
    rate = 0.2
    lasted = false_alarms.learn(odds, _cases(*[(one, 30, 1) for one in sick]), DAY, rate)
    went_by = false_alarms.learn(odds, _cases(*[(one, 30, 26) for one in sick]), DAY, rate)
    off = false_alarms.learn(odds, _cases(*[(one, 30, 28) for one in sick], kind="no-generation"), DAY, rate)
    assert lasted.sites == off.sites == 900
    assert went_by.sites == 1000
    assert lasted.open_at < OPEN < went_by.open_at


def test_what_to_expect_of_a_month():
    assert false_alarms.expected_per_month(240, 0.05) == pytest.approx(1.0)
