"""Losses day by day, what a kWh is worth, and what a finding may say of both."""

from datetime import timedelta

import numpy as np
import pytest
from pydantic import ValidationError

from detectors.finding import Finding
from detectors.losses import MEASURED, DayLoss, day_losses, worths
from tests.support import build

DAY = build.DAY


def before(count: int):
    return DAY - timedelta(days=count)


def test_days_outside_the_fault_and_without_a_figure_are_left_out():
    days = [before(n) for n in (4, 3, 2, 1, 0)]
    told = day_losses(days, [9.0, 2.0, None, float("nan"), -1.0], 0.2, since=before(3), until=DAY)
    # day 3: 2 kWh at 0.20; more than expected on the last day is no gain to set off
    assert told == (DayLoss(before(3), 2.0, pytest.approx(0.4), MEASURED), DayLoss(DAY, 0.0, 0.0, MEASURED))


def _worth(*rows, **site):
    return worths(build.days(*rows), build.sites(site))["roof-1"]


def _house(generated_kwh: float, max_kwh: float, sharpness: float) -> dict:
    taken = generated_kwh / (1 + (generated_kwh / max_kwh) ** sharpness) ** (1 / sharpness)
    return {"pv_kwh": generated_kwh, "feed_in_kwh": generated_kwh - taken}


@pytest.mark.parametrize(("sharpness", "battery"), [(2.0, {}), (8.0, {"battery_kwh": 10.0})])
def test_what_house_and_battery_take_of_a_day_is_learned_and_prices_what_is_lost_of_it(sharpness, battery):
    told = _worth(*(_house(made, 12.0, sharpness) for made in (3.0, 9.0, 20.0, 41.0)), **battery)
    assert told.max_taken_kwh == pytest.approx(12.0, rel=1e-6)
    assert told.per_kwh(np.array(40.0), np.array(10.0)) == pytest.approx(
        0.08, abs=0.005
    )  # a bright day's tenth would have been fed in
    assert told.per_kwh(np.array(0.0), np.array(2.0)) == pytest.approx(
        0.30, abs=0.005
    )  # a dull day's little would have been used
    assert told.of(np.array(20.0)) == pytest.approx(
        0.08 * 20 + 0.22 * (20 - _house(20.0, 12.0, sharpness)["feed_in_kwh"])
    )


def test_a_day_with_one_of_the_two_unknown_or_without_generation_does_not_count():
    rows = [_house(made, 12.0, 2.0) for made in (3.0, 20.0)]
    more = [{"pv_kwh": 0.0, "feed_in_kwh": 0.0}, {"pv_kwh": 50.0, "feed_in_kwh": None}]
    assert _worth(*rows, *more) == _worth(*rows)
    assert _worth({"pv_kwh": 9.0, "feed_in_kwh": 0.0}).per_kwh(np.array(9.0), np.array(1.0)) == pytest.approx(
        0.30
    )  # it takes all
    assert _worth({"pv_kwh": 9.0, "feed_in_kwh": 40.0}).per_kwh(np.array(9.0), np.array(1.0)) == pytest.approx(
        0.08
    )  # and nothing


def test_where_nobody_knows_the_lower_price_counts_and_without_feed_in_the_import_price():
    assert _worth({"pv_kwh": 10.0, "feed_in_kwh": None}).per_kwh(np.array(10.0), np.array(5.0)) == pytest.approx(0.08)
    none = _worth({"pv_kwh": 10.0, "feed_in_kwh": 4.0}, feed_in_limit_kw=0.0)
    assert none.per_kwh(np.array(10.0), np.array(5.0)) == pytest.approx(0.30)
    assert none.per_kwh(np.array(10.0), np.array(0.0)) == 0.08  # nothing lost: nothing to price


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
