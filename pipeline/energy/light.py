"""How much of a day's light falls into each reading: by the sine of the sun's height, cloudless and on level ground."""

import numpy as np
import polars as pl

from detectors.solar.position import height_sine

US_PER_DAY = 86400e6
POINTS = 96  # a day in quarters of an hour: the sum is exact to some 0.1 %


def sun_height(rows: pl.DataFrame) -> pl.Series:
    """The sine of the sun's height in the middle of each row's interval, 0 at night.

    Of rows with ts_utc, interval_s, is_instant, latitude and longitude.
    """
    half_us = pl.when("is_instant").then(0).otherwise(pl.col("interval_s").cast(pl.Int64) * 500_000)
    days = rows.select((pl.col("ts_utc").dt.timestamp("us") + half_us) / US_PER_DAY).to_series().to_numpy()
    return pl.Series(height_sine(rows["latitude"].to_numpy(), rows["longitude"].to_numpy(), days))


def day_light_h(days: pl.DataFrame) -> pl.Series:
    """Hours times the sine of the sun's height over each row's local `day`, at its latitude and longitude."""
    since_1970 = days["day"].cast(pl.Int32).to_numpy().astype(np.float64)
    longitude = days["longitude"].to_numpy()[:, None]
    at = since_1970[:, None] - longitude / 360 + (np.arange(POINTS) + 0.5) / POINTS
    return pl.Series(height_sine(days["latitude"].to_numpy()[:, None], longitude, at).mean(axis=1) * 24)
