"""What each roof could have generated on the judged day, curtailed or not, as its neighbours' sky lets expect."""

from datetime import date

import polars as pl

from detectors.yields.night import Night

NAME = "possible"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "possible_kwh": pl.Float64(),  # over the whole day; null = nobody can say
    }
)
WINDOW_DAYS = 90  # ours: as far as a stuck battery is followed back


def make(yield_night: Night, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with readings of generation on `day`."""
    return (
        pl.DataFrame(
            {
                "site_id": yield_night.fleet.sites["site_id"],
                "day": [day] * yield_night.fleet.sites.height,
                "possible_kwh": yield_night.possible_kwh,
            },
            schema=SCHEMA,
        )
        .filter(pl.Series(yield_night.fleet.is_heard))
        .fill_nan(None)
    )
