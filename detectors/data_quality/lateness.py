"""How late a site's exports usually come, in mornings on which its newest day was missing and came later after all."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

NOON_H = 12.0  # ours: what comes later than this was not there in the morning, when the day before is judged
MIN_ARRIVALS = 10  # ours: fewer are no rhythm
MARGIN_MORNINGS = 1  # ours: beyond the latest so far; of scattered ones the next may well be later
RHYTHM = 3  # ours: what came back three times is a rhythm
FILE_DAYS = 2  # ours: a file that is once later than this was an outage of the site, whose readings came at last
OUTLIER = 2.0  # ours: a wait of more than twice the next longest is none of the rhythm
USUAL_SHARE = 0.5  # ours: of the late ones; what most of them reach is the rhythm itself, and needs no margin
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
    usual = (
        arrivals.select("site_id", missed=missed.clip(0, MAX_DAYS))
        .group_by("site_id")
        .agg(late=_mornings(pl.col("missed")), is_known=pl.len() >= MIN_ARRIVALS)
    )
    # Where the exports of others are known to come by themselves, a site without a second one is new.
    each = sites.select("site_id").join(usual, on="site_id", how="left", maintain_order="left")
    return Lateness(
        each["late"].fill_null(MARGIN_MORNINGS).cast(pl.Int64).to_numpy(),
        each["is_known"].fill_null(False).to_numpy(),
    )


def _mornings(missed: pl.Expr) -> pl.Expr:
    """How many mornings a site is waited for that was so many late at its deliveries, 0 = in time; one value."""
    late = missed.filter(missed > 0).sort(descending=True)
    longest, next_one = late.first(), late.slice(1, 1).first()
    latest = pl.when(longest <= OUTLIER * next_one).then(longest).otherwise(next_one)
    is_usual = (late >= latest).sum() >= USUAL_SHARE * late.len()
    was_once = missed.is_between(1, FILE_DAYS).any()  # late as a file may be
    return (
        pl.when(missed.len() < MIN_ARRIVALS)
        .then(missed.max() + MARGIN_MORNINGS)
        .when(late.len() < RHYTHM)
        .then(pl.when(was_once).then(MARGIN_MORNINGS).otherwise(0))
        .otherwise((latest + pl.when(is_usual).then(0).otherwise(MARGIN_MORNINGS)).clip(upper_bound=MAX_DAYS))
    )
