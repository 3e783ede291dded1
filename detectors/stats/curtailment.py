"""The grid power that a regulator keeps, and where generation stands curtailed by it: one rule for all that ask.

A site that may not feed in keeps up a small import, a limited one stands at its limit. Where the register does not say
how much is kept up, the lowest import of the lit part of the day shows it.
"""

import polars as pl

NEAR_W = 20.0  # common practice, no source: the regulator of a limited site keeps some 20 W away from its limit
NEAR_SHARE = 0.01  # class 1 metering (IEC 62053-21): a regulator follows a reading that errs by 1 % of its range
DEFAULT_KEPT_W, MAX_KEPT_W = 20.0, 500.0  # common practice, no source: the import that regulators keep up
KEPT_QUANTILE = 0.05  # ours: a regulated import is the lowest there is by day; where none is, this errs safely
LIT_SHARE = 0.03  # ours: of the peak capacity; below it the regulator has nothing to do
DIM_SHARE = 0.001  # ours: unless all day: a roof curtailed to an idle house's few watts makes no more than that


def target_w(by: list[str]) -> pl.Expr:
    """W: what the grid is kept at, of rows with pv_w, grid_w and the register's columns; null = no limit.

    `by`: the columns whose groups of rows are a site's day.
    """
    share = pl.col("pv_w") / (1000 * pl.col("installed_kwp"))
    by_day = (pl.col("grid_w").filter(share > least).quantile(KEPT_QUANTILE) for least in (LIT_SHARE, DIM_SHARE))
    lowest = pl.coalesce(*(one.over(by) for one in by_day))
    kept = pl.coalesce("feed_in_buffer_w", lowest.clip(DEFAULT_KEPT_W, MAX_KEPT_W), pl.lit(DEFAULT_KEPT_W))
    return pl.when(pl.col("feed_in_limit_kw") == 0).then(kept).otherwise(-1000 * pl.col("feed_in_limit_kw"))


def is_at_limit(by: list[str]) -> pl.Expr:
    """Whether the grid stands at what is kept, while something is generated; null where grid or limit is not known."""
    rating_w = 1000 * pl.coalesce("inverter_kw", "installed_kwp")
    reach_w = pl.max_horizontal(pl.lit(NEAR_W), NEAR_SHARE * rating_w)
    return ((pl.col("grid_w") - target_w(by)).abs() <= reach_w) & (pl.col("pv_w") > 0)
