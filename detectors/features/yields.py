"""The fleet's yields up to the judged day, worked out once for all the detectors of yield."""

from datetime import date

import polars as pl

from detectors.yields import fleet_yields
from detectors.yields.fleet_yields import Yields

NAME = "yields"
VERSION = 1
SCHEMA = None  # a working object: Yields
WINDOW_DAYS = 0


def make(
    hourly: pl.DataFrame,
    curtailment: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    past_site_model: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> Yields:
    """What the roofs made and should have made over the 60 days up to `day`, as arrays [sites, days]."""
    curtailed = curtailment.select("site_id", "day", held_back_h="curtailed_h")
    known = days.join(curtailed, on=["site_id", "day"], how="left", maintain_order="left")
    return fleet_yields.look(hourly, known, sites, planes, past_site_model, earlier, day)
