"""Inverters that begin late in the morning, under the simulator's sky, and what only looks like one."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from detectors.yields.late_mornings import MIN_LATE_H, late_since
from tests.benches.living_yields import live_nights
from tests.support import yield_fleet

SINCE, DAYS = 12, 22
HILL_SHARE, STEP_W = 0.06, 100.0  # of the whole light that comes past a hill, and of a coarse meter
NEEDS = {"LATE": {}, "COARSE": {}, "SHADED": {"shade": True}, "LIMITED": {"limit": "no-export"}, "A": {}, "B": {}}
OFF_UNTIL = {"LATE": 7.0, "LIMITED": 7.0}  # hours of UTC, in August at 47 north and 7 east


@pytest.fixture(scope="module")
def lived():
    fleet = yield_fleet.make(21, NEEDS, {}, first=date(2026, 8, 3), days=DAYS)
    until = pl.col("site_id").replace_strict(OFF_UNTIL, default=0.0)
    hour = pl.col("ts_utc").dt.hour() + pl.col("ts_utc").dt.minute() / 60
    behind_hill = (pl.when(hour < 7.0).then(HILL_SHARE).otherwise(1.0) * pl.col("pv_w") / STEP_W).round() * STEP_W
    fleet.readings = {
        day: rows if day < fleet.day(SINCE) else rows.with_columns(pl.when(hour >= until).then("pv_w").otherwise(0.0))
        for day, rows in fleet.readings.items()
    }
    is_hill = pl.col("site_id") == "COARSE"
    for day in fleet.readings:
        shown = behind_hill if day >= fleet.day(SINCE) else (pl.col("pv_w") / STEP_W).round() * STEP_W
        fleet.readings[day] = fleet.readings[day].with_columns(
            pl.when(is_hill).then(shown).otherwise("pv_w").alias("pv_w")
        )
    return fleet, live_nights(fleet, lambda _: fleet.sites)


def test_a_roof_that_makes_nothing_for_hours_of_each_morning_is_told_and_shade_is_not(lived):
    fleet, through = lived
    by_site = {row["site_id"]: row for row in through.lived.exceptions.sort("night").iter_rows(named=True)}
    assert set(by_site) == {"LATE"}
    row = by_site["LATE"]
    assert (row["kind"], row["severity"], row["first_day"]) == ("underperformance", "soon", fleet.day(SINCE))
    assert (row["opened_on"] - fleet.day(SINCE)).days <= 5
    hours = through.nights.rows["yield_residual"].filter(pl.col("site_id") == "SHADED")["late_h"].drop_nulls()
    assert hours.len() > DAYS / 2 and hours.max() < MIN_LATE_H


def test_what_a_coarse_meter_shows_of_a_roof_behind_a_hill_is_no_late_start(lived):
    """Its sun comes over the hill later from one day on, as the year goes, and the light before is below its step."""
    fleet, through = lived
    coarse = pl.concat(list(fleet.readings.values())).filter(
        pl.col("site_id") == "COARSE", pl.col("ts_utc").dt.hour() == 5
    )
    since = coarse.filter(pl.col("ts_local").dt.date() >= fleet.day(SINCE))
    assert coarse["pv_w"].max() >= 3 * STEP_W and since["pv_w"].max() == 0
    hours = through.nights.rows["yield_residual"].filter(pl.col("site_id") == "COARSE")["late_h"].drop_nulls()
    assert hours.len() > DAYS / 2 and hours.max() < MIN_LATE_H


def test_what_late_mornings_cost_is_what_the_roof_would_have_made_of_them(lived):
    """By the truth, as the simulator has it: what was taken from the readings. Under low suns it errs by much."""
    fleet, through = lived
    whole = yield_fleet.make(21, NEEDS, {}, first=date(2026, 8, 3), days=DAYS)
    lost = sum(
        (whole.readings[day].filter(pl.col("site_id") == "LATE")["pv_w"].sum()
         - fleet.readings[day].filter(pl.col("site_id") == "LATE")["pv_w"].sum()) / 4000
        for day in (fleet.day(n) for n in range(SINCE, DAYS))
    )  # fmt: skip
    (told,) = through.lived.exceptions.filter(pl.col("site_id") == "LATE").sort("night")["loss_kwh"].tail(1)
    assert told == pytest.approx(lost, rel=0.4)


@pytest.mark.parametrize(
    ("hours", "since"),
    [
        ([0] * 10 + [2] * 5, 10),
        ([0] * 10 + [2] * 4, None),  # too few
        ([2] * 15, None),  # always so: a horizon, or how it is built
        ([0, 2] * 10 + [2] * 6, None),  # nearly always so
        ([0] * 10 + [2, 2, 0, 2, 2, 0, 2, 2], 10),  # dry mornings among them
        ([0] * 10 + [2] * 6 + [0], None),  # it started in time today
        ([0] * 5 + [2] * 6, None),  # nobody knows how it was before
    ],
)
def test_since_when_mornings_are_late(hours, since):
    assert late_since(np.array(hours, dtype=float)) == since
