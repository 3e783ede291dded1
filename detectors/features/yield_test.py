"""The sequential test of each site, a day further."""

from datetime import date

import polars as pl

from detectors.yields import testing
from detectors.yields.night import Night
from detectors.yields.testing import Tested

NAME = "yield_test"
VERSION = 1
SCHEMA = None  # a working object: Tested
WINDOW_DAYS = 0


def make(
    yield_night: Night,
    past_yield_state: pl.DataFrame,
    past_yield_residual: pl.DataFrame,
    day: date,  # noqa: ARG001 (naming the day makes it nightly)
) -> Tested:
    """The states and log odds after the day."""
    return testing.test(yield_night, past_yield_state, past_yield_residual)
