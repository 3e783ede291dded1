"""Hours of a day in which a feed-in limit may have curtailed generation."""

import polars as pl

from detectors.stats.interval_weights import hours_of, weight_s

NAME = "curtailment"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "curtailed_h": pl.Float64(),  # generating, feed-in at its limit, and the battery full, unknown or absent
    }
)
WINDOW_DAYS = 90  # ours: a season's change, and a month of past beyond two
NEAR_LIMIT_W = 20.0  # common practice, no source: the regulator of a limited site keeps some 20 W away from its limit
FULL_PCT = 95.0  # ours: above it batteries taper their charging, so surplus has nowhere to go


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site and local day with readings; null hours where the grid flow is never known."""
    known = sites.select("site_id", "battery_kwh", "feed_in_limit_kw", "feed_in_buffer_w")
    rows = readings.with_columns(day=pl.col("ts_local").dt.date()).join(known, on="site_id").sort("site_id", "ts_utc")
    rows = rows.with_columns(weight_s=weight_s(pl.lit(True)))
    return rows.group_by("site_id", "day").agg(curtailed_h=hours_of(_is_curtailed())).sort("site_id", "day")


def _is_curtailed() -> pl.Expr:
    limit_w = pl.col("feed_in_limit_kw") * 1000
    reach_w = pl.max_horizontal(pl.col("feed_in_buffer_w"), pl.lit(NEAR_LIMIT_W)) * 2
    at_limit = ((pl.col("grid_w") + limit_w).abs() <= reach_w) & (pl.col("pv_w") > 0)
    has_room = (pl.col("battery_kwh").is_not_null()) & (pl.col("soc_pct") < FULL_PCT)
    return at_limit & ~has_room.fill_null(False)
