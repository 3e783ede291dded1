"""Per site and local day, how many 10-minute means of voltage and frequency lie where.

The figures of EN 50160 are quoted at second hand. Its means are rms; at a sigma of 2 V the plain mean is 0.01 V
lower, so the mean stands in.
"""

import polars as pl

from detectors.frames import VOLTAGE_CHANNELS
from detectors.grid.voltage_trips import rises
from detectors.stats.interruptions import GONE_RATIO, LOW_RATIO, holds_interruption, with_neighbours
from detectors.stats.rows import with_sites
from detectors.stats.units import among_units, begins, in_units, run_means, units_of

MEAN_MINUTES = 10  # EN 50160, supply voltage variations: 10-minute mean rms values
HIGH_RATIO = 1.10  # same place: Un +- 10 %
HARD_LOW_RATIO, HARD_HIGH_RATIO = 0.85, 1.10  # same place: all means within Un + 10 % / - 15 %
FREQUENCY_RATIOS = (0.99, 1.01)  # EN 50160, power frequency: 49.5-50.5 Hz for 99.5 % of a year (from memory)
HARD_FREQUENCY_RATIOS = (0.94, 1.04)  # same place: 47-52 Hz always
NEAR_RATIO = 0.01  # ours: within a quarter of an hour a street's voltage moves by less than 1 % between its means
COVERED_S = 300  # ours: a mean stands for its block once half of it is read
ROUNDING = 1e-6  # of nominal: 230 V x 1.1 is not quite 253 V in floating point

PHASES = (1, 2, 3)
BY = ["site_id", "day"]
COUNTS = ("means", "below", "above", "hard_low", "hard_high", "near")
VOLTAGE_DAYS = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "nominal_v": pl.Float64(),  # that the counts were made with
        "coarse_count": pl.Int64(),  # means that are longer than the standard's: a lower bound of its extremes
        "interval_s": pl.Int32(),  # the longest of the day's readings of voltage
        "is_instant": pl.Boolean(),
        **{f"{name}_l{n}_count": pl.Int64() for n in PHASES for name in COUNTS},
        **{f"{name}_l{n}_v": pl.Float64() for n in PHASES for name in ("lowest", "highest", "mean")},
        "both_count": pl.Int64(),  # means with one phase above and another below the band
        "frequency_count": pl.Int64(),
        "frequency_outside_count": pl.Int64(),
        "frequency_far_count": pl.Int64(),
        "frequency_lowest_hz": pl.Float64(),
        "frequency_highest_hz": pl.Float64(),
        "trips_count": pl.Int64(),
        "lost_kwh": pl.Float64(),
        "trip_voltage_v": pl.Float64(),
    }
)


def voltage_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """VOLTAGE_DAYS rows of every site and local day with readings of a voltage; coarser ones count as they are."""
    means = _means(readings, sites)
    if means.is_empty():
        return VOLTAGE_DAYS.to_frame()
    columns: list[pl.Expr] = []
    is_high, is_low = [], []
    for n in PHASES:
        volts, nominal = pl.col(f"voltage_l{n}_v"), pl.col("nominal_v")
        slack = ROUNDING * nominal
        below, above = volts < LOW_RATIO * nominal - slack, volts > HIGH_RATIO * nominal + slack
        is_high.append(above.fill_null(False))
        is_low.append(below.fill_null(False))
        counts = {
            "means": volts.is_not_null(),
            "below": below,
            "above": above,
            "hard_low": volts < HARD_LOW_RATIO * nominal - slack,
            "hard_high": volts > HARD_HIGH_RATIO * nominal + slack,
            "near": ~volts.is_between((LOW_RATIO + NEAR_RATIO) * nominal, (HIGH_RATIO - NEAR_RATIO) * nominal),
        }
        columns += [which.sum().cast(pl.Int64).alias(f"{name}_l{n}_count") for name, which in counts.items()]
        columns += [volts.min().alias(f"lowest_l{n}_v"), volts.max().alias(f"highest_l{n}_v")]
        columns += [pl.col(f"voltage_l{n}_v").mean().alias(f"mean_l{n}_v")]
    hertz, rated = pl.col("frequency_hz"), pl.col("nominal_hz")
    both = pl.any_horizontal(is_high) & pl.any_horizontal(is_low)
    days = means.group_by("unit", maintain_order=True).agg(
        pl.col("nominal_v").first(),
        (pl.col("longest_s") > MEAN_MINUTES * 60).sum().cast(pl.Int64).alias("coarse_count"),
        pl.col("longest_s").max().cast(pl.Int32).alias("interval_s"),
        pl.col("is_instant").any(),
        *columns,
        both.sum().cast(pl.Int64).alias("both_count"),
        hertz.count().cast(pl.Int64).alias("frequency_count"),
        _outside(hertz, rated, FREQUENCY_RATIOS).alias("frequency_outside_count"),
        _outside(hertz, rated, HARD_FREQUENCY_RATIOS).alias("frequency_far_count"),
        hertz.min().alias("frequency_lowest_hz"),
        hertz.max().alias("frequency_highest_hz"),
    )
    days = units_of(means).join(days, on="unit")
    lost = rises(readings, sites)
    days = days.join(lost, on=BY, how="left").with_columns(pl.col("trips_count", "lost_kwh").fill_null(0))
    return days.select(VOLTAGE_DAYS.names()).cast(VOLTAGE_DAYS).sort(BY)


def _outside(value: pl.Expr, nominal: pl.Expr, ratios: tuple[float, float]) -> pl.Expr:
    """How many values lie outside the band around nominal."""
    slack = ROUNDING * nominal
    return (~value.is_between(ratios[0] * nominal - slack, ratios[1] * nominal + slack)).sum().cast(pl.Int64)


def ten_minute_means(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, start_utc, voltage_l?_v, frequency_hz, longest_s, is_instant, nominal_v, nominal_hz], in order.

    Readings coarser than 10 minutes stay as they are; `longest_s` tells. A phase that is dead or not wired is null, and
    so is one in an interval in which the supply went or came.
    """
    return _means(readings, sites).drop("unit").sort("site_id", "start_utc")


def _means(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The same with `unit`, in units."""
    known = sites.select("site_id", "nominal_voltage_v", nominal_hz="nominal_frequency_hz")
    channels = [*VOLTAGE_CHANNELS, "frequency_hz"]
    rows = in_units(readings).select("unit", "site_id", "day", "ts_utc", "interval_s", "is_instant", *channels)
    rows = with_neighbours(_read(with_sites(rows, known)))
    rows = rows.with_columns(
        pl.when((pl.col(name) > GONE_RATIO * pl.col("nominal_voltage_v")) & ~holds_interruption(name))
        .then(name)
        .alias(name)
        for name in VOLTAGE_CHANNELS
    ).rename({"nominal_voltage_v": "nominal_v"})
    rows = rows.filter(pl.any_horizontal(pl.col(name).is_not_null() for name in VOLTAGE_CHANNELS))
    rows = rows.with_columns(start_utc=pl.col("ts_utc").dt.truncate(f"{MEAN_MINUTES}m"))
    first = rows.select(begins("unit", "start_utc")).to_series()
    covered = rows.select("unit", "interval_s", "is_instant", nth=first.cum_sum().set_sorted())
    of_block = covered.group_by("nth", maintain_order=True).agg(
        pl.col("interval_s").max().alias("longest_s"), pl.col("is_instant").any()
    )
    return (
        run_means(rows, first, channels, "interval_s")
        .with_columns(of_block["longest_s"], of_block["is_instant"], pl.col(channels).fill_nan(None))
        # Samples have no length to cover a block with.
        .filter((pl.col("interval_s") >= COVERED_S) | pl.col("is_instant"))
        .select("unit", "site_id", "day", "start_utc", *channels, "longest_s", "is_instant", "nominal_v", "nominal_hz")
    )


def _read(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows of units in which some voltage is read."""
    is_read = pl.any_horizontal(pl.col(name).is_not_null() for name in VOLTAGE_CHANNELS)
    return among_units(rows, rows.filter(is_read)["unit"])
