"""What each site should have generated on the judged day, by the yield engine."""

from datetime import date

import numpy as np
import polars as pl

from detectors.yields.night import Night

NAME = "expected"
VERSION = 4
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "expected_kwh": pl.Float64(),  # of the intervals in which nothing was curtailed; null = nobody can say
        "judged_kwh": pl.Float64(),  # generated in the same intervals
    }
)
WINDOW_DAYS = 0


def make(yield_night: Night, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with readings of generation on `day`.

    Sites whose clock or readings are wrong have no expectation.
    """
    due = yield_night.expected_kwh
    return (
        pl.DataFrame(
            {
                "site_id": yield_night.fleet.sites["site_id"],
                "day": [day] * len(due),
                "expected_kwh": due,
                "judged_kwh": np.where(np.isfinite(due), yield_night.actual_kwh, np.nan),
            },
            schema=SCHEMA,
        )
        .filter(pl.Series(yield_night.fleet.is_heard))
        .fill_nan(None)
    )
