"""Losses day by day, what a kWh is worth, and what a finding may say of both."""

from datetime import timedelta

import pytest
from pydantic import ValidationError

from detectors.finding import Finding
from detectors.losses import MEASURED, DayLoss, day_losses, value_per_kwh
from tests.support import build

DAY = build.DAY


def before(count: int):
    return DAY - timedelta(days=count)


def test_days_outside_the_fault_and_without_a_figure_are_left_out():
    days = [before(n) for n in (4, 3, 2, 1, 0)]
    told = day_losses(days, [9.0, 2.0, None, float("nan"), -1.0], 0.2, since=before(3), until=DAY)
    # day 3: 2 kWh at 0.20; more than expected on the last day is no gain to set off
    assert told == (DayLoss(before(3), 2.0, pytest.approx(0.4), MEASURED), DayLoss(DAY, 0.0, 0.0, MEASURED))


def _each(*rows, **site) -> float:
    return value_per_kwh(build.days(*rows), build.sites(site))["roof-1"]


def test_a_kwh_is_worth_what_becomes_of_the_sites_own():
    # 10 + 30 kWh made, 4 + 26 fed in: a quarter is used in the house at 0.30, three quarters are fed in at 0.08.
    rows = [{"pv_kwh": 10.0, "feed_in_kwh": 4.0}, {"pv_kwh": 30.0, "feed_in_kwh": 26.0}]
    assert _each(*rows) == pytest.approx(0.25 * 0.30 + 0.75 * 0.08)
    # A day without generation changes nothing; a day with one of the two unknown does not count.
    assert _each(*rows, {"pv_kwh": 0.0, "feed_in_kwh": 0.0}) == pytest.approx(0.135)
    assert _each(*rows, {"pv_kwh": 50.0, "feed_in_kwh": None}) == pytest.approx(0.135)


def test_where_nobody_knows_the_lower_price_counts_and_without_feed_in_the_import_price():
    assert _each({"pv_kwh": 10.0, "feed_in_kwh": None}) == pytest.approx(0.08)
    assert _each({"pv_kwh": 10.0, "feed_in_kwh": 4.0}, feed_in_limit_kw=0.0) == pytest.approx(0.30)
    assert _each({"pv_kwh": 10.0, "feed_in_kwh": 40.0}) == pytest.approx(0.08)  # no share below 0


def _finding(**changed) -> Finding:
    fixed = {"site_id": "A", "day": DAY, "kind": "k", "severity": "soon", "value": 1.0, "unit": "%", "threshold": 0.0}
    return Finding(**{**fixed, "summary": "s", **changed})


def test_a_finding_tells_one_loss_of_its_days():
    losses = (DayLoss(before(1), 2.0, 0.4, MEASURED), DayLoss(DAY, 3.0, 0.6, MEASURED))
    assert _finding(since=before(1), loss_kwh=3.0, cost=0.6, losses=losses).reported_losses == losses
    with pytest.raises(ValidationError, match="lies outside"):
        _finding(loss_kwh=3.0, losses=losses)
    with pytest.raises(ValidationError, match="is told as"):
        _finding(since=before(1), loss_kwh=2.5, losses=losses)


def test_a_finding_without_losses_tells_of_its_day_alone():
    assert _finding(loss_kwh=3.0, cost=0.6).reported_losses == (DayLoss(DAY, 3.0, 0.6, MEASURED),)
    assert _finding().reported_losses[0].basis == "no energy at stake"
