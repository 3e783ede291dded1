"""The judged day of the whole fleet: every site held against its neighbours."""

from datetime import date

import polars as pl

from detectors.finding import doubts
from detectors.yields import fleet_day, night
from detectors.yields.night import Night

NAME = "yield_night"
VERSION = 1
SCHEMA = None  # a working object: Night
WINDOW_DAYS = 0


def make(
    yield_intervals: pl.DataFrame,
    roof_model: pl.DataFrame,
    past_yield_odds: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> Night:
    """Residuals, energies and what else `day` told of each site."""
    fleet = fleet_day.gather(yield_intervals, sites, planes, roof_model, day)
    return night.work_out(
        fleet, fleet_day.newest(past_yield_odds, fleet.sites["site_id"]), doubts(earlier, "time", "readings")
    )  # fmt: skip
