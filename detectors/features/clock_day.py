"""Each device's clock against the sun, day by day, whether or not anything is wrong with it."""

from datetime import date

import numpy as np
import polars as pl

from detectors.clock.diagnosis import NEEDED_DAYS
from detectors.clock.marks import Array, latest, low_quantile, marks_of
from detectors.clock.segments import is_possible_day

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
SIGMAS_PER_MAD = 1.4826  # standard deviation over median absolute deviation of a normal distribution


def make(daylight: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA of `day`, one row per device with light on NEEDED_DAYS of its last WITHIN_DAYS days; minutes."""
    marks = marks_of(daylight, sites, day, WITHIN_DAYS)
    if not marks.sites:
        return SCHEMA.to_frame()
    both = np.isfinite(marks.first_late) & np.isfinite(marks.last_early)
    known = both & is_possible_day(marks.first_end_late, marks.last_start_early)
    first, last = (latest(mark, known, NEEDED_DAYS, WITHIN_DAYS) for mark in (marks.first_late, marks.last_early))
    offset = (low_quantile(first, EARLY_SHARE) - low_quantile(last, EARLY_SHARE)) / 2
    made = pl.DataFrame(
        {
            "site_id": marks.sites, "device_id": marks.devices, "day": [day] * len(marks.sites),
            "offset_min": offset, "spread_min": _spread((first - last) / 2),
        },
        schema=SCHEMA,
    )  # fmt: skip
    return made.filter(pl.Series(known.sum(axis=1) >= NEEDED_DAYS))


def _spread(midpoints: Array) -> Array:
    """Robust standard deviation of every row over its finite values."""
    middle = low_quantile(midpoints, 0.5)
    return SIGMAS_PER_MAD * low_quantile(np.abs(midpoints - middle[:, None]), 0.5)
