"""Intervals in which the supply went or came: their voltage is a mean of some and none, and tells nothing."""

import polars as pl

GONE_RATIO = 0.05  # EN 50160: below 5 % the supply is interrupted, which is another fault; an unwired phase shows 0 V
HALF_RATIO = 0.5  # ours: no network runs on half of its voltage; a mean of it beside a usual one holds an interruption
LOW_RATIO = 0.90  # EN 50160: Un - 10 %; what a mixture leaves within the band harms nobody
SIDES = {1: "before", -1: "after"}
GAP_SHARE = 0.5  # ours: of an interval, between two; stamps that jitter leave less


def with_neighbours(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in units, with what `is_mixed` and `holds_interruption` ask of the rows around each.

    has_before and has_after: the unit has a row there; is_next_before and is_next_after: it is the next interval.
    """
    found = {}
    for step, side in SIDES.items():
        is_same = (pl.col("unit") == pl.col("unit").shift(step)).fill_null(False)
        apart_s = (pl.col("ts_utc") - pl.col("ts_utc").shift(step)).dt.total_milliseconds().abs() / 1000
        length_s = pl.col("interval_s").shift(step) if step > 0 else pl.col("interval_s")
        found[f"has_{side}"] = is_same
        found[f"is_next_{side}"] = is_same & (apart_s <= (1 + GAP_SHARE) * length_s)
    return rows.with_columns(**found)


def is_mixed(name: str, *, gone_ratio: float = GONE_RATIO) -> pl.Expr:
    """Whether a low voltage lies beside an interruption, of rows `with_neighbours` and nominal_voltage_v.

    The interruption is a voltage up to `gone_ratio` of nominal, or, as many loggers write nothing while they have no
    supply, a gap or an empty cell whose other side shows a usual voltage. A phase knows its own neighbours alone, and
    only those of its local day.
    """
    volts, nominal = pl.col(name), pl.col("nominal_voltage_v")
    before, after = _beside(name, 1), _beside(name, -1)
    is_gone = pl.any_horizontal(
        (one.abs() <= gone_ratio * nominal).fill_null(False) for one, _ in (before, after)
    )  # fmt: skip
    is_edge = pl.any_horizontal(
        is_missing & (other >= LOW_RATIO * nominal).fill_null(False)
        for (_, is_missing), (other, _) in ((before, after), (after, before))
    )
    return ((volts < LOW_RATIO * nominal) & ~pl.col("is_instant") & (is_gone | is_edge)).fill_null(False)


def holds_interruption(name: str) -> pl.Expr:
    """Whether an interval's voltage is no supply's: most of it was interrupted, or it lies beside such a one."""
    volts, nominal = pl.col(name), pl.col("nominal_voltage_v")
    is_usual = pl.any_horizontal(
        (one >= LOW_RATIO * nominal).fill_null(False) for one, _ in (_beside(name, 1), _beside(name, -1))
    )
    is_half = (volts < HALF_RATIO * nominal) & ~pl.col("is_instant") & is_usual
    return is_half.fill_null(False) | is_mixed(name, gone_ratio=HALF_RATIO)


def _beside(name: str, step: int) -> tuple[pl.Expr, pl.Expr]:
    """The voltage of the interval before (1) or after (-1), and whether it is missing though the day has more rows."""
    value = pl.when(f"is_next_{SIDES[step]}").then(pl.col(name).shift(step))
    return value, pl.col(f"has_{SIDES[step]}") & value.is_null()
