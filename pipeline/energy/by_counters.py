"""Energy that powers do not tell, since readings were lost or are not good, and that a counter beside them knows.

A counter goes on while nothing is reported: its next value holds what flowed meanwhile, however long that was. It
counts where it agrees with the powers of the day, and where its steps are fine against the day's energy.
"""

import polars as pl

from detectors.data_quality.counters import FLOWS, MIN_MOVED_KWH, RESOLUTIONS, counter_days
from detectors.frames import BESIDE, COUNTED_READINGS

GAP = 1.5  # a difference over more than so many intervals is one over a gap
AGREES_SHARE = 0.05  # ours: class 1 meters agree to 2 %, samples under broken clouds to 5 %
STEP_SHARE = 0.003  # ours: a dozen gaps a day then err by 0.4 % (each by a step / sqrt 6)


def with_counted(good: pl.DataFrame) -> pl.DataFrame:
    """The device rows, *_counted_kwh filled from the counters beside the powers where a power is lost or not good.

    `good`: device rows with null where not good, *_counted_kwh, *_beside_kwh, counted_s. What a row then has as counted
    stands for its own interval and for the gap beside it, in place of its power.
    """
    if not set(BESIDE) <= set(good.columns):
        return good
    asked = good.filter(pl.any_horizontal(_is_asked(power, ups + downs) for power, ups, downs in FLOWS.values()))
    if asked.is_empty():
        return good
    own = ["site_id", "device_id", "day"]
    rows = good.with_columns(day=pl.col("ts_local").dt.date())
    of_days = rows.join(asked.select(own[:2], day=pl.col("ts_local").dt.date()).unique(), on=own, how="semi")
    counted_days = counter_days(of_days.select(COUNTED_READINGS.names()).cast(COUNTED_READINGS))
    off_kwh = (pl.col("counted_kwh") - pl.col("power_kwh")).abs()
    agreeing = counted_days.filter(
        (pl.col("moved_kwh") >= MIN_MOVED_KWH)
        & (off_kwh <= AGREES_SHARE * pl.col("moved_kwh") + RESOLUTIONS * pl.col("resolution_kwh"))
    )
    for flow, (power, ups, downs) in FLOWS.items():
        fine = _fine_days(of_days, own, [f"{name}_beside_kwh" for name in ups + downs])
        mine = agreeing.filter(pl.col("flow") == flow).join(fine, on=own).select(*own, is_trusted=pl.lit(True))
        counts = pl.col("is_trusted").fill_null(False) & _is_asked(power, ups + downs)
        rows = rows.join(mine, on=own, how="left", maintain_order="left")
        rows = rows.with_columns(
            pl.when(counts).then(f"{name}_beside_kwh").otherwise(f"{name}_counted_kwh").alias(f"{name}_counted_kwh")
            for name in ups + downs
        ).drop("is_trusted")
    return rows.select(good.columns)


def _fine_days(rows: pl.DataFrame, own: list[str], names: list[str]) -> pl.DataFrame:
    """`own` of the device-days on which the smallest thing counted, a step at least, is little of all that was."""
    counted = [pl.col(name).filter(pl.col(name) > 0) for name in names]
    steps, sums = pl.max_horizontal(one.min() for one in counted), pl.sum_horizontal(one.sum() for one in counted)
    return rows.group_by(own).agg(step=steps, kwh=sums).filter(pl.col("step") <= STEP_SHARE * pl.col("kwh")).select(own)


def _is_asked(power: str, names: tuple[str, ...]) -> pl.Expr:
    """Whether a row's counters tell what its power does not: over a gap, or since the power is not good."""
    is_known = pl.all_horizontal(pl.col(f"{name}_beside_kwh").is_not_null() for name in names)
    is_gap = (pl.col("counted_s") > GAP * pl.col("interval_s")) | pl.col(power).is_null()
    return (is_known & is_gap & ~pl.col("is_instant")).fill_null(False)
