"""Each device's clock against the sun, day by day, whether or not anything is wrong with it."""

from datetime import date

import numpy as np
import polars as pl

from detectors.clock.offset import NEEDED_DAYS
from detectors.clock.onsets import Array, latest, onsets_of
from detectors.clock.segments import is_possible_day
from detectors.stats.robust import MAD_TO_SIGMA, quantile

NAME = "clock_day"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "device_id": pl.String,
        "day": pl.Date,
        "offset_min": pl.Float64,  # stamped - true
        "spread_min": pl.Float64,  # one standard deviation of a single day's offset
    }
)
WINDOW_DAYS = 30  # ours: after a change of version so many days are told again, and no whole year judged anew
WITHIN_DAYS = 14  # ours: of the last 14 days the NEEDED_DAYS latest with light; more would smear a step of the clock
EARLY_SHARE = 0.2  # as in the clock's detector: the 20 % quantile holds where afternoons are curtailed


def make(daylight: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA of `day`, one row per device with light on NEEDED_DAYS of its last WITHIN_DAYS days; minutes."""
    onsets = onsets_of(daylight, sites, day, WITHIN_DAYS)
    if not onsets.sites:
        return SCHEMA.to_frame()
    both = np.isfinite(onsets.first_late) & np.isfinite(onsets.last_early)
    known = both & is_possible_day(onsets.first_end_late, onsets.last_start_early)
    first, last = (latest(onset, known, NEEDED_DAYS, WITHIN_DAYS) for onset in (onsets.first_late, onsets.last_early))
    offset = (quantile(first, EARLY_SHARE) - quantile(last, EARLY_SHARE)) / 2
    made = pl.DataFrame(
        {
            "site_id": onsets.sites, "device_id": onsets.devices, "day": [day] * len(onsets.sites),
            "offset_min": offset, "spread_min": _sigma((first - last) / 2),
        },
        schema=SCHEMA,
    )  # fmt: skip
    return made.filter(pl.Series(known.sum(axis=1) >= NEEDED_DAYS))


def _sigma(midpoints: Array) -> Array:
    """Robust standard deviation of every row over its finite values."""
    middle = quantile(midpoints, 0.5)
    return MAD_TO_SIGMA * quantile(np.abs(midpoints - middle[:, None]), 0.5)
