"""The judged day of the whole fleet: every site held against its neighbours."""

from datetime import date

import polars as pl

from detectors.finding import doubts
from detectors.yields import cases, fleet_day, in_the_dark, night, zeros
from detectors.yields.energies import Before
from detectors.yields.fleet_day import column
from detectors.yields.night import Night

NAME = "yield_night"
VERSION = 1
SCHEMA = None  # a working object: Night
WINDOW_DAYS = 0


def make(
    yield_intervals: pl.DataFrame,
    roof_model: pl.DataFrame,
    past_yield_odds: pl.DataFrame,
    past_yield_residual: pl.DataFrame,
    past_yield_case: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> Night:
    """Residuals, energies and what else `day` told of each site."""
    fleet = fleet_day.gather(yield_intervals, sites, planes, roof_model, day)
    ids = fleet.sites["site_id"]
    odds = fleet_day.newest(past_yield_odds, ids)
    is_open = ids.is_in(cases.still_open(past_yield_case, past_yield_odds)["site_id"].to_list()).to_numpy()
    stored = column(fleet_day.newest(past_yield_residual.select("site_id", "day", "stored_kwh"), ids), "stored_kwh")
    dark_days = zeros.dark_days(past_yield_residual, ids, day)
    before = Before(column(odds, "baseline", 0.0), stored, is_open, dark_days)
    return night.work_out(fleet, odds, before, in_the_dark.of_day(fleet) | doubts(earlier, "time", "readings"))
