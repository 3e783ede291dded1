"""An inverter that starts late since some day, morning after morning, and then works as usual (`late_start`)."""

from collections.abc import Collection, Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.finding import CAUSE, NEXT_STEP, Finding, level, series
from detectors.losses import Worth, day_losses, worths
from detectors.stats.robust import Array
from detectors.yields.fleet_day import column
from detectors.yields.night import Night

KIND = "underperformance"
MIN_LATE_H = 1.0  # ours: beyond a self-test, a mean of 60 min and a slow logger
RECENT_DAYS, RECENT_LATE = 7, 5  # ours: dry mornings are among them
PAST_DAYS, MIN_PAST, MAX_PAST_SHARE = 35, 7, 0.2  # ours: before, most mornings were not late


def findings(
    residuals: pl.DataFrame, skipped: Collection[str], night: Night, days: pl.DataFrame, day: date
) -> Iterator[Finding]:
    """A finding per watched site that started late on `day` and on most mornings of the week, and did not before."""
    fleet = night.fleet
    first = day - timedelta(days=PAST_DAYS)
    rows = residuals.filter(pl.col("day").is_between(first, day), pl.col("late_h").is_not_null())
    today = rows.filter(pl.col("day") == day, pl.col("late_h") >= MIN_LATE_H)["site_id"].to_list()
    sites = fleet.sites.filter(
        pl.col("site_id").is_in(today) & ~pl.col("site_id").is_in([*skipped, *night.doubts]),
        pl.col("watched").fill_null(value=True),
    )
    worth_of = worths(days, sites)
    for site_id in sites["site_id"]:
        mine = rows.filter(pl.col("site_id") == site_id).sort("day")
        if (since := late_since(column(mine, "late_h"))) is not None:
            yield _finding(site_id, mine, since, worth_of[site_id])


def late_since(hours: Array) -> int | None:
    """The place of the first late morning of those that lead up to the last one, [days]; None where it is no change."""
    is_late = hours >= MIN_LATE_H
    if not is_late[-1] or is_late[-RECENT_DAYS:].sum() < RECENT_LATE:
        return None
    for place in np.flatnonzero(is_late)[: -RECENT_LATE + 1]:
        before = is_late[:place]
        if is_late[place:].mean() >= RECENT_LATE / RECENT_DAYS:
            is_change = len(before) >= MIN_PAST and before.mean() <= MAX_PAST_SHARE
            return int(place) if is_change else None
    return None


def _finding(site_id: str, rows: pl.DataFrame, since: int, worth: Worth) -> Finding:
    late, lost, made = (column(rows, name, 0.0) for name in ("late_h", "late_kwh", "actual_kwh"))
    dates = rows["day"].to_list()
    each = worth.per_kwh(made, lost)
    first, last, count = dates[since], dates[-1], len(dates) - since
    hours = late[since:][late[since:] >= MIN_LATE_H]
    mornings, usual_h = len(hours), float(np.median(hours))
    missing_pct = 100 * lost[-1] / max(lost[-1] + made[-1], 1e-9)
    shown = series("without power", "h", "measured", dates, late)
    return Finding(
        site_id=site_id,
        day=last,
        kind=KIND,
        severity="soon",
        value=missing_pct,
        unit="%",
        threshold=0.0,
        summary=f"Starts {usual_h:.1f} h late on {mornings} of {count} mornings since {first.isoformat()}, and is as "
        f"usual then: {lost[since:].sum():.1f} kWh are missing. Low insulation, as of dew in a connector, does so.",
        measured=f"no power for {late[-1]:.1f} h under a sun that the modules see",
        expected=f"power from the first light on, as until {first.isoformat()}; {lost[-1]:.1f} kWh were due meanwhile",
        since=first,
        loss_kwh=float(lost[-1]),
        cost=float(lost[-1] * each[-1]),
        losses=day_losses(dates, lost.tolist(), each, since=first, until=last),
        evidence={
            "late_h": float(late[-1]),
            "usual_late_h": usual_h,
            "late_mornings_count": mornings,
            "missing_pct": missing_pct,
            "first_day": first.isoformat(),
            CAUSE: "The inverter waits until its insulation test passes, which damp lets fail: dew in a connector or "
            "a junction box, a chafed cable, a module's broken back. It starts once the sun has dried it.",
            NEXT_STEP: "Service desk: read the inverter's fault list for insulation in the mornings; send the "
            "installer with an insulation tester on a damp morning.",
        },
        series=(shown, *level("late from here on", "h", "limit", MIN_LATE_H, shown)),
    )
