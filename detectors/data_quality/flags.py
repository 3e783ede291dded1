"""Which values of a device's day are good: IEC 61724-1's checks (missing, out of range, dead value, abrupt change).

Flags come before everything: what is known to be false counts in no energy and in no detector. They depend on nothing
but the readings of the day as reported and what is remembered of the days before, so that the order in which files
arrive does not matter.
"""

from collections.abc import Iterable
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.data_quality import standstill
from detectors.data_quality.flagged_values import FLAGGED_VALUES, OWN, to_spans
from detectors.data_quality.grid_link import with_lost_links
from detectors.data_quality.plausibility import broken_values, rated
from detectors.data_quality.repeats import SAME
from detectors.data_quality.spikes import lone_values
from detectors.data_quality.wrong_scale import days_of_thousandths, thousandth_values
from detectors.frames import CHANNELS, NOT_GOOD, POWER_CHANNELS, READING_FLAGS
from detectors.stats.curtailment import is_at_limit
from detectors.stats.units import in_units

SENTINELS = (255, 32767, 32768, 65535, 2147483647, 2147483648, 4294967295, 9999, 99999, 999999)
SCALES = tuple(10.0**n for n in range(-3, 5))  # registers hold tenths or thousandths of units, or their multiples
CLIPPED_SHARE = 0.99  # ours: clipped power varies within the meter's error
FULL_PCT = 95.0  # ours: above it batteries taper their charging, so surplus has nowhere to go


def make_flags(
    raw_device_readings: pl.DataFrame,
    repeats: pl.DataFrame,
    flow_peaks: pl.DataFrame,
    seen: pl.DataFrame,
    sites: pl.DataFrame,
    copied: pl.DataFrame | None = None,
    flow_sizes: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """READING_FLAGS of whole local days of DEVICE_READINGS as reported; a value is in one span at most.

    `repeats`, `flow_peaks`, `flow_sizes`: the features' rows of these days and of the days before that count; `seen`:
    [site_id, day] of days with readings; `copied`: FLAGGED_VALUES of values that are copies of earlier ones, or another
    site's.
    """
    rows = in_units(raw_device_readings)
    days = rows["day"].unique().sort()
    copies = FLAGGED_VALUES.to_frame() if copied is None else copied
    found = [_of_day(rows, repeats, flow_peaks, seen, sites, copies, flow_sizes, day) for day in days]
    return pl.concat([READING_FLAGS.to_frame(), *found]).sort(*OWN, "from_utc", "channel")


def _of_day(
    readings: pl.DataFrame, repeats: pl.DataFrame, peaks: pl.DataFrame, seen: pl.DataFrame, sites: pl.DataFrame,
    copies: pl.DataFrame, sizes: pl.DataFrame | None, day: date,
) -> pl.DataFrame:  # fmt: skip
    recent = pl.col("day").is_between(day - timedelta(days=standstill.WINDOW_DAYS), day)
    rows = rated(readings, peaks.filter(recent), sites, day)
    if rows.is_empty():
        return READING_FLAGS.to_frame()
    runs = standstill.recent_runs(repeats, seen, peaks, sites, day)
    of_unit = FLAGGED_VALUES.to_frame()
    if sizes is not None:
        runs = with_lost_links(runs, sizes, day)
        of_unit = thousandth_values(rows, days_of_thousandths(sizes, sites, day))
    of_sites = rows.select("site_id").unique()
    again = copies.filter(pl.col("day") == day).join(of_sites, on="site_id", how="semi")
    wrong = [of_unit, _named(broken_values(rows)), _standing(rows, runs), again]
    flagged = [*wrong, _named(lone_values(_without(rows, pl.concat(wrong)))), *_to_know(rows)]
    spans = to_spans(pl.concat(flagged))
    own = [*OWN, "day", "channel"]
    habits = runs.select(*own, "total_h", "usual_h", "since", needed_h="needed_h", flag=pl.lit("frozen"))
    return (
        spans.drop("total_h", "usual_h", "since")
        .join(habits, on=[*own, "flag"], how="left")
        .with_columns(limit=pl.coalesce("needed_h", "limit"))
        .select(READING_FLAGS.names())
        .cast(READING_FLAGS)
    )


def _without(rows: pl.DataFrame, flagged: pl.DataFrame) -> pl.DataFrame:
    """The rows, null where marked as not good: a value that is known to be wrong speaks against no other."""
    bad, left = flagged.filter(pl.col("flag").is_in(NOT_GOOD)), rows.lazy()
    for name in bad["channel"].unique(maintain_order=True):
        mine = bad.lazy().filter(pl.col("channel") == name)
        places = mine.select(*OWN, "ts_utc", is_bad=pl.lit(True)).unique()
        left = left.join(places, on=[*OWN, "ts_utc"], how="left", maintain_order="left")
        left = left.with_columns(pl.when(pl.col("is_bad").is_null()).then(name).alias(name)).drop("is_bad")
    return left.collect()


def _named(flagged: pl.DataFrame) -> pl.DataFrame:
    """`flagged`, with placeholders distinguished from other values that cannot be."""
    if not (flagged["flag"] == "implausible").any():
        return flagged
    size = pl.col("value").abs()
    exact = [(size - count * scale).abs() <= 1e-9 * size for count in SENTINELS for scale in SCALES]
    is_placeholder = (pl.col("flag") == "implausible") & pl.any_horizontal(exact)
    return flagged.with_columns(
        flag=pl.when(is_placeholder).then(pl.lit("placeholder")).otherwise("flag"),
        reason=pl.when(is_placeholder)
        .then(pl.concat_str("reason", pl.lit("; the digits of a register without a value")))
        .otherwise("reason"),
    )


def _standing(rows: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of the values of runs that stand still."""
    hour = (pl.col("ts_local") - pl.col("day").cast(pl.Datetime("us"))).dt.total_seconds() / 3600
    flagged = [FLAGGED_VALUES.to_frame().lazy()]
    for name in runs["channel"].unique(maintain_order=True):
        mine, value = runs.lazy().filter(pl.col("channel") == name), pl.col(name)
        standing = (
            rows.lazy()
            .with_columns(hour=hour, place=value.is_not_null().cum_sum().over(OWN))
            .join(mine.select(*OWN, "value", "start_h", "end_h"), on=OWN)
            .filter(
                pl.col("hour").is_between(pl.col("start_h") - 1e-6, pl.col("end_h") - 1e-6)
                & ((value - pl.col("value")).abs() <= SAME * value.abs().clip(lower_bound=1.0))
            )
        )
        flagged.append(
            standing.select(
                *OWN, "day", "ts_utc", "end_utc", "place", "value", channel=pl.lit(name), flag=pl.lit("frozen"),
                reason=pl.lit("it stands still while the site goes on"), rule=pl.lit("frozen"),
                limit=pl.lit(None, pl.Float64),
            ).select(FLAGGED_VALUES.names()).cast(FLAGGED_VALUES)
        )  # fmt: skip
    return pl.concat(flagged).collect()


def _to_know(rows: pl.DataFrame) -> Iterable[pl.DataFrame]:
    """FLAGGED_VALUES of generation that a limit or the inverter's rating kept down: information, the values stay."""
    pv, limit_w = pl.col("pv_w"), pl.col("feed_in_limit_kw") * 1000
    has_room = pl.col("battery_kwh").is_not_null() & (pl.col("soc_pct") < FULL_PCT)
    curtailed = is_at_limit(["unit"]) & ~has_room.fill_null(False)
    top_w = CLIPPED_SHARE * 1000 * pl.col("inverter_kw")
    rows = rows.filter(pv.is_not_null()).with_columns(place=pl.int_range(1, pl.len() + 1, dtype=pl.UInt32).over("unit"))
    for flag, few, is_so, limit, reason in (
        ("clipped", rows.filter(pv >= top_w), pl.lit(True), top_w, "at the inverter's rating"),
        ("curtailed", rows.filter(limit_w.is_not_null()), curtailed, limit_w, "feed-in at its limit"),
    ):
        yield few.with_columns(limit=limit).filter(is_so.fill_null(False)).select(
            *OWN, "day", "ts_utc", "end_utc", "place", "limit", channel=pl.lit("pv_w"), flag=pl.lit(flag),
            reason=pl.lit(reason), rule=pl.lit(flag), value=pv,
        ).select(FLAGGED_VALUES.names()).cast(FLAGGED_VALUES)  # fmt: skip


def good_values(device_readings: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    """The readings with null where a value is not good, and is_spoiled: one of the row's powers is not.

    Energy that a counter gave goes with the power that stands for it; what it counted beside a power goes with a copy.
    """
    bad = flags.filter(pl.col("flag").is_in(NOT_GOOD))
    if bad.is_empty() or device_readings.is_empty():
        return device_readings.with_columns(is_spoiled=pl.lit(False))
    # Few devices have such a value: they alone are looked through, and only columns that lose one are made anew.
    mine = (
        device_readings.select(*OWN, "ts_utc")
        .with_row_index("nth")
        .join(bad.select(OWN).unique(), on=OWN, how="semi")
        .sort("ts_utc")
    )
    gone: dict[str, NDArray[np.bool_]] = {}
    is_spoiled = np.zeros(device_readings.height, dtype=bool)
    bad = bad.sort("from_utc").with_columns(is_copied=pl.col("flag") == "duplicated")
    for channel, is_copied in bad.select("channel", "is_copied").unique(maintain_order=True).iter_rows():
        if channel not in CHANNELS:
            continue
        spans = bad.filter(pl.col("channel") == channel, pl.col("is_copied") == is_copied)
        within = mine.join_asof(
            spans.select(*OWN, "from_utc", "to_utc"), left_on="ts_utc", right_on="from_utc", by=OWN,
            strategy="backward", check_sortedness=False,
        ).filter(pl.col("ts_utc") < pl.col("to_utc"))["nth"].to_numpy()  # fmt: skip
        counted = COUNTED_WITH.get(channel, ())
        beside = [name.replace("_counted_", "_beside_") for name in counted] if is_copied else []
        for name in (channel, *counted, *beside):
            if name in device_readings.columns:
                gone.setdefault(name, np.zeros(device_readings.height, dtype=bool))[within] = True
        if channel in POWER_CHANNELS:
            is_spoiled[within] = True
    return device_readings.with_columns(
        *(pl.when(~pl.Series(places)).then(name).alias(name) for name, places in gone.items()),
        is_spoiled=pl.Series(is_spoiled),
    )


COUNTED_WITH = {
    "pv_w": ("pv_counted_kwh",),
    "load_w": ("load_counted_kwh",),
    "grid_w": ("import_counted_kwh", "feed_in_counted_kwh"),
    "battery_w": ("charge_counted_kwh", "discharge_counted_kwh"),
}
