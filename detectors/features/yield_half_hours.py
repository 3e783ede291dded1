"""The half hours of each site-day from which its roof is learned."""

from datetime import date

import numpy as np
import polars as pl

from detectors.yields import half_hours
from detectors.yields.night import Night

NAME = "yield_half_hours"
VERSION = 5
SCHEMA = half_hours.HALF_HOURLY
WINDOW_DAYS = 60


def make(yield_night: Night, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with usable power on `day`."""
    fleet = yield_night.fleet
    light = fleet.light
    has_sky = np.asarray(np.isfinite(yield_night.clearness).any(axis=1))
    free = np.isfinite(light.power_w) & light.is_free
    used = np.where(has_sky[:, None], yield_night.is_used & np.isfinite(yield_night.clearness), free)
    used &= ~fleet.sites["site_id"].is_in(list(yield_night.doubts)).to_numpy()[:, None]
    return half_hours.keep(
        fleet.sites.select("site_id").with_columns(day=pl.lit(day)),
        light.power_w,
        yield_night.clearness,
        np.where(used, light.share, 0.0),
        fleet.inputs_w,
        fleet.ambient_c,
    )
