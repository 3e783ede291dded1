"""What an exception costs: sums over its days, each counted once by the finding that knows it best."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from detectors.losses import BASES, FED_IN, MEASURED, NOTHING, SILENT, DayLoss
from pipeline.frames import LOSSES

MEAN_DAYS = 7  # ours: a week evens out the weather, and still follows a fault that grows

InForce = Mapping[tuple[str, str], Sequence[DayLoss]]  # by site and group of kinds, in order of days


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


def in_force(losses: pl.DataFrame, groups: Mapping[str, str], *, on: date) -> InForce:
    """What counts of each site, group and day at the end of `on`: the latest told, of one day the most trusted kind.

    `losses` are LOSSES; `groups` kind -> group, in the order of trust. Later rows are left out of account.
    """
    order = {kind: place for place, kind in enumerate(groups)}
    by = ["site_id", "group", "day"]
    known = (
        losses.filter(pl.col("told_on") <= on, pl.col("kind").is_in(list(groups)))
        .with_columns(
            pl.col("loss_kwh", "cost").fill_nan(0.0).fill_null(0.0),
            group=pl.col("kind").replace_strict(dict(groups), return_dtype=pl.String),
            trust=pl.col("kind").replace_strict(order, return_dtype=pl.Int32),
        )
        .sort(*by, "told_on", "trust", "loss_kwh", descending=[False] * 3 + [True, False, True])
        .unique(by, keep="first", maintain_order=True)
    )
    counted: dict[tuple[str, str], list[DayLoss]] = {}
    for site_id, group, *one in known.select(*by, "loss_kwh", "cost", "basis").iter_rows():
        counted.setdefault((site_id, group), []).append(DayLoss(*one))
    return counted


def sum_up(losses: Sequence[DayLoss], clear: np.ndarray, *, first: date, last: date) -> Loss:
    """The loss of the days from `first` to `last`, both included.

    `clear`: ordinals of the days on which the fault was looked for and not found; they count as 0 in the mean.
    """
    inside = [one for one in losses if first <= one.day <= last]
    measured = {one.day.toordinal(): one for one in inside if one.basis == MEASURED}
    bases = {one.basis for one in inside}
    judged = {one.day.toordinal() for one in inside if one.basis != SILENT}
    judged |= {int(day) for day in clear[(clear >= first.toordinal()) & (clear <= last.toordinal())]}
    latest = sorted(judged)[-MEAN_DAYS:]
    mean = [measured[day] for day in latest if day in measured]
    return Loss(
        loss_kwh=sum(one.kwh for one in measured.values()),
        cost=sum(one.cost for one in measured.values()),
        loss_basis=next((basis for basis in BASES if basis in bases), NOTHING),
        loss_per_day_kwh=sum(one.kwh for one in mean) / max(len(latest), 1),
        cost_per_day=sum(one.cost for one in mean) / max(len(latest), 1),
        at_stake_kwh=sum(one.kwh for one in inside if one.basis == FED_IN),
    )


def first_day(findings: Sequence[Mapping[str, Any]], *, not_before: date | None) -> date:
    """The day from which the fault is judged to have been there.

    The one that most of the findings name, of several the earliest: an estimate may err for a night, and a window that
    moves on must not take the day with it. Not after the first finding, and not before `not_before` otherwise.
    """
    named: dict[date, int] = {}
    for row in findings:
        if row["since"] is not None:
            named[row["since"]] = named.get(row["since"], 0) + 1
    earliest = min(row["day"] for row in findings)
    max_count = max(named.values(), default=0)
    named_day = min([earliest, *(day for day, count in named.items() if count == max_count)])
    return named_day if not_before is None else min(max(named_day, not_before), earliest)
