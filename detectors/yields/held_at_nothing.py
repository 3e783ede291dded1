"""When a site without a feed-in limit makes just what its house takes: its roof is held, and tells nothing of itself.

So it is where feed-in costs money at noon, where a grid operator forbids it for hours, and on an island behind an open
main breaker. Much generation that stands at the house's load for long enough shows it by itself. A quiet house draws
less than a regulator's noise could be told from, so there its changes show it: a roof that is held makes each step of
the load, and one that nothing holds makes what the sky gives, and leaves the step to battery or grid.
"""

import polars as pl

from detectors.stats.curtailment import LIT_SHARE, LIT_W, NEAR_SHARE, NEAR_W, ratio_by_chance

ZERO_H, ZERO_COUNT = 0.75, 3  # ours: so long the grid stands at nothing; a house meets its roof's power for minutes
REST_W = 60.0  # ours: a battery's standby; one at work keeps the grid at nothing by itself
KEPT_W = 100.0  # ours: regulators keep up an import of some 20 to 60 W, and overshoot it by as much
SETTLE_S = 300  # ours: after a step of the load a regulator and a meter's means settle within 5 min
MAX_APART = 0.6  # ours: a regulator that lags by a minute leaves over 0.4 to 0.5 of a restless load's changes
MIN_APART = 1e-6  # ours: what two measured channels leave over is more than the last digits of a sum
MIN_CHANGES = 3.0  # ours: one appliance's on and off are two, and a cloud may fall in with them


def is_held(rows: pl.DataFrame) -> pl.Series:
    """Whether each of `rows` (READINGS of site-days `row`, in order, with the register's columns) was held at nothing.

    A battery rests meanwhile, or there is none. A house that is steered to its roof, as by a heating rod that takes the
    surplus, looks alike where no other surplus is left.
    """
    rating_w = 1000 * pl.coalesce("inverter_kw", "installed_kwp")
    reach_w = pl.max_horizontal(pl.lit(NEAR_W), NEAR_SHARE * rating_w)
    is_unread = (pl.col("battery_kwh") > 0).fill_null(False) & pl.col("battery_w").is_null()
    rests = ~is_unread & (pl.col("battery_w").fill_null(0.0).abs() <= pl.max_horizontal(pl.lit(REST_W), reach_w))
    rows = rows.with_columns(reach_w=reach_w, may_be=rests & pl.col("feed_in_limit_kw").is_null())
    return rows.select(_by_power()).to_series() | _by_following(rows)


def _by_power() -> pl.Expr:
    """Whether more than noise is made while the grid stands at nothing without a break."""
    is_made = pl.col("pv_w") > pl.max_horizontal(
        pl.lit(LIT_W), LIT_SHARE * 1000 * pl.col("installed_kwp"), 2 * pl.col("reach_w")
    )
    stands = (pl.col("grid_w").abs() <= pl.col("reach_w")).fill_null(False)
    is_near = pl.col("may_be") & is_made & stands
    run = pl.struct(pl.col("row"), is_near).rle_id()
    return is_near & (pl.col("interval_s").sum().over(run) >= ZERO_H * 3600) & (pl.len().over(run) >= ZERO_COUNT)


def _by_following(rows: pl.DataFrame) -> pl.Series:
    """Whether generation, however little, followed the load's changes while the grid stood at nothing or at little."""
    highest_w = pl.max_horizontal(pl.lit(KEPT_W), "reach_w")
    stands = pl.col("grid_w").is_between(-pl.col("reach_w"), highest_w).fill_null(False)
    load = pl.coalesce("load_w", pl.col("pv_w") + pl.col("battery_w").fill_null(0.0) + pl.col("grid_w"))
    rows = rows.select(
        "row",
        "interval_s",
        "ts_utc",
        is_near=pl.col("may_be") & (pl.col("pv_w") > 0) & stands,
        load_w=load,
        apart_w=pl.col("pv_w") - load,
    )
    run = pl.struct("row", "is_near").rle_id()
    is_brief = pl.col("interval_s").sum().over(run) <= SETTLE_S
    segment = pl.struct(pl.col("row"), pl.col("is_near") | is_brief).rle_id()
    is_next = pl.col("ts_utc").diff().dt.total_seconds() == pl.col("interval_s")
    rows = rows.with_columns(segment=segment)
    follows = is_next & (pl.col("segment") == pl.col("segment").shift(1))
    rows = rows.with_columns(
        step_w=pl.when(follows).then(pl.col("load_w").diff()),
        apart_step_w=pl.when(follows).then(pl.col("apart_w").diff()),
    )
    return rows.select(pl.col("is_near") & _follows().over("segment")).to_series()


def _follows() -> pl.Expr:
    """Whether the generation of a segment went along with the load: by the mean sizes of what changed.

    A few large steps among small ones count as the few that they are: the square of the sum over the sum of squares.
    Where nothing at all is left over, a meter stands still and the load was worked out from the generation.
    """
    near_s = pl.col("interval_s").filter("is_near").sum()
    is_known = pl.col("step_w").is_not_null() & pl.col("apart_step_w").is_not_null()
    step, apart = (pl.col(name).filter(is_known).abs() for name in ("step_w", "apart_step_w"))
    count = step.sum() ** 2 / (step**2).sum()
    ratio = apart.sum() / step.sum()
    highest = pl.min_horizontal(ratio_by_chance(count), pl.lit(MAX_APART))
    is_along = (count >= MIN_CHANGES) & ratio.is_between(MIN_APART, highest)
    is_long = (near_s >= ZERO_H * 3600) & (pl.col("is_near").sum() >= ZERO_COUNT)
    return (is_long & is_along).fill_null(False)
