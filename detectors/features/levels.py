"""Each battery's levels as its days have shown them: reserve, resuming, the import kept up, capacity, ceiling."""

from datetime import date

import polars as pl

from detectors.battery.levels import LEVELS, learn
from detectors.battery.levels import WINDOW_DAYS as LEARNED_DAYS
from detectors.finding import doubts

NAME = "levels"
VERSION = 3
SCHEMA = LEVELS
WINDOW_DAYS = LEARNED_DAYS  # days on which readings were in doubt are left out of the window


def make(
    battery_rests: pl.DataFrame,
    level_day: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    past: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> pl.DataFrame:
    """SCHEMA, one row per site with a battery, learned from the days before `day`."""
    doubted = list(doubts(earlier, "time", "readings", "grid sign", "balance"))
    return learn(battery_rests, level_day, days, sites, past, doubted, day)
