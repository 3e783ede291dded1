"""Energy between the readings of a counter: lifetime or daily, with resets and rollovers."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.timezones.local_time import add_local

MARGIN = 1.3  # ours: power may exceed the rating for a while, and a counter's steps are coarse
STEP_KWH = 1.1  # ours: a counter that shows whole kWh jumps by one at a time, however short the interval
OTHER_LIMIT_KW = 1000.0  # ours: for import, feed-in, load and battery no rating is known; a service of 1 MW is no home
RESET_SHARE = 0.1  # ours: of what it stood at; a counter that shows more of it after a fall was read wrongly
ROLLOVER_SHARE = 0.9  # ours: only a counter that stood in the last tenth of its digits can have rolled over
GAP = 1.5  # differences over more than so many intervals are a gap
LATE_RESET_H = 6  # ours: over a longer way across midnight a new day may have passed what the old one came to


def difference(rows: pl.DataFrame, kinds: Mapping[str, str]) -> pl.DataFrame:
    """[site_id, device_id, ts_utc, <name>_counted_kwh..., counted_s]: energy from each row's start to its end.

    `rows`: site_id, device_id, ts_utc (interval start), interval_s, marks, timezone, limit_kw (rating of the
    generation, null = unknown) and the counters in `kinds` (column -> "lifetime" or "daily"), in kWh.

    A counter is read when its row was stamped: at the end of the interval where stamps mark ends, else at its start.
    A value below the one before is a new day of a daily counter, a rollover if the digits were nearly used up, or a
    reset to zero if it is small beside the one before; what it then shows is counted. Any other fall is unknown (null),
    and so are jumps that no rating allows, and gaps over local midnight, which no day can claim; only a daily counter's
    first value of a day is its day's, where stamps mark ends. One that goes on over midnight and falls later in the day
    was late: what it shows until then is the day before's. Until a later value tells, such a step is unknown.
    """
    ordered = rows.sort("site_id", "device_id", "ts_utc")
    read_at = pl.col("ts_utc") + pl.when(pl.col("marks") == "end").then(pl.duration(seconds="interval_s")).otherwise(
        pl.duration()
    )
    ordered = ordered.with_columns(read_utc=read_at, just_before=read_at - pl.duration(microseconds=1))
    ordered = add_local(ordered, instant="just_before", name="read_local")
    result = ordered.select("site_id", "device_id", "ts_utc")
    gap_s = pl.Series("counted_s", [None] * ordered.height, dtype=pl.Int32)
    for column, kind in kinds.items():
        counted = _one(ordered, column, kind)
        name = column.replace("_kwh_total", "_counted_kwh")
        result = result.with_columns(counted["energy"].alias(name))
        # Counters read at different paces share one figure: the longest, so that no power is made too high.
        longer = pl.max_horizontal(gap_s, pl.when(counted["energy"].is_not_null()).then(counted["gap_s"]))
        gap_s = pl.select(longer.cast(pl.Int32)).to_series()
    return result.with_columns(gap_s.cast(pl.Int32).alias("counted_s"))


def _one(ordered: pl.DataFrame, column: str, kind: str) -> pl.DataFrame:
    """[energy, gap_s] in the order of the rows."""
    numbered = ordered.with_row_index("place")
    known = numbered.filter(pl.col(column).is_not_null())
    by = ["site_id", "device_id"]
    now = known.with_columns(
        v=pl.col(column),
        v0=pl.col(column).shift(1).over(by),
        gap_s=(pl.col("read_utc") - pl.col("read_utc").shift(1).over(by)).dt.total_seconds(),
        read_on=pl.col("read_local").dt.date(),
    ).with_columns(same_day=pl.col("read_on") == pl.col("read_on").shift(1).over(by))
    limit_kw = pl.col("limit_kw").fill_null(np.inf) if column == "pv_kwh_total" else pl.lit(OTHER_LIMIT_KW)
    max_kwh = pl.max_horizontal(limit_kw * MARGIN * pl.col("gap_s") / 3600, pl.lit(STEP_KWH))
    rise, v, v0 = pl.col("v") - pl.col("v0"), pl.col("v"), pl.col("v0")
    span = 10.0 ** (v0.clip(1).log10().floor() + 1)  # the first number with one digit more than v0
    rolled = span - v0 + v
    is_reset = v <= RESET_SHARE * v0
    if kind == "daily":
        later = pl.col(column).shift(-1).cum_min(reverse=True).over(*by, "read_on")  # the lowest of the day's values
        is_short_way = ~pl.col("same_day") & (pl.col("gap_s") <= LATE_RESET_H * 3600) & (v0 > 0)
        goes_on = (pl.col("same_day") | (is_short_way & (later < v))) & (rise >= 0)
        is_open = is_short_way & (rise >= 0) & later.is_null()
        energy = pl.when(goes_on).then(rise).when((~pl.col("same_day") & ~is_open) | is_reset).then(v)
    else:
        is_rollover = (v0 >= ROLLOVER_SHARE * span) & (rolled <= max_kwh)
        energy = pl.when(rise >= 0).then(rise).when(is_rollover).then(rolled).when(is_reset).then(v)
    is_short = pl.col("gap_s") <= GAP * pl.col("interval_s")
    # A daily counter read at an interval's end tells its own day's energy, however long the night before was a gap.
    has_day = pl.col("same_day") | ((pl.col("marks") == "end") if kind == "daily" else pl.lit(False))
    possible = (energy >= 0) & (energy <= max_kwh) & (is_short | has_day) & (pl.col("gap_s") > 0)
    now = now.with_columns(energy=pl.when(possible).then(energy))
    # Where stamps mark the start, the energy up to the next value belongs to the row before it.
    at_start = pl.col("marks") != "end"
    now = now.with_columns(
        pl.when(at_start).then(pl.col(name).shift(-1).over(by)).otherwise(pl.col(name)).alias(name)
        for name in ("energy", "gap_s")
    )
    return numbered.select("place").join(
        now.select("place", "energy", "gap_s"), on="place", how="left", maintain_order="left"
    )
