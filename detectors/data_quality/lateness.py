"""How late a site's exports usually come, in mornings on which its newest day was missing and came later after all."""

import numpy as np
import polars as pl

NOON_H = 12.0  # ours: what comes later than this was not there in the morning, when the day before is judged
MIN_ARRIVALS = 5  # ours: fewer are no rhythm
SHARE = 0.9  # ours: a rhythm that nine of ten deliveries kept; one long outage in ten is none
MAX_DAYS = 14  # ours: nobody waits longer for a file, whatever came before


def late_days(arrivals: pl.DataFrame | None, sites: pl.DataFrame) -> np.ndarray:
    """Mornings that each of `sites` is usually waited for, 0 where it is not late or the rhythm is not known."""
    if arrivals is None or arrivals.is_empty():
        return np.zeros(sites.height, np.int64)
    # A day's readings that come by the next morning's noon were in time: two days after the newest one before them.
    missed = (pl.col("day") - pl.col("before_day")).dt.total_days() - 2 + (pl.col("hour") >= NOON_H).cast(pl.Int64)
    usual = (
        arrivals.select("site_id", missed=missed.clip(0, MAX_DAYS))
        .group_by("site_id")
        .agg(pl.len(), late=pl.col("missed").quantile(SHARE, "lower").cast(pl.Int64))
        .filter(pl.col("len") >= MIN_ARRIVALS)
    )
    of_site = dict(usual.select("site_id", "late").iter_rows())
    return np.array([of_site.get(site_id, 0) for site_id in sites["site_id"]], np.int64)
