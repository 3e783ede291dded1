"""Hourly means of a local day by arithmetic: cut intervals, instants, what a limit held back, inputs."""

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from detectors.frames import READINGS
from detectors.yields import hourly
from tests.support import build


def _one(channels, **knobs):
    site = knobs.pop("site", {})
    rows = build.readings(channels, **knobs)
    return hourly.keep(rows, build.sites(site)).row(0, named=True)


def test_twelve_five_minute_means_make_an_hour():
    # Berlin in June: local midnight is 22:00 UTC, so the first twelve readings are the UTC hour 22.
    told = _one({"pv_w": [float(n) for n in range(288)]})
    assert told["pv_w"][22] == round(np.mean(range(12)))
    assert told["pv_w"][0] == round(np.mean(range(24, 36)))
    assert told["pv_w"][21] == round(np.mean(range(276, 288)))
    assert told["held_back_hours"] == 0
    assert told["wander_ratio"] == pytest.approx(287 / (2 * 287))


def test_intervals_across_the_hour_are_cut():
    # Hours that begin at half past: each UTC hour holds half of two of them.
    start = datetime(2025, 6, 10, 8, 30, tzinfo=UTC)
    told = _one({"pv_w": [1000.0, 3000.0, 5000.0]}, start=start, interval_s=3600)
    assert [told["pv_w"][n] for n in (9, 10)] == [2000, 4000]
    assert told["pv_w"][8] is None  # half an hour is known: too little
    assert told["pv_w"][12] is None


def test_an_instant_stands_for_the_time_about_it():
    rows = build.readings(
        {"pv_w": [600.0] * 4 + [1200.0] * 8}, start=datetime(2025, 6, 10, 8, tzinfo=UTC), interval_s=900
    )
    told = hourly.keep(rows.with_columns(is_instant=pl.lit(True)), build.sites()).row(0, named=True)
    # From 08:52:30 on each instant of 1200 W counts: 7.5 min of the hour 8, and 600 W for the 52.5 min before.
    assert told["pv_w"][8] == round((600 * 52.5 + 1200 * 7.5) / 60)
    assert told["pv_w"][9] == 1200


LIMITED = {"feed_in_limit_kw": 0.0, "battery_kwh": 10.0}


@pytest.mark.parametrize(
    ("soc", "battery", "grid", "site", "is_held"),
    [
        (100.0, 0.0, 20.0, LIMITED, True),  # full, and nothing may be fed in
        (100.0, 0.0, 110.0, {**LIMITED, "feed_in_buffer_w": None}, True),  # at an import that is learned from the day
        (60.0, 0.0, 20.0, LIMITED, False),  # room to charge: the house just took all
        (60.0, -4000.0, 20.0, LIMITED, True),  # charging as hard as it ever does that day
        (60.0, -500.0, 20.0, LIMITED, False),  # a trickle
        (100.0, 0.0, 20.0, {}, False),  # no limit
        (100.0, 0.0, -5000.0, {"feed_in_limit_kw": 5.0}, True),  # no battery, at a limit of 5 kW
        (100.0, 0.0, -3000.0, {"feed_in_limit_kw": 5.0}, False),
    ],
)
def test_what_a_limit_curtailed_is_noted_by_the_hour(soc, battery, grid, site, is_held):
    noon = [10 <= n // 12 < 12 for n in range(288)]
    told = _one(
        {
            "pv_w": [5000.0 if on else 10.0 for on in noon],
            "grid_w": [grid if on else 900.0 for on in noon],
            "battery_w": [battery if on else 0.0 for on in noon],
            "soc_pct": [soc if on else 50.0 for on in noon],
        },
        site=site,
    )
    # 10:00 to 12:00 local is 08:00 to 10:00 UTC
    assert told["held_back_hours"] == ((1 << 8) + (1 << 9) if is_held else 0)
    frame = pl.DataFrame({"held_back_hours": [told["held_back_hours"]]})
    assert np.flatnonzero(hourly.is_curtailed(frame)[0]).tolist() == ([8, 9] if is_held else [])


def test_inputs_and_temperature_are_kept_where_they_are_reported():
    told = _one({"pv_w": [1000.0] * 288, "pv2_w": [250.0] * 288, "ambient_temp_c": [10.0] * 144 + [20.0] * 144})
    assert told["pv2_kwh"] == pytest.approx(0.25 * 24)
    assert told["pv1_kwh"] is None
    assert told["ambient_temp_c"] == pytest.approx(15.0)
    assert told["irradiance_w_m2"] is None


def test_no_generation_channel_no_row_and_a_dark_day_has_no_variability():
    assert hourly.keep(build.readings({"load_w": [1.0] * 288}), build.sites()).is_empty()
    assert hourly.keep(READINGS.to_frame(), build.sites()).schema == hourly.HOURLY
    told = _one({"pv_w": [0.0] * 288})
    assert told["wander_ratio"] is None
    assert told["pv_w"] == [0] * 24


@pytest.mark.parametrize("day", [date(2025, 3, 30), date(2025, 10, 26)])
def test_days_of_23_and_25_hours_keep_every_reading(day):
    length = 23 if day.month == 3 else 25
    start = datetime(2025, 3, 29, 23, tzinfo=UTC) if day.month == 3 else datetime(2025, 10, 25, 22, tzinfo=UTC)
    rows = build.readings({"pv_w": [600.0] * length * 4}, start=start, interval_s=900)
    kept = hourly.keep(rows, build.sites())
    assert kept["day"].to_list() == [day]
    known = [value for value in kept["pv_w"][0] if value is not None]
    assert len(known) == min(length, 24)
    assert set(known) == {600}


def test_table_gives_nan_for_what_is_not_known():
    kept = build.frame(hourly.HOURLY, [{"site_id": "a", "day": build.DAY, "pv_w": [5] + [None] * 23}])
    table = hourly.table(kept, "pv_w")
    assert table.shape == (1, 24)
    assert table[0, 0] == 5
    assert np.isnan(table[0, 1:]).all()
    assert np.isnan(hourly.table(kept, "irradiance_w_m2")).all()
