"""Counters held against the powers beside them: the energy of a day should be the same by both.

Only intervals with both count, so gaps and what is bridged have no part in it. Grid and battery are compared by their
net flow: within an interval both counters of a meter may run while its mean power shows one direction. Which of the two
is right nobody can tell from here: both figures are told.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import NamedTuple

import polars as pl

from detectors.stats.interval_weights import J_PER_KWH
from detectors.stats.resolution import resolutions

# name of the flow -> its power, the counters that raise it and those that lower it
FLOWS: Mapping[str, tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    "generation": ("pv_w", ("pv",), ()),
    "load": ("load_w", ("load",), ()),
    "grid": ("grid_w", ("import",), ("feed_in",)),
    "battery": ("battery_w", ("discharge",), ("charge",)),
}
COUNTER_DAYS = pl.Schema(
    {
        "site_id": pl.String,
        "device_id": pl.String,
        "day": pl.Date,
        "flow": pl.String,  # of FLOWS
        "counted_kwh": pl.Float64,  # net, by the counters
        "power_kwh": pl.Float64,  # net, by the powers of the same intervals
        "moved_kwh": pl.Float64,  # in both directions, by whichever shows more
        "resolution_kwh": pl.Float64,  # of the counters, as far as their steps show any
        "intervals": pl.Int32,
    }
)
SAME_LENGTH = 0.1  # ours: an energy of another length than its interval is not its power's
MIN_MOVED_KWH = 1.0  # ours: with less, resolution and standby are all there is
APART_SHARE = 0.15  # ours: before or after conversion (5 %), two meters of 3 % each, samples under broken clouds (5 %)
RESOLUTIONS = 2.0  # a difference of two counts errs by up to one step at each end
WINDOW_DAYS = 10  # days with energy enough may be some days apart
NEEDED_DAYS = 5  # ours: of the window, today among them, all apart to the same side, and none that is not


class Apart(NamedTuple):
    """Counters and power of one flow that have not agreed for days."""

    device_id: str
    flow: str
    since: date
    days: int
    counted_kwh: float  # of the judged day
    power_kwh: float
    intervals: int
    ratio: float  # counted over power, of all these days

    @property
    def excess(self) -> float:
        """How far apart they are, whichever is higher."""
        return max(self.ratio, 1 / self.ratio) if self.ratio > 0 else float("inf")


def counter_days(counted: pl.DataFrame) -> pl.DataFrame:
    """COUNTER_DAYS of COUNTED_READINGS: of each device, day and flow that both a power and its counters tell."""
    length = pl.col("interval_s").cast(pl.Float64)
    rows = counted.filter((pl.col("counted_s") - length).abs() <= SAME_LENGTH * length).with_columns(
        day=pl.col("ts_local").dt.date()
    )
    own = ["site_id", "device_id", "day"]
    found = [COUNTER_DAYS.to_frame()]
    for flow, (power, ups, downs) in FLOWS.items():
        names = [f"{name}_beside_kwh" for name in (*ups, *downs)]
        mine = rows.drop_nulls([power, *names])
        if mine.is_empty():
            continue
        up, down = (
            pl.sum_horizontal(pl.col(f"{name}_beside_kwh") for name in some) if some else pl.lit(0.0)
            for some in (ups, downs)
        )
        kwh = pl.col(power) * pl.col("counted_s") / J_PER_KWH
        sums = mine.group_by(own).agg(
            counted_kwh=(up - down).sum(),
            power_kwh=kwh.sum(),
            moved_kwh=pl.max_horizontal((up + down).sum(), kwh.abs().sum()),
            intervals=pl.len(),
        )
        by_counter = pl.concat([resolutions(mine, own, name) for name in names])
        coarse = by_counter.group_by(own).agg(resolution_kwh=pl.col("resolution").fill_null(0.0).max())
        by_day = sums.join(coarse, on=own, how="left").with_columns(
            pl.col("resolution_kwh").fill_null(0.0), flow=pl.lit(flow)
        )
        found.append(by_day.select(COUNTER_DAYS.names()).cast(COUNTER_DAYS))
    return pl.concat(found).sort(*own, "flow")


def apart(days: pl.DataFrame, day: date) -> dict[str, Apart]:
    """Site -> the flow whose counters and power disagree most on `day` and on the days with energy before it.

    `days`: COUNTER_DAYS. Days that disagree have to be all of the newest NEEDED_DAYS, and to the same side.
    """
    off = pl.col("counted_kwh") - pl.col("power_kwh")
    allowed = APART_SHARE * pl.col("moved_kwh") + RESOLUTIONS * pl.col("resolution_kwh")
    recent = days.filter(
        pl.col("day").is_between(day - timedelta(days=WINDOW_DAYS - 1), day), pl.col("moved_kwh") >= MIN_MOVED_KWH
    ).with_columns(side=pl.when(off.abs() > allowed).then(off.sign()).otherwise(0.0))
    of_flow = ["site_id", "device_id", "flow"]
    newest = recent.sort(*of_flow, "day").group_by(of_flow, maintain_order=True).tail(NEEDED_DAYS)
    sums = newest.group_by(of_flow, maintain_order=True).agg(
        pl.col("side").n_unique().alias("sides"),
        pl.col("side").last(),
        pl.col("day").first().alias("since"),
        pl.col("day").last().alias("last_day"),
        pl.len().cast(pl.Int64).alias("days"),
        pl.col("counted_kwh", "power_kwh", "intervals").last(),
        pl.col("counted_kwh").sum().alias("counted_in_all"),
        pl.col("power_kwh").sum().alias("power_in_all"),
    )
    is_apart = (pl.col("days") == NEEDED_DAYS) & (pl.col("sides") == 1) & (pl.col("side") != 0)
    found: dict[str, Apart] = {}
    for row in sums.filter(is_apart, pl.col("last_day") == day).iter_rows(named=True):
        ratio = row["counted_in_all"] / row["power_in_all"] if row["power_in_all"] else float("inf")
        one = Apart(
            row["device_id"], row["flow"], row["since"], row["days"], row["counted_kwh"], row["power_kwh"],
            row["intervals"], ratio,
        )  # fmt: skip
        if row["site_id"] not in found or one.excess > found[row["site_id"]].excess:
            found[row["site_id"]] = one
    return found
