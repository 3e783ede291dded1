"""How late a site's exports usually come, in mornings on which its newest day was missing and came later after all."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

NOON_H = 12.0  # ours: what comes later than this was not there in the morning, when the day before is judged
MIN_ARRIVALS = 5  # ours: fewer are no rhythm
YOUNG_MORNINGS = 1  # ours: until there is one; a file that one delivery in four brings late is missing on one in four
BEYOND_SHARE, BEYOND_MOST = 0.1, 2  # ours: deliveries later than usual; what came back three times is a rhythm
MAX_DAYS = 14  # ours: nobody waits longer for a file, whatever came before


class Lateness(NamedTuple):
    """Per site, in the order of the sites asked for."""

    mornings: NDArray[np.int64]  # that it is waited for, 0 where it is not late or nothing is known
    is_known: NDArray[np.bool_]  # whether its deliveries show a rhythm


def lateness(arrivals: pl.DataFrame | None, sites: pl.DataFrame) -> Lateness:
    """How long each of `sites` is waited for by its `arrivals` (ARRIVALS), of which the first has none before it."""
    if arrivals is None or arrivals.is_empty():
        return Lateness(np.zeros(sites.height, np.int64), np.zeros(sites.height, np.bool_))
    # A day's readings that come by the next morning's noon were in time: two days after the newest one before them.
    missed = (pl.col("day") - pl.col("before_day")).dt.total_days() - 2 + (pl.col("hour") >= NOON_H).cast(pl.Int64)
    beyond = (BEYOND_SHARE * pl.len()).floor().clip(upper_bound=BEYOND_MOST).cast(pl.Int64)
    usual = (
        arrivals.select("site_id", missed=missed.clip(0, MAX_DAYS))
        .group_by("site_id")
        .agg(late=pl.col("missed").sort(descending=True).get(beyond), is_known=pl.len() >= MIN_ARRIVALS)
        .with_columns(late=pl.when("is_known").then("late").otherwise(pl.col("late").clip(YOUNG_MORNINGS)))
    )
    told = sites.select("site_id").join(usual, on="site_id", how="left", maintain_order="left")
    return Lateness(told["late"].fill_null(0).cast(pl.Int64).to_numpy(), told["is_known"].fill_null(False).to_numpy())
