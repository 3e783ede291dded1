"""What a site's clear days tell of its roof, remembered from the day on which it was learned."""

from datetime import date

import polars as pl

from detectors.yields.fleet_yields import Yields
from detectors.yields.site_model import MODEL

NAME = "site_model"
VERSION = 1
SCHEMA = MODEL
WINDOW_DAYS = 400  # ours: a year and a month, so that what was learned outlasts a winter, or a year of repairs


def make(yields: Yields, day: date) -> pl.DataFrame:  # noqa: ARG001 (naming the day makes it nightly)
    """SCHEMA, one row per site that was learned on `day`: about once a week each."""
    return yields.learned
