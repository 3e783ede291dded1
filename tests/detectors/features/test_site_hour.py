"""A site's hours, against means that can be done by hand: whole hours, cut hours, gaps, zones of half hours."""

from datetime import datetime

import polars as pl
import pytest

from detectors.features import site_hour
from detectors.frames import READINGS
from tests.support import build


def _made(channels, **more) -> pl.DataFrame:
    made = site_hour.make(build.readings(channels, **more))
    assert made.schema == site_hour.SCHEMA
    return made


def test_four_quarters_make_an_hour_and_a_gap_lowers_its_coverage_alone():
    course = {"pv_w": [0.0] * 48 + [1000.0, 2000.0, None, 3000.0] + [0.0] * 44, "load_w": [500.0] * 96}
    rows = _made(course, interval_s=900)
    noon = rows.filter(pl.col("ts_local").dt.hour() == 12).row(0, named=True)
    assert (noon["pv_w"], noon["load_w"], noon["covered_s"]) == (2000.0, 500.0, 3600.0)  # the null counts for nothing
    assert noon["grid_w"] is None
    assert rows.height == 24
    holed = build.readings(course, interval_s=900).filter(pl.int_range(pl.len()) != 49)
    noon = site_hour.make(holed).filter(pl.col("ts_local").dt.hour() == 12).row(0, named=True)
    assert (noon["pv_w"], noon["covered_s"]) == (2000.0, 2700.0)  # (1000 + 3000) / 2


def test_an_interval_counts_in_both_hours_that_it_reaches_into():
    """Local hours of India begin at half past of UTC: each UTC hour has half of two of them."""
    rows = _made({"pv_w": [float(n) for n in range(24)]}, interval_s=3600, timezone="Asia/Kolkata")
    first, second = rows.row(0, named=True), rows.row(1, named=True)
    assert (first["ts_utc"].minute, first["covered_s"], first["pv_w"]) == (0, 1800.0, 0.0)
    assert first["ts_local"] == first["ts_utc"].replace() + (rows["ts_local"][1] - rows["ts_utc"][1])
    assert (second["covered_s"], second["pv_w"]) == (3600.0, 0.5)
    assert rows["covered_s"].sum() == 24 * 3600
    assert (rows["pv_w"] * rows["covered_s"]).sum() == pytest.approx(3600 * sum(range(24)))


def test_the_day_of_the_spring_change_has_23_hours():
    readings = build.readings({"pv_w": [1.0] * 23}, interval_s=3600, day=datetime(2025, 3, 30).date())  # noqa: DTZ001
    made = site_hour.make(readings)
    assert (made.height, made["ts_local"].dt.hour().to_list()) == (23, [0, 1, *range(3, 24)])


def test_no_readings_no_hours():
    assert site_hour.make(READINGS.to_frame()).is_empty()
