"""What an exception costs: sums over its days, each counted once by the finding that knows it best."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.losses import BASES, FED_IN, MEASURED, NOTHING, SILENT
from pipeline.exceptions.changes import Found
from pipeline.frames import LOSSES

MEAN_DAYS = 7  # ours: a week evens out the weather, and still follows a fault that grows


class LostDays(NamedTuple):
    """What was lost day by day: arrays of one length, in rising order of days."""

    days: np.ndarray  # proleptic ordinals, each once
    kwh: np.ndarray
    cost: np.ndarray
    basis: np.ndarray  # place in BASES


InForce = Mapping[tuple[str, str], LostDays]  # by site and group of kinds
NO_LOSSES = LostDays(*(np.empty(0, dtype=kind) for kind in (np.int32, np.float64, np.float64, np.int8)))


class Loss(NamedTuple):
    """What an exception cost so far, and costs a day; columns of EXCEPTIONS."""

    loss_kwh: float
    cost: float
    loss_basis: str
    loss_per_day_kwh: float
    cost_per_day: float
    at_stake_kwh: float


def of_findings(findings: pl.DataFrame) -> pl.DataFrame:
    """LOSSES of findings that tell of their own day alone."""
    is_measured = (pl.col("loss_kwh") > 0) | (pl.col("cost") > 0)
    basis = pl.when(is_measured).then(pl.lit(MEASURED)).otherwise(pl.lit(NOTHING))
    return findings.with_columns(told_on="day", basis=basis).select(LOSSES.names())


def in_force_at(losses: pl.DataFrame, groups: Mapping[str, str], days: Sequence[date]) -> list[InForce]:
    """What counts of each site, group and day at the end of each of `days`: the latest told, of one day the most
    trusted kind.

    `losses` are LOSSES; `groups` kind -> group, in the order of trust. Later rows are left out of account.
    """
    order = {kind: place for place, kind in enumerate(groups)}
    places = {basis: place for place, basis in enumerate(BASES)}
    by = ["site_id", "group", "day"]
    known = (
        losses.filter(pl.col("told_on") <= days[-1], pl.col("kind").is_in(list(groups)))
        .with_columns(
            pl.col("loss_kwh", "cost").fill_nan(0.0).fill_null(0.0),
            pl.col("basis").replace_strict(places, default=places[NOTHING], return_dtype=pl.Int8),
            group=pl.col("kind").replace_strict(dict(groups), return_dtype=pl.String),
            trust=pl.col("kind").replace_strict(order, return_dtype=pl.Int32),
        )
        .sort(*by, "told_on", "trust", "loss_kwh", descending=[False] * 3 + [True, False, True])
    )
    return [_latest(known.filter(pl.col("told_on") <= on), by) for on in days]


def _latest(known: pl.DataFrame, by: Sequence[str]) -> InForce:
    """The first row of each day, by site and group; `known` is in their order."""
    counted = known.unique(by, keep="first", maintain_order=True)
    ordinal = pl.col("day").cast(pl.Int32) + date(1970, 1, 1).toordinal()
    columns = counted.select(ordinal, "loss_kwh", "cost", "basis")
    arrays = [column.to_numpy() for column in columns]
    sizes = counted.group_by("site_id", "group", maintain_order=True).len()
    ends = sizes["len"].cum_sum().to_list()
    return {
        (site_id, group): LostDays(*(array[end - size : end] for array in arrays))
        for (site_id, group, size), end in zip(sizes.iter_rows(), ends, strict=True)
    }


def sum_up(losses: LostDays, clear: np.ndarray, *, first: date, last: date) -> Loss:
    """The loss of the days from `first` to `last`, both included.

    `clear`: ordinals of the days on which the fault was looked for and not found; they count as 0 in the mean.
    """
    begin, end = first.toordinal(), last.toordinal()
    inside = slice(*np.searchsorted(losses.days, (begin, end + 1)))
    days, kwh, cost, basis = (column[inside] for column in losses)
    is_measured = basis == BASES.index(MEASURED)
    looked_for = clear[slice(*np.searchsorted(clear, (begin, end + 1)))]
    latest = np.union1d(days[basis != BASES.index(SILENT)], looked_for)[-MEAN_DAYS:]
    is_latest = is_measured & np.isin(days, latest)
    judged = max(len(latest), 1)
    return Loss(
        loss_kwh=_sum(kwh[is_measured]),
        cost=_sum(cost[is_measured]),
        loss_basis=BASES[basis.min()] if len(basis) else NOTHING,
        loss_per_day_kwh=_sum(kwh[is_latest]) / judged,
        cost_per_day=_sum(cost[is_latest]) / judged,
        at_stake_kwh=_sum(kwh[basis == BASES.index(FED_IN)]),
    )


def _sum(values: np.ndarray) -> float:
    """In the order of days, as a list is: numpy adds by halves, and the last bits would change with the length."""
    return float(sum(values.tolist()))


def first_day(findings: Sequence[Found], *, not_before: date | None) -> date:
    """The day from which the fault is judged to have been there; `findings` in rising order of days.

    The one that most of the findings name, of several the earliest: an estimate may err for a night, and a window that
    moves on must not take the day with it. Not after the first finding, and not before `not_before` otherwise.
    """
    named: dict[int, int] = {}
    for one in findings:
        if one.since is not None:
            named[one.since] = named.get(one.since, 0) + 1
    earliest = findings[0].day
    max_count = max(named.values(), default=0)
    named_day = min([earliest, *(day for day, count in named.items() if count == max_count)])
    if not_before is not None:
        named_day = min(max(named_day, not_before.toordinal()), earliest)
    return date.fromordinal(named_day)
