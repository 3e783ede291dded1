"""What the sequential test believes of each site after each night, so that a night costs a night."""

from datetime import date

import polars as pl

from detectors.yields import states
from detectors.yields.testing import Tested

NAME = "yield_state"
VERSION = 8
SCHEMA = states.STATE
WINDOW_DAYS = 3  # ours: every judged day writes every site's state; nights that were left out lose little


def make(yield_test: Tested, day: date) -> pl.DataFrame:  # noqa: ARG001 (naming the day makes it nightly)
    """SCHEMA, one row per site and tested part."""
    return yield_test.state
