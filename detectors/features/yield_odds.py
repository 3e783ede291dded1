"""The sequential test's verdict on each site after each night."""

from datetime import date

import polars as pl

from detectors.yields import testing
from detectors.yields.testing import Tested

NAME = "yield_odds"
VERSION = 10
SCHEMA = testing.ODDS
WINDOW_DAYS = 90


def make(yield_test: Tested, day: date) -> pl.DataFrame:  # noqa: ARG001 (naming the day makes it nightly)
    """SCHEMA, one row per site."""
    return yield_test.odds
