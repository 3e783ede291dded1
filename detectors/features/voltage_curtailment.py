"""What high voltage cut from each site's generation on the judged day."""

from datetime import date

import polars as pl

from detectors.yields import voltage_curtailment
from detectors.yields.night import Night

NAME = "voltage_curtailment"
VERSION = 4
SCHEMA = voltage_curtailment.CURTAILED
WINDOW_DAYS = 29  # ours: a month shows whether it costs anything; the judged day included


def make(yield_night: Night, voltage_response: pl.DataFrame, past: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with readings of generation and of a voltage on `day`."""
    return voltage_curtailment.of_night(yield_night, past, voltage_response.filter(pl.col("day") == day))
