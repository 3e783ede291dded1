"""What passed in on some phases while it passed out on others, day by day."""

import polars as pl

from detectors.grid.phase_days import PHASE_DAYS, phase_days

NAME = "phase_day"
VERSION = 1
SCHEMA = PHASE_DAYS
WINDOW_DAYS = 6  # a week is judged, the judged day included


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per three-phase site and local day with readings of its phases."""
    return phase_days(readings, sites)
