"""What a site's clear days tell of its roof, remembered from the day on which it was learned."""

from datetime import date

import polars as pl

from detectors.finding import doubts
from detectors.stats.rows import last_rows, ordered
from detectors.yields import site_model

NAME = "site_model"
VERSION = 4
SCHEMA = site_model.MODEL
WINDOW_DAYS = 400  # ours: a year and a month, so that what was learned outlasts a winter, or a year of repairs


def make(
    hourly: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    past: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> pl.DataFrame:
    """SCHEMA, one row per site that was learned on `day`: about once a week each."""
    sites = sites.sort("site_id")
    known = last_rows(past)
    is_due = pl.Series(site_model.is_due(sites["site_id"].to_list(), known, day))
    wrong = list(doubts(earlier, "stamps", "readings"))
    due = sites.filter(is_due & ~sites["site_id"].is_in(wrong))
    mine = hourly.join(due.select("site_id"), on="site_id", how="semi", maintain_order="left")
    return site_model.surer_planes(site_model.learn(ordered(mine, "site_id", "day"), due, planes, day), known)
