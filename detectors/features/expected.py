"""What each site should have generated on the judged day, as the yield detectors see it."""

from datetime import date

import numpy as np
import polars as pl

from detectors.yields.fleet_yields import Yields

NAME = "expected"
VERSION = 2
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "expected_kwh": pl.Float64(),  # curtailed hours left out; null = not judged
        "judged_kwh": pl.Float64(),  # generated in the same hours
    }
)
WINDOW_DAYS = 0


def make(yields: Yields, days: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with a site-day on `day`."""
    return of_window(yields, days).filter(pl.col("day") == day)


def of_window(yields: Yields, days: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA per row of `days` in the last 60 days; null where not judged.

    Both energies leave out what a feed-in limit curtailed. Sites whose clock or readings are wrong have no expectation.
    """
    seen = yields.seen
    if days.is_empty() or seen.sites.is_empty():
        return SCHEMA.to_frame()
    ratio = yields.ratio
    count = len(seen.dates)
    told = pl.DataFrame(
        {
            "site_id": np.repeat(seen.sites["site_id"].to_numpy(), count),
            "day": pl.Series(seen.dates * seen.sites.height, dtype=pl.Date),
            "expected_kwh": np.where(np.isfinite(ratio), yields.expected_kwh, np.nan).ravel(),
            "judged_kwh": np.where(np.isfinite(ratio), ratio * yields.expected_kwh, np.nan).ravel(),
        },
        schema=SCHEMA,
    ).fill_nan(None)
    trusted = ~pl.col("site_id").is_in(list(yields.doubts))
    return (
        days.select("site_id", "day")
        .join(told, on=["site_id", "day"], how="inner")
        .sort("site_id", "day")
        .with_columns(pl.when(trusted).then(pl.col("expected_kwh", "judged_kwh")))
    )
