"""How long each reading of a site's day stands for, and sums over that time.

A reading that averages an interval weighs its interval, cut where the next reading begins. A reading of an instant
weighs half the way to its neighbours (the trapezoid rule), inside its own local day alone: the day's first and last
readings reach to midnight, but never further than one interval.
"""

import polars as pl

from detectors.stats.units import beside

BRIDGED = 1.5  # ours: two instants further apart than so many intervals do not vouch for the time between
LOST_ONE = 2.5  # of one lost interval, two instants at most so far apart; two lost ones stay unknown
J_PER_KWH = 3.6e6


def weight_s(known: pl.Expr, *, bridged: float = BRIDGED) -> pl.Expr:
    """Seconds that a row stands for among the rows of its site and day that are `known`.

    Instants vouch for the time between them up to `bridged` intervals apart.

    Of rows `in_units` of site and day, with interval_s and is_instant.
    """
    at = pl.col("ts_utc")
    to_next = (beside(at, known, -1) - at).dt.total_milliseconds() / 1000
    from_last = (at - beside(at, known, 1)).dt.total_milliseconds() / 1000
    since_midnight = (pl.col("ts_local") - pl.col("day").cast(pl.Datetime("us"))).dt.total_milliseconds() / 1000
    length = pl.col("interval_s").cast(pl.Float64)
    # On a day whose clocks change, the wall clock misjudges what is left by that hour; it is at most one interval here.
    left = pl.max_horizontal(24 * 3600 - since_midnight, pl.lit(0.0))

    def half(gap: pl.Expr, edge: pl.Expr) -> pl.Expr:
        between = pl.when(gap <= bridged * length).then(gap / 2).otherwise(length / 2)
        return pl.when(gap.is_null()).then(pl.min_horizontal(edge, length)).otherwise(between)

    instant = half(to_next, left) + half(from_last, since_midnight)
    mean = pl.min_horizontal(length, to_next.fill_null(float("inf")))
    return pl.when("is_instant").then(instant).otherwise(mean)


def lost_kwh(power: pl.Expr, known: pl.Expr) -> pl.Expr:
    """kWh of a mean power in W over one lost interval after each row that is `known`, by the mean of its neighbours.

    0 where nothing, or more than one interval, was lost until the next known row of the site and day. Rows as in
    `weight_s`; instants have their neighbours' trapezoid already.
    """
    gap_s = (beside(pl.col("ts_utc"), known, -1) - pl.col("ts_utc")).dt.total_milliseconds() / 1000
    length = pl.col("interval_s").cast(pl.Float64)
    is_one = known & ~pl.col("is_instant") & gap_s.is_between(BRIDGED * length, LOST_ONE * length)
    mean = (power + beside(power, known, -1)) / 2
    return pl.when(is_one).then(mean * (gap_s - length) / J_PER_KWH).otherwise(0.0)


def energy_kwh(power: pl.Expr, *, by: pl.Expr) -> pl.Expr:
    """kWh of a power in W over the rows' seconds `by`; null where the power is never known."""
    return pl.when(power.count() > 0).then((power * by).sum() / J_PER_KWH)


def hours_of(condition: pl.Expr) -> pl.Expr:
    """Hours of the rows' weight_s in which the condition holds; null where it is never known."""
    return pl.when(condition.count() > 0).then(pl.col("weight_s").filter(condition).sum() / 3600)
