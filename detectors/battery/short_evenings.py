"""Discharge that stops early where no state of charge is read: by what the battery gave since it was last full.

From full to its reserve a battery gives what its capacity holds, evening after evening. Where it then rests and the
house imports, and it gave far less than it used to, it stopped early. An evening on which it was not full before, or
was not asked for all it had, says nothing.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple

import polars as pl

from detectors.battery.given import FULL_PCT, value_per_given_kwh
from detectors.finding import Finding, series
from detectors.losses import day_losses

MIN_FULL_H = 0.25  # ours: shorter rests amid surplus are the control's delay
MIN_STOP_KWH = 0.3  # ours: half an hour of cooking
SHORT_SHARE = 0.65  # ours: of what it used to give; a third less is no cold evening and no wear of a season
HEALTHY_SHARE = 0.85  # ours: within the scatter of evenings
USUAL_QUANTILE = 0.8  # ours: of the evenings after a full charge; many end before the battery is empty
USUAL_EVENINGS = 5  # ours: a working week's
LOOK_BACK_DAYS = 21  # ours: three evenings of need within three weeks


class Short(NamedTuple):
    """Evenings on which a battery stopped early."""

    evenings: pl.DataFrame  # day, given_kwh, stop_kwh; the last is the judged day
    usual_kwh: float

    @property
    def gave_kwh(self) -> float:
        """The median of what it gave on them."""
        return float(self.evenings["given_kwh"].median() or 0.0)  # type: ignore[arg-type]

    def level_pct(self, site: Mapping[str, Any]) -> float:
        """The state of charge at which it will have stopped, by the registered capacity, %."""
        return _level_after(self.gave_kwh, site)

    def limit_pct(self, site: Mapping[str, Any]) -> float:
        """The level above which a stop is early: the one after SHORT_SHARE of what it used to give, %."""
        return _level_after(SHORT_SHARE * self.usual_kwh, site)


def _level_after(given_kwh: float, site: Mapping[str, Any]) -> float:
    return max(FULL_PCT - 100 * given_kwh / site["battery_kwh"], 0.0)


def short_evenings(own: pl.DataFrame, day: date, min_evenings: int) -> Short | bool:
    """The short evenings up to `day`; True = the day shows a healthy battery, False = it tells nothing.

    `own`: the site's rows of LEVEL_DAYS up to `day`.
    """
    full = own.filter(pl.col("full_h") >= MIN_FULL_H, pl.col("given_kwh") > 0).sort("day")
    today = full.filter(pl.col("day") == day)
    if today.is_empty() or full.height < USUAL_EVENINGS + 1:
        return False
    usual_kwh = float(full["given_kwh"].quantile(USUAL_QUANTILE) or 0.0)
    if today["given_kwh"][0] >= HEALTHY_SHARE * usual_kwh:
        return True
    is_short = (pl.col("given_kwh") <= SHORT_SHARE * usual_kwh) & (pl.col("stop_kwh") >= MIN_STOP_KWH)
    healthy = full.filter(pl.col("given_kwh") >= HEALTHY_SHARE * usual_kwh)["day"].max()
    since = day - timedelta(days=LOOK_BACK_DAYS)
    run = full.filter(is_short, pl.col("day") > since)
    if isinstance(healthy, date):
        run = run.filter(pl.col("day") > healthy)
    if run.height < min_evenings or run["day"][-1] != day:
        return False
    return Short(run, usual_kwh)


def short_finding(kind: str, site: Mapping[str, Any], short: Short, day: date) -> Finding:
    """The finding of a battery whose level is not read, by the energy that it gave since it was full."""
    last = short.evenings.row(-1, named=True)
    level_pct, unused_kwh = short.level_pct(site), short.usual_kwh - short.gave_kwh
    missed_kwh, each = min(unused_kwh, last["stop_kwh"]), value_per_given_kwh(site)
    missed = [min(unused_kwh, kwh) for kwh in short.evenings["stop_kwh"]]
    since = short.evenings["day"][0]
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=kind,
        severity="soon",
        value=level_pct,
        unit="%",
        threshold=short.limit_pct(site),
        summary=f"Battery stops after {short.gave_kwh:.1f} kWh since it was full, near {level_pct:.0f} %, while the "
        f"house imports; it used to give {short.usual_kwh:.1f} kWh. Seen on {short.evenings.height} evenings; its "
        "state of charge is not read.",
        measured=f"{last['given_kwh']:.1f} kWh given since full, then at rest while {last['stop_kwh']:.1f} kWh were "
        "imported",
        expected=f"some {short.usual_kwh:.1f} kWh from full until it stops, as on earlier evenings",
        since=since,
        loss_kwh=missed_kwh,
        cost=missed_kwh * each,
        losses=day_losses(short.evenings["day"], missed, each, since=since, until=day),
        evidence={
            "level_pct": level_pct,
            "given_since_full_kwh": short.gave_kwh,
            "usual_since_full_kwh": short.usual_kwh,
            "evenings_count": short.evenings.height,
            "reserve_pct": site["battery_reserve_pct"],
        },
        series=(series("given since full", "kWh", "measured", short.evenings["day"], short.evenings["given_kwh"]),),
    )
