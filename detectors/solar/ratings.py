"""What modules and inverters can give, and where a site's generation shows that its register cannot be.

Modules make more than their capacity for minutes at a cloud's edge, never 1.3 times of it for an hour. Where hours of
several days do, the readings support each other, and the registered peak capacity is too small; unless they pass the
inverter and the battery as well, which is a wrong unit sooner than two wrong entries.
"""

from datetime import date, timedelta

import polars as pl

CLOUD_EDGE = 1.3  # cloud edges lift irradiance to some 1.3 kW/m2 over minutes (from memory); modules are rated at 1
FAR_TIMES = 10.0  # ours: no weather and no overload makes that; one such reading is enough
OVERLOAD = 1.1  # ours: inverters deliver their rating, some of them 10 % more for a while
CHARGE_RATE = 1.0  # ours: batteries in houses take their capacity in an hour at most, past the inverter
WINDOW_DAYS = 14  # ours: a fortnight has clear hours, and a register that was corrected is forgotten after it
SEEN_DAYS = 2  # ours: one day may hold another site's readings, or a unit changed and changed back
# Ours: where it began with the readings, or after a dull week, no day speaks against it; after a month the days before
# may be forgotten ones.
YOUNG_DAYS, NEW_DAYS = 7, 30
PLAIN_TIMES = 4.0  # ours: where no inverter's rating is known, more is a unit sooner than a register

BEYOND = pl.Schema(
    {
        "site_id": pl.String(),
        "first_day": pl.Date(),  # since which its generation passes the capacity
        "days": pl.UInt32(),  # so many, within the window
        "peak_w": pl.Float64(),  # the highest generation that was kept up for an hour
    }
)


def beyond_capacity(flow_peaks: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """BEYOND, a row per site whose hours of the days up to `day` contradict its registered peak capacity.

    `flow_peaks`: rows of that feature up to the day.
    """
    known = flow_peaks.filter(pl.col("day") <= day, pl.col("pv_peak_w").is_not_null())
    begun = known.group_by("site_id").agg(began=pl.col("day").min())
    modules_w = 1000 * pl.col("installed_kwp")
    through_w = 1000 * (OVERLOAD * pl.col("inverter_kw") + CHARGE_RATE * pl.col("battery_kwh").fill_null(0.0))
    ceiling_w = pl.min_horizontal(
        FAR_TIMES * CLOUD_EDGE * modules_w,
        pl.when(pl.col("inverter_kw").is_null()).then(PLAIN_TIMES * modules_w).otherwise(through_w),
    )
    register = sites.select("site_id", beyond_w=CLOUD_EDGE * modules_w, ceiling_w=ceiling_w)
    is_beyond = (pl.col("pv_peak_w") > pl.col("beyond_w")) & (pl.col("pv_peak_w") <= pl.col("ceiling_w"))
    of_window = pl.col("day") > day - timedelta(days=WINDOW_DAYS)
    is_new = pl.col("began") > day - timedelta(days=NEW_DAYS)
    is_from_start = is_new & (pl.col("passed_on") < pl.col("began").dt.offset_by(f"{YOUNG_DAYS}d"))
    return (
        known.join(register, on="site_id")
        .filter(is_beyond)
        .group_by("site_id")
        .agg(
            passed_on=pl.col("day").min(),
            days=pl.col("day").filter(of_window).len(),
            peak_w=pl.col("pv_peak_w").filter(of_window).max(),
        )
        .join(begun, on="site_id")
        .filter(pl.col("days") >= pl.when(is_from_start).then(1).otherwise(SEEN_DAYS))
        .with_columns(first_day=pl.when(is_from_start).then("began").otherwise("passed_on"))
        .sort("site_id")
        .select(BEYOND.names())
        .cast(BEYOND)
    )
