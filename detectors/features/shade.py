"""Which hours of the judged day lie in shade at each site, and what that took of it."""

from datetime import date

import polars as pl

from detectors.yields import shade
from detectors.yields.night import Night

NAME = "shade"
VERSION = 1
SCHEMA = shade.SHADE
WINDOW_DAYS = 29  # ours: a month's sum is told; the judged day included


def make(yield_night: Night, day: date) -> pl.DataFrame:  # noqa: ARG001 (naming the day makes it nightly)
    """SCHEMA, one row per site of registered planes whose bright hours are known, under a known sky."""
    return shade.of_night(yield_night)
