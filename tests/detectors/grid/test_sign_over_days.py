"""The sign of a grid sensor that only days together tell: sales by day, and what the dark told before."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features.meter_signs import make
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.grid_sign import LOAD, PLACES, PV, rows_of, verdicts_of


def _sells_once_full(sign, *, answers=1.0):
    """A battery that carries the night and is full at noon, at a site that feeds in what it likes; load not read.

    `answers`: how much of what is generated beyond the load the grid sees.
    """
    is_open = np.repeat((np.arange(24) >= 12) & (np.arange(24) < 19), 12)
    stored = np.where(is_open, 0.0, LOAD - PV)
    return {"battery_w": stored, "grid_w": sign * np.where(is_open, LOAD - answers * PV, 0.0)}


def _over_days(count, site, **channels):
    days = [build.DAY - timedelta(days=n) for n in range(count, 0, -1)]
    kept = pl.concat([make(rows_of(day, **channels), build.sites(site)) for day in days])
    return verdicts_of(site=site, kept=kept, **channels)


def test_a_sensor_that_only_sales_by_day_can_tell_is_found_by_their_sign():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    (early,) = _over_days(3, site, **_sells_once_full(-1))
    assert isinstance(early, NotJudged) and early.reason.code == "battery-at-work"
    (found,) = _over_days(4, site, **_sells_once_full(-1))
    assert isinstance(found, Finding) and (found.unit, found.severity) == ("kWh", "soon")
    assert found.evidence["answer_ratio"] > 0.8 and found.since == build.DAY - timedelta(days=4)
    shown = _sells_once_full(-1)["grid_w"]
    assert shown.min() == 0 and found.value == pytest.approx(shown.sum() / 12 / 1000)  # what was sold, as import
    buys = {**_sells_once_full(-1), "grid_w": np.where(np.arange(288) < 12, -600.0, shown)}  # for an hour
    (both,) = _over_days(4, site, **buys)
    assert isinstance(both, Finding) and both.value == pytest.approx(0.6)
    assert "rises and falls with generation" in found.summary
    right = _over_days(5, site, **_sells_once_full(1))
    held = _over_days(5, site, **_sells_once_full(-1, answers=0.0))  # a regulator keeps the grid where it is
    assert not [one for one in (*right, *held) if isinstance(one, Finding)]


def test_a_load_worked_out_from_the_grid_and_rounded_by_itself_proves_no_sign():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    channels = _sells_once_full(-1)
    load = PV + channels["battery_w"] + channels["grid_w"]
    coarse = {name: np.round(power / 50) * 50 for name, power in {**channels, "pv_w": PV, "load_w": load}.items()}
    (found,) = _over_days(20, site, **coarse)
    assert isinstance(found, Finding) and "rises and falls with generation" in found.summary
    assert found.since == build.DAY - timedelta(days=20)  # all of them, not the latest two weeks


def _evening_of_cooking(nights_empty):
    """A no-export site with a turned sensor, 50 W kept up: 3 kW at eight beyond the battery; dark hours told or not.

    The load is worked out from the turned grid and cut at nothing, so it closes except while that cuts it.
    """
    load = LOAD + np.where((np.arange(PLACES) >= 240) & (np.arange(PLACES) < 256), 3000.0, 0.0)
    is_empty = np.arange(PLACES) < (18 if nights_empty else 0)  # its battery's last hour and a half before dawn
    battery = np.where(is_empty, 0.0, np.clip(load - 50 - PV, -3000.0, 1200.0))
    pv = np.minimum(PV, np.maximum(load - 50 - battery, 0.0))
    grid = -(load - pv - battery)
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": np.maximum(pv + battery + grid, 0.0)}


def test_feed_in_beyond_all_sources_tells_again_what_the_dark_told_before():
    site = {"battery_kwh": 10.0, "feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0}
    night = pl.concat([
        make(rows_of(build.DAY - timedelta(days=n), **_evening_of_cooking(nights_empty=True)), build.sites(site))
        for n in (2, 3)
    ])  # fmt: skip
    (found,) = verdicts_of(site=site, kept=night, **_evening_of_cooking(nights_empty=False))
    assert isinstance(found, Finding) and found.since == build.DAY - timedelta(days=3)
    (alone,) = verdicts_of(site=site, **_evening_of_cooking(nights_empty=False))
    assert isinstance(alone, NotJudged)  # a load that is cut at nothing is still none of its own


@pytest.mark.parametrize(("limit_kw", "night_w"), [(0.0, 0.0), (None, 300.0)])
def test_generation_that_follows_the_load_answers_as_if_the_sensor_were_turned(limit_kw, night_w):
    """At a limit generation and import grow with the load together; elsewhere import in the dark shows the sign."""
    dark = PV == 0
    channels = _sells_once_full(-1)
    channels["grid_w"] = np.where(dark, night_w, channels["grid_w"])
    channels["battery_w"] = np.where(dark & (night_w > 0), 0.0, channels["battery_w"])
    told = _over_days(5, {"battery_kwh": 60.0, "feed_in_limit_kw": limit_kw}, **channels)
    assert not [one for one in told if isinstance(one, Finding)]


def test_one_right_answer_among_the_turned_ones_begins_anew():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    day = build.DAY - timedelta(days=1)
    past = [make(rows_of(day - timedelta(days=n), **_sells_once_full(-1)), build.sites(site)) for n in (5, 4, 3, 2, 1)]
    right = make(rows_of(day, **_sells_once_full(1)), build.sites(site))
    told = verdicts_of(site=site, kept=pl.concat([*past, right]), **_sells_once_full(-1))
    assert [type(one) for one in told] == [NotJudged]
