"""The sign of a grid sensor where a battery carries the night: import kept up, generators, mirrored days."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features.meter_signs import make
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.grid_sign import LOAD, NO_EXPORT, PLACES, PV, carried, load_of, rows_of, verdicts_of


def test_the_import_kept_up_shows_the_sign_at_a_site_whose_battery_carries_the_night():
    channels = carried()
    (found,) = verdicts_of(site=NO_EXPORT, **{**channels, "grid_w": -channels["grid_w"]})
    assert (found.kind, found.severity) == ("meter-reversed", "urgent")
    # 60 W wherever it passes 10 W + 3 % of load, generation and battery
    told = 10 + 0.03 * (LOAD + channels["pv_w"] + np.abs(channels["battery_w"])) < 60.0
    assert found.evidence["rest_turned_kwh"] == pytest.approx(60.0 * told.sum() / 12000)
    assert "show the other sign" in found.measured and "whole sensor" in found.evidence["guess_text"]


def test_where_nothing_is_fed_without_a_source_the_other_sign_is_what_is_told():
    """A battery carries the night to the watt, and what is sold by day shows as bought."""
    battery = np.maximum(LOAD - PV, 0.0)
    sold = PV + battery - LOAD
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    (found,) = verdicts_of(site=site, pv_w=PV, battery_w=battery, grid_w=sold, load_w=LOAD)
    assert found.value == found.evidence["rest_turned_kwh"] > 10.0
    assert "with another sign than load" in found.summary and " 0.0 kWh" not in found.summary


def test_the_same_site_with_its_sensor_the_right_way_round_is_clean():
    assert verdicts_of(site=NO_EXPORT, **carried(meter_error=1.01)) == []


def test_a_load_that_is_read_at_half_turns_no_sensor():
    """Half the load is less than the battery gives, so feed-in would be left; but the other sign closes nothing."""
    verdicts = verdicts_of(site=NO_EXPORT, **carried(meter_error=0.5))
    assert not any(isinstance(v, Finding) for v in verdicts)


def test_a_load_worked_out_from_the_grid_proves_nothing():
    (verdict,) = verdicts_of(site={"battery_kwh": 10.0}, **carried())
    assert isinstance(verdict, NotJudged)


def _with_generator(hours, kw=2.2, **channels):
    """The night of `carried` with a source that nobody reads for the given hours; the battery, full, takes nothing."""
    channels = {**carried(), **channels}
    runs = np.isin(np.arange(PLACES) // 12, hours)
    return {
        **channels,
        "battery_w": np.where(runs, 0.0, channels["battery_w"]),
        "grid_w": np.where(runs, LOAD - 1000 * kw, channels["grid_w"]),
        # worked out from the others, and cut at nothing
        "load_w": np.where(runs, 0.0, LOAD),
    }


def test_a_generator_that_runs_for_some_hours_of_a_night_turns_no_sensor():
    """The import that a regulator keeps up beside the battery, at the night's other hours, shows the sign."""
    (verdict,) = verdicts_of(site=NO_EXPORT, **_with_generator([0, 1]))
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "take-turns"
    turned = _with_generator([0, 1])
    (found,) = verdicts_of(
        site=NO_EXPORT, **{**turned, "grid_w": np.where(turned["grid_w"] > 0, -60.0, turned["grid_w"])}
    )
    assert isinstance(found, Finding)  # the same feed-in, and none of the import


def test_much_import_beside_a_battery_at_work_may_be_a_regulator_that_obeys_a_turned_sensor():
    """It sees its own feed-in as import and gives more; once it is empty, what the house takes is shown as fed in."""
    battery = np.where(np.arange(PLACES) < 24, 3000.0, 0.0)
    (found,) = verdicts_of(site=NO_EXPORT, pv_w=0.01 * PV, battery_w=battery, grid_w=-(LOAD - 0.01 * PV - battery))
    assert isinstance(found, Finding)


def test_feed_in_on_some_nights_and_import_on_those_between_is_a_source():
    """A whole night each, at a site without anything else that tells the sign."""
    pv, dull = 0.02 * PV, 0.02 * PV
    fed, bought = LOAD - 2200.0 * (PV == 0) - dull, LOAD - dull
    days = [build.DAY - timedelta(days=n) for n in (4, 3, 2, 1)]

    def told(nights):
        kept = pl.concat(
            [make(rows_of(day, pv_w=pv, grid_w=g), build.sites()) for day, g in zip(days, nights, strict=True)]
        )
        (verdict,) = verdicts_of(kept=kept, pv_w=pv, grid_w=fed)
        return verdict

    between = told([fed, bought, fed, bought])
    assert isinstance(between, NotJudged) and between.reason.code == "some-nights"
    assert isinstance(told([bought, bought, fed, fed]), Finding)


def _of_kept(kept_w, *, seed=0, low_w=250.0):
    """A no-export site whose battery carries every night: the grid shows `kept_w` plus a regulator's scatter, all day.

    The load is worked out from the others, and cut at nothing.
    """
    rng = np.random.default_rng(seed)
    load = load_of(low_w) + rng.normal(0, 2, PLACES)
    grid = kept_w + rng.normal(0, 5, PLACES)
    pv = np.minimum(PV, load - grid)
    battery = load - pv - grid
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": np.maximum(pv + battery + grid, 0.0)}


def _turned(channels):
    grid = -channels["grid_w"]
    return {**channels, "grid_w": grid, "load_w": np.maximum(channels["pv_w"] + channels["battery_w"] + grid, 0.0)}


def _after_a_week(today, *, since=1):
    """The verdicts of a day after seven with import kept up; `since` days, with this one, are as it is."""
    days = [build.DAY - timedelta(days=n) for n in range(7 + since - 1, 0, -1)]
    kept = [make(rows_of(day, **_of_kept(70.0, seed=n)), build.sites(NO_EXPORT)) for n, day in enumerate(days[:7])]
    kept += [make(rows_of(day, **today), build.sites(NO_EXPORT)) for day in days[7:]]
    return verdicts_of(site=NO_EXPORT, kept=pl.concat(kept), **today)


@pytest.mark.parametrize("before_w", [25.0, 70.0, 300.0])
def test_the_import_kept_up_that_is_fed_in_from_a_day_on_while_the_house_goes_on_is_the_sign(before_w):
    low_w = 400.0 if before_w > 100 else 250.0
    today = _turned(_of_kept(before_w, seed=99, low_w=low_w))
    days = [build.DAY - timedelta(days=n) for n in range(1, 8)]
    before = pl.concat([
        make(rows_of(day, **_of_kept(before_w, seed=n, low_w=low_w)), build.sites(NO_EXPORT))
        for n, day in enumerate(days)
    ])  # fmt: skip
    (found,) = verdicts_of(site=NO_EXPORT, kept=before, **today)
    assert (found.kind, found.severity, found.since) == ("meter-reversed", "urgent", build.DAY)
    assert found.value == pytest.approx(-today["grid_w"][today["grid_w"] < -10].sum() / 12000)
    assert "showed import before" in found.summary and "whole sensor" in found.summary
    assert found.evidence["least_load_turned_w"] == pytest.approx(found.evidence["least_load_before_w"], abs=5)


def test_it_is_told_again_on_the_days_after_since_the_first():
    (found,) = _after_a_week(_turned(_of_kept(70.0, seed=99)), since=4)
    assert isinstance(found, Finding)
    assert (found.since, found.evidence["seen_count"]) == (build.DAY - timedelta(days=3), 4)


@pytest.mark.parametrize(
    "today",
    [
        _of_kept(-70.0, seed=99),  # a regulator that was told to feed in: the house takes what it took
        _of_kept(-200.0, seed=99),
        {**_of_kept(70.0, seed=99), "grid_w": np.where(PV > 1000, -60.0, 70.0)},  # a limit that lets a little out
        _of_kept(70.0, seed=99),
        _of_kept(70.0, seed=99, low_w=110.0),  # nobody at home, and the sensor as it was
    ],
)
def test_a_regulator_that_feeds_in_turns_no_sensor(today):
    assert not [one for one in _after_a_week(today) if isinstance(one, Finding)]


def test_a_house_whose_least_load_differs_from_day_to_day_does_not_tell():
    days = [build.DAY - timedelta(days=n) for n in range(1, 8)]
    lows = (150.0, 260.0, 400.0, 210.0, 330.0, 180.0, 290.0)
    kept = pl.concat([
        make(rows_of(day, **_of_kept(40.0, seed=n, low_w=lows[n])), build.sites(NO_EXPORT))
        for n, day in enumerate(days)
    ])  # fmt: skip
    told = verdicts_of(site=NO_EXPORT, kept=kept, **_turned(_of_kept(40.0, seed=99, low_w=260.0)))
    assert not [one for one in told if isinstance(one, Finding)]
