"""What high voltage took of a site's month, and whether that is worth acting on soon: one rule for all kinds of it."""

from datetime import date, timedelta
from typing import NamedTuple

import polars as pl

from detectors.stats.curtailment import as_known_now

SOON_PCT = 5.0  # ours: of what the roof could have made in a month: as much as a fall of yield that is acted on
SOON_DAYS = 5  # ours: days with a loss, so that one bright week-end is none
GAP_DAYS = 10  # ours: dull weeks lie between the bright days of one cause
MIN_CHANGES = 10.0  # ours: of fewer a share says nothing


class Month(NamedTuple):
    """What high voltage took of the days up to the judged one."""

    days: pl.DataFrame  # of voltage_curtailment, in their order
    lost_kwh: float
    lost_pct: float | None  # of what the roof could have made on the days on which both are known; None = on none
    loss_days: int
    since: date
    against_pct: float | None  # of the changes at a high voltage, those in which the power fell as it rose, or rose

    @property
    def is_soon(self) -> bool:
        """Whether it costs enough, on enough days."""
        return (self.lost_pct or 0.0) >= SOON_PCT and self.loss_days >= SOON_DAYS


def month_of(rows: pl.DataFrame, day: date) -> Month:
    """The month that ends on `day`, of one site's rows of `voltage_curtailment` in their order."""
    days = as_known_now(rows)
    known = days.filter(pl.col("curtailed_kwh").is_not_null(), pl.col("possible_kwh") > 0)
    possible, lost = float(known["possible_kwh"].sum()), float(known["curtailed_kwh"].sum())
    losing = days.filter(pl.col("curtailed_kwh") > 0)["day"].sort(descending=True)
    since = day
    for one in losing:
        if since - one > timedelta(days=GAP_DAYS):
            break
        since = one
    summed = float(days["curtailed_kwh"].sum())
    changes, against = float(days["changes"].sum()), float(days["against_changes"].sum())
    return Month(
        days,
        summed,
        100 * lost / possible if possible > 0 else None,
        len(losing),
        since,
        100 * against / changes if changes >= MIN_CHANGES else None,
    )
