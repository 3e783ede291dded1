"""What each site should have generated on the judged day, by the yield engine."""

from datetime import date

import numpy as np
import polars as pl

from detectors.yields.night import Night

NAME = "expected"
VERSION = 2
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "expected_kwh": pl.Float64(),  # of the intervals in which nothing was curtailed; null = nobody can say
        "performance_pct": pl.Float64(),  # actual over expected energy of the same intervals
    }
)
WINDOW_DAYS = 0


def make(yield_night: Night, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with readings of generation on `day`.

    Sites whose clock or readings are wrong have no expectation.
    """
    due, made = yield_night.expected_kwh, yield_night.actual_kwh
    with np.errstate(invalid="ignore", divide="ignore"):
        performance = np.where(due > 0, 100 * made / due, np.nan)
    return (
        pl.DataFrame(
            {
                "site_id": yield_night.fleet.sites["site_id"],
                "day": [day] * len(due),
                "expected_kwh": due,
                "performance_pct": performance,
            },
            schema=SCHEMA,
        )
        .filter(pl.Series(yield_night.fleet.is_heard))
        .fill_nan(None)
    )
