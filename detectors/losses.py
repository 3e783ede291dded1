"""What a fault costs, day by day: energy, money, and what is at stake where no lost energy can be measured."""

from collections.abc import Iterable
from datetime import date
from typing import Literal, NamedTuple

import polars as pl

Basis = Literal["measured", "not measurable while silent", "no energy at stake", "fed in beyond the limit"]
MEASURED: Basis = "measured"
SILENT: Basis = "not measurable while silent"
NOTHING: Basis = "no energy at stake"
FED_IN: Basis = "fed in beyond the limit"
BASES: tuple[Basis, ...] = (MEASURED, FED_IN, SILENT, NOTHING)  # of an exception whose days differ, the first counts


class DayLoss(NamedTuple):
    """What one day cost."""

    day: date
    kwh: float  # >= 0: lost by the fault; with FED_IN, fed into the grid beyond the limit
    cost: float  # in the site's currency; below 0 where the fault pays
    basis: Basis


def day_losses(
    days: Iterable[date], kwh: Iterable[float | None], each: float, *, since: date, until: date
) -> tuple[DayLoss, ...]:
    """The measured losses of the days from `since` to `until`, at `each` per kWh; days without a figure are left out.

    A day on which more came out than was expected lost nothing: what is below 0 counts as 0.
    """
    measured = []
    for day, value in zip(days, kwh, strict=True):
        if since <= day <= until and value is not None and value == value:  # NaN is no figure
            lost = max(float(value), 0.0)
            measured.append(DayLoss(day, lost, lost * each, MEASURED))
    return tuple(measured)


def value_per_kwh(days: pl.DataFrame, sites: pl.DataFrame) -> dict[str, float]:
    """Site -> what a generated kWh is worth there: used in the house at the import price, the rest fed in.

    The share used in the house is the site's own, over all of its site-days with both energies known: self-consumption
    as (generation - feed-in) / generation (common practice, no source). Where nobody knows, the lower price counts; a
    site that may not feed in can only use what it generates.
    """
    both = pl.col("pv_kwh").is_not_null() & pl.col("feed_in_kwh").is_not_null()
    sums = days.lazy().filter(both).group_by("site_id").agg(pl.col("pv_kwh", "feed_in_kwh").sum())
    share = (1 - pl.col("feed_in_kwh") / pl.col("pv_kwh")).clip(0, 1)
    known = (
        sites.lazy()
        .select("site_id", "import_price", "feed_in_price", "feed_in_limit_kw")
        .join(sums, on="site_id", how="left")
    )
    own = pl.when(pl.col("feed_in_limit_kw") == 0).then(1.0).when(pl.col("pv_kwh") > 0).then(share)
    mixed = own * pl.col("import_price") + (1 - own) * pl.col("feed_in_price")
    each = mixed.fill_null(pl.min_horizontal("import_price", "feed_in_price"))
    return dict(known.select("site_id", each=each).collect().iter_rows())
