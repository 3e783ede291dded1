"""Readings as the days of their sites or devices, one after the other, and what is said of rows that stand together."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from detectors.stats.rows import ordered


def in_units(readings: pl.DataFrame) -> pl.DataFrame:
    """Readings with their local `day` and `unit`, which numbers the days of each site, or of each device, in order.

    They stand in the order of the units, and by time in each of them; as they are where they are in units already. A
    unit is a slice, as its numbers are sorted: to group by it, or to look through it, takes a tenth of the time that
    the words take which it stands for.
    """
    if "unit" in readings.columns:
        return readings
    by = [name for name in ("site_id", "device_id", "day") if name == "day" or name in readings.columns]
    rows = ordered(readings.with_columns(day=pl.col("ts_local").dt.date()), *by, "ts_utc")
    return rows.with_columns(unit=(begins(*by).cum_sum().cast(pl.Int64) - 1).set_sorted())


def units_of(rows: pl.DataFrame, *more: str) -> pl.DataFrame:
    """One row per unit of rows `in_units`: unit, site_id, device_id (where they have it), day, and its first `more`."""
    names = [name for name in ("unit", "site_id", "device_id", "day") if name in rows.columns]
    return rows.select(*names, *more).filter(pl.col("unit") != pl.col("unit").shift(1, fill_value=-1))


def among_units(rows: pl.DataFrame, asked: pl.Series) -> pl.DataFrame:
    """The rows, in their order, of the units that are among `asked`, which may name one several times."""
    return rows.filter(pl.col("unit").is_in(asked.unique().implode()))


def beside(value: pl.Expr, known: pl.Expr, way: int) -> pl.Expr:
    """The value of the nearest `known` row before (1) or after (-1) each, of the same unit; null = there is none.

    Of rows `in_units`, with a value in each that is known. What lies between the units is masked, which costs a third
    of a window over each of them.
    """
    filled = [
        one.forward_fill() if way > 0 else one.backward_fill()
        for one in (pl.when(known).then(of).shift(way) for of in (value, pl.col("unit")))
    ]
    return pl.when(filled[1] == pl.col("unit")).then(filled[0])


def begins(*names: str) -> pl.Expr:
    """Whether a row is the first of those in a row that have the same values in these columns, none of them null."""
    return pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in names).fill_null(True)


def run_means(rows: pl.DataFrame, first: pl.Series, channels: Sequence[str], weight: str) -> pl.DataFrame:
    """A row for each run of rows: as its first one, the channels being their means by `weight`, and that its sum.

    `first`: whether a run begins. Null values, and their weights, are left out of a mean; null = there is no other. For
    runs of a few rows each, which a group_by goes through one by one and column by column.
    """
    starts = np.flatnonzero(first.to_numpy())
    heads = rows.filter(first)
    if heads.is_empty():
        return heads
    by = rows[weight].cast(pl.Float64).to_numpy()
    whole = np.add.reduceat(by, starts)
    means = []
    for name in channels:
        known = whole
        if rows[name].null_count() > 0:
            known = np.add.reduceat(np.where(rows[name].is_not_null().to_numpy(), by, 0.0), starts)
        total = np.add.reduceat(rows[name].fill_null(0.0).to_numpy() * by, starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            means.append(pl.Series(name, total / known).set(pl.Series(known <= 0), None))
    return heads.with_columns(*means, pl.Series(weight, whole))
