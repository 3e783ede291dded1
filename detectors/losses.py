"""What a fault costs, day by day: energy, money, and what is at stake where no lost energy can be measured."""

from collections.abc import Iterable
from datetime import date
from math import exp, inf, log
from typing import Literal, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
MIN_TAKEN_KWH, MAX_TAKEN_KWH, HALVINGS = 1e-3, 1e5, 40  # of the search for what a site takes of a day at most

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
    days: Iterable[date],
    kwh: Iterable[float | None],
    each: float | Array,
    *,
    since: date,
    until: date,
) -> tuple[DayLoss, ...]:
    """The measured losses of the days from `since` to `until`; days without a figure are left out.

    `each`: what a kWh is worth, of all days or of each. A day on which more came out than was expected lost nothing:
    what is below 0 counts as 0.
    """
    kwh = list(kwh)
    measured = []
    for day, value, price in zip(days, kwh, np.broadcast_to(each, len(kwh)).tolist(), strict=True):
        if since <= day <= until and value is not None and value == value:  # NaN is no figure
            lost = max(float(value), 0.0)
            measured.append(DayLoss(day, lost, lost * price, MEASURED))
    return tuple(measured)


class Worth(NamedTuple):
    """What a day's generation is worth at a site: what house and battery take at one price, the rest at another.

    They take of G kWh a day G / (1 + (G / D)^n)^(1/n): all of little, D of much, as a battery that fills or not is a
    sharper bend (n = 8) than a house alone, which takes less in some hours of every day (n = 2). Ours: against the
    energies of 22 falls at houses of another generator, eight of them with a battery, this tells 0.96 and 1.06 of the
    true cost (medians), and the mean price of a kWh 1.30 and 2.24: what a roof no longer makes it would have fed in.
    """

    import_price: float
    feed_in_price: float
    max_taken_kwh: float = inf  # D
    sharpness: float = 2.0  # n

    def of(self, generated_kwh: Array) -> Array:
        """What each day's generation is worth, [days]."""
        taken = _taken(generated_kwh, self.max_taken_kwh, self.sharpness)
        return np.asarray(taken * self.import_price + (generated_kwh - taken) * self.feed_in_price)

    def per_kwh(self, made_kwh: Array, lost_kwh: Array) -> Array:
        """What a lost kWh is worth of each day on which so much was made beside it; where none is, what feed-in is."""
        lost = np.where(lost_kwh > 0, lost_kwh, np.nan)
        each = (self.of(made_kwh + lost) - self.of(made_kwh)) / lost
        return np.where(np.isfinite(each), each, self.feed_in_price)


def _taken(generated_kwh: Array, max_kwh: float, sharpness: float) -> Array:
    """What house and battery take of each day's generation."""
    ratio = generated_kwh / max_kwh
    return np.asarray(generated_kwh / (1 + ratio**sharpness) ** (1 / sharpness))


def worths(days: pl.DataFrame, sites: pl.DataFrame) -> dict[str, Worth]:
    """Site -> what its generation is worth, by all its site-days with generation and feed-in known.

    Where nobody knows, the lower price counts; a site that may not feed in can only use what it generates.
    """
    known = pl.col("pv_kwh").is_not_null() & pl.col("feed_in_kwh").is_not_null() & (pl.col("pv_kwh") > 0)
    mine = days.filter(known).join(sites.select("site_id"), on="site_id", how="semi")
    by_site = mine.partition_by("site_id", as_dict=True)
    out = {}
    for site in sites.iter_rows(named=True):
        prices = site["import_price"], site["feed_in_price"]
        of_site = by_site.get((site["site_id"],))
        if site["feed_in_limit_kw"] == 0:
            out[site["site_id"]] = Worth(*prices)
        elif of_site is None:
            out[site["site_id"]] = Worth(min(prices), min(prices))
        else:
            sharpness = 8.0 if (site["battery_kwh"] or 0) > 0 else 2.0
            generated, fed = (of_site[name].to_numpy().astype(np.float64) for name in ("pv_kwh", "feed_in_kwh"))
            max_kwh = _max_taken(generated, np.clip(generated - fed, 0.0, generated), sharpness)
            out[site["site_id"]] = Worth(*prices, max_kwh, sharpness)
    return out


def _max_taken(generated_kwh: Array, taken_kwh: Array, sharpness: float) -> float:
    """The D by which as much is taken in all as was: by halves of its logarithm, as the sum rises with it."""
    low, high = log(MIN_TAKEN_KWH), log(MAX_TAKEN_KWH)
    total = taken_kwh.sum()
    if _taken(generated_kwh, exp(high), sharpness).sum() <= total:
        return inf
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        is_less = _taken(generated_kwh, exp(middle), sharpness).sum() < total
        low, high = (middle, high) if is_less else (low, middle)
    return exp((low + high) / 2)
