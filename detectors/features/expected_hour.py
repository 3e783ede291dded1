"""What each roof should have generated in every hour of the judged day, and how clear the neighbours' sky was."""

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from detectors.frames import LOCAL
from detectors.stats.robust import Array
from detectors.yields import roofs
from detectors.yields.night import Night
from detectors.yields.roof_model import EPOCH

NAME = "expected_hour"
VERSION = 1
_COLUMNS: dict[str, Any] = {
    "site_id": pl.String,
    "day": pl.Date,
    "ts_utc": LOCAL,  # START of the UTC hour
    "expected_w": pl.Float64,  # mean of the hour's daylight, whether a limit curtailed it or not
    "clearness": pl.Float64,  # global irradiance over that of a clear sky, the neighbours' median
}
SCHEMA = pl.Schema(_COLUMNS)
WINDOW_DAYS = 0
HOURS = 24
HOUR_US = 3_600_000_000


def make(yield_night: Night, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with readings of generation and hour of daylight under a known sky."""
    fleet = yield_night.fleet
    sites = fleet.sites
    number = np.full(sites.height, float((day - EPOCH).days))
    middle = roofs.instants(sites["longitude"].to_numpy(), number, HOURS)
    start = np.floor(middle * HOURS + 1e-6).astype(np.int64) * HOUR_US
    due, sky = _by_hour(yield_night.roof_w), _by_hour(yield_night.clearness)
    row, hour = np.nonzero(np.isfinite(due) & fleet.is_heard[:, None])
    return (
        pl.DataFrame(
            {
                "site_id": sites["site_id"].gather(row),
                "day": [day] * len(row),
                "ts_utc": pl.Series(start[row, hour], dtype=pl.Int64).cast(pl.Datetime("us")),
                "expected_w": due[row, hour],
                "clearness": sky[row, hour],
            }
        )
        .fill_nan(None)
        .cast(SCHEMA)
        .sort("site_id", "ts_utc")
    )


def _by_hour(quarters: Array) -> Array:
    """Means by hour, [sites, 24], of what is known of each hour's quarters; NaN where nothing is."""
    parts = quarters.reshape(len(quarters), HOURS, quarters.shape[1] // HOURS)
    known = np.isfinite(parts)
    count = known.sum(axis=2)
    return np.where(count > 0, np.where(known, parts, 0.0).sum(axis=2) / np.maximum(count, 1), np.nan)
