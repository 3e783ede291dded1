"""How much of what its house wanted a battery left to the grid while it had charge."""

import polars as pl

from detectors.battery.flows import flows

BY = ["site_id", "day"]
MIN_RANGE_PCT = 20.0  # ours: a day on which the level hardly moved shows no upper half
MIN_NEED_W = 200.0  # ours: below it inverters need not start a discharge
MIN_KWH = 0.5  # ours: less is a kettle and a control's delay
UNMET_DAYS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        # imported over imported + given, while the state of charge lay in the upper half of its day and the house
        # wanted more than its roof made, and no more than the battery gave at best that day; null = no state of
        # charge, or too little wanted
        "unmet_ratio": pl.Float64,
    }
)


def unmet_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """UNMET_DAYS, one row per site with a battery and local day.

    Where its reserve lies need not be known: in the upper half of what the day showed a battery can give.
    """
    rows = flows(readings, sites).with_columns(day=pl.col("ts_local").dt.date())
    load = pl.coalesce("load_w", pl.col("pv_w") + pl.col("battery_w") + pl.col("grid_w"))
    low, high = (one.over(BY) for one in (pl.col("soc_pct").min(), pl.col("soc_pct").max()))
    rows = rows.with_columns(
        need_w=(load - pl.col("pv_w")).clip(lower_bound=0),
        is_upper=(pl.col("soc_pct") >= (low + high) / 2) & (high - low >= MIN_RANGE_PCT),
    )
    # Beyond the battery's own power the grid has to help: a car or an oven tells nothing of its control.
    is_within = pl.col("need_w").is_between(MIN_NEED_W, pl.col("battery_w").max().over(BY))
    could = (pl.col("is_upper") & is_within).fill_null(False)
    kwh = pl.col("hours") / 1000
    sums = rows.group_by(BY).agg(
        imported_kwh=(pl.min_horizontal(pl.col("grid_w").clip(lower_bound=0), "need_w") * kwh).filter(could).sum(),
        given_kwh=(pl.col("battery_w").clip(lower_bound=0) * kwh).filter(could).sum(),
    )
    wanted = pl.col("imported_kwh") + pl.col("given_kwh")
    by_day = sums.with_columns(unmet_ratio=pl.when(wanted >= MIN_KWH).then(pl.col("imported_kwh") / wanted))
    return by_day.select(UNMET_DAYS.names()).cast(UNMET_DAYS).sort(BY)
