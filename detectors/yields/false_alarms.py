"""The log odds from which a case opens, so that the fleet has no more false alarms a year than was asked for.

An empirical null from the fleet's own healthy site-days, by the quantile of conformal prediction (Vovk, Gammerman &
Shafer 2005): with n healthy sites' highest log odds over a window, the (n + 1)(1 - alpha)-th smallest is exceeded by
another healthy site's with a chance of alpha at most. Sites with a case that lasted are not healthy, nor are those that
made nothing for some days: an inverter that was off, however short. Any other case that closed by itself within days
counts as a false alarm, so its site stays among the healthy ones.

A young or small fleet starts from the threshold that simulated fleets gave: the learned one counts by the number of
healthy sites that should lie beyond it, against five.
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.yields.kinds import NO_GENERATION
from detectors.yields.sequential_test import OPEN

PER_SITE_YEAR = 0.05  # over all four kinds of yield
WINDOW_DAYS = 60
MIN_DAYS = 20  # ours: a site with fewer judged days in the window shows no highest value
LASTING_DAYS = 12  # ours: a case that stays so long was none of the weather's
LOWEST, HIGHEST = 3.0, 8.0  # ours: 20 to 1 for a fault is the least to send somebody for; beyond 3000 to 1 all is clear
START_WEIGHT = 5.0  # ours: a quantile with five values beyond it is known to half
DAYS_PER_YEAR = 365.25


class Threshold(NamedTuple):
    """From which log odds cases open, and what it was made from."""

    open_at: float
    sites: int  # healthy sites behind it


def learn(odds: pl.DataFrame, cases: pl.DataFrame, day: date, per_site_year: float) -> Threshold:
    """`odds` (ODDS) and `cases` (CASE) of the days before `day`."""
    since = day - timedelta(days=WINDOW_DAYS)
    lasting = (
        cases.filter(pl.col("day") >= since)
        .group_by("site_id", "opened_on")
        .agg(last=pl.col("day").max(), was_off=(pl.col("kind") == NO_GENERATION).any())
        .filter(
            pl.col("was_off")
            | ((pl.col("last") - pl.col("opened_on")).dt.total_days() >= LASTING_DAYS)
            | (pl.col("last") >= day - timedelta(days=1))  # open still: nobody knows yet
        )
    )
    highest = (
        odds.filter(pl.col("day") >= since, pl.col("day") < day)
        .join(lasting.select("site_id").unique(), on="site_id", how="anti")
        .group_by("site_id")
        .agg(days=pl.col("is_judged").sum(), highest=pl.col("log_odds").max())
        .filter(pl.col("days") >= MIN_DAYS)
    )
    values = np.sort(highest["highest"].to_numpy())
    count = len(values)
    # A site-year holds so many windows, each of which may raise the site once.
    alpha = per_site_year * WINDOW_DAYS / DAYS_PER_YEAR
    rank = int(np.ceil((count + 1) * (1 - alpha)))
    if count == 0:
        return Threshold(OPEN, 0)
    learned = float(np.clip(values[min(rank, count) - 1], LOWEST, HIGHEST))
    weight = count * alpha
    return Threshold((START_WEIGHT * OPEN + weight * learned) / (START_WEIGHT + weight), count)


def expected_per_month(sites: int, per_site_year: float) -> float:
    """False alarms of yield to expect in a month, by the rate that was asked for."""
    return sites * per_site_year / 12
