"""Batteries that lose capacity or efficiency faster than age explains, month held against the same month a year ago.

Cold cells hold less and give back less, so a winter says nothing beside a summer: only months of the same name are
compared. It is slow and it is certain, and the claim under a warranty needs just these figures.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from detectors.battery.flows import with_battery, without_battery
from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Reason, Verdict, because, series

DETECTOR = "battery-ageing"
KIND = "battery-ageing"
RANK = 55
KINDS = {
    KIND: Kind(
        title="Battery loses capacity or efficiency",
        open_after=2,
        within=3,
        close_after=3,
        where="desk",
        setting="State of charge, at the battery's own electronics",
        now="{capacity_kwh:.1f} kWh for 100 %, by the months' discharges",
        should_be="calibrated by a full discharge and a full charge",
        visit_if="the loss is still there a month after the calibration",
        cause="Cells that age by heat or deep cycles, a weak module that ends discharge early, or a state of charge "
        "that was calibrated anew.",
        next_step="Service desk: have the battery calibrated by a full discharge and charge; if the loss stays, read "
        "its state of health and hold it, with these figures, against the terms of its warranty.",
        steps=(
            "Read the state of health, the cells' voltages and the fault list at the battery itself.",
            "Measure the room's temperature where the battery stands.",
            "Hold the months' figures against the terms of the warranty.",
        ),
        bring=("the manual of the battery", "its warranty terms"),
        proof="The next two months give what the same months gave a year ago, within 3 %.",
        cautions=(
            "Qualified persons only, under local codes; a battery's terminals are live however it is switched.",
            "A damaged, hot or swollen battery: keep away and follow the emergency instructions.",
        ),
    )
}
REASONS = {
    "history-too-short": "{months} months of history; the same months of two years are needed",
    "not-measured": "no state of charge is read",
    "little-moved": "too little was charged and given in the last months, or a year ago, to compare them",
}
PAIRS = 3  # ours: a quarter of a year, so that one odd month decides nothing
WITHIN_DAYS = 130  # the last three ends of months, and one that told nothing
FADE_PCT = 5.0  # common practice, no source: warranties promise 60 to 70 % after ten years, 3 to 4 % a year
EFFICIENCY_POINTS = 5.0  # ours: cells and inverter lose a point or two in ten years; five in one are a fault
MIN_MONTHS = 12 + PAIRS


class Trend(NamedTuple):
    """One figure's last months beside those of a year before, newest last."""

    since: date  # the first of these months
    now: list[float]
    before: list[float]

    def lost(self, *, in_points: bool) -> list[float]:
        """What each month lost, in % of the year before or in points; positive = less."""
        pairs = zip(self.now, self.before, strict=True)
        return [old - new if in_points else 100 * (1 - new / old) for new, old in pairs]

    @property
    def middle(self) -> tuple[float, float]:
        """The middle month's figures, by what it shows now."""
        return sorted(self.now)[PAIRS // 2], sorted(self.before)[PAIRS // 2]


def detect(
    battery_month_sums: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    *,
    fade_pct: float = FADE_PCT,
    efficiency_points: float = EFFICIENCY_POINTS,
) -> list[Verdict]:
    """A finding to watch per site whose last three months all fell behind the year before, in % or points lost."""
    verdicts = without_battery(sites, DETECTOR, day)
    months = battery_month_sums.filter(pl.col("day") <= day).sort("site_id", "day")
    by_site = {str(key[0]): one for key, one in months.partition_by("site_id", as_dict=True).items()}
    for site in with_battery(sites).iter_rows(named=True):
        own = by_site.get(site["site_id"])
        judged = _judge(site, own, day, fade_pct, efficiency_points)
        if isinstance(judged, Reason):
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, judged))
        elif judged is not None:
            verdicts.append(judged)
    return verdicts


def _judge(
    site: Mapping[str, Any], own: pl.DataFrame | None, day: date, fade_pct: float, efficiency_points: float
) -> Finding | Reason | None:
    first = day if own is None else own["day"].min()
    assert isinstance(first, date)
    months = (day.year - first.year) * 12 + day.month - first.month + (own is not None)
    if own is None or months < MIN_MONTHS:
        return because(REASONS, "history-too-short", months=months)
    if not own["is_level_read"].tail(PAIRS).any():
        return because(REASONS, "not-measured")
    capacity, efficiency = (_trend(own, name, day) for name in ("capacity_kwh", "efficiency_pct"))
    if capacity is None and efficiency is None:
        return because(REASONS, "little-moved")
    faded = [] if capacity is None else capacity.lost(in_points=False)
    less = [] if efficiency is None else efficiency.lost(in_points=True)
    if capacity is not None and min(faded) >= fade_pct:
        now, before = capacity.middle
        return _finding(site, own, day, capacity.since, sorted(faded)[PAIRS // 2], fade_pct, (
            f"Gives {now:.1f} kWh for 100 % of its state of charge, {sorted(faded)[PAIRS // 2]:.0f} % less than in "
            "the same months a year ago.", f"{now:.2f} kWh for 100 %", f"{before:.2f} kWh, as a year ago"
        ))  # fmt: skip
    if efficiency is not None and min(less) >= efficiency_points:
        now, before = efficiency.middle
        return _finding(site, own, day, efficiency.since, sorted(less)[PAIRS // 2], efficiency_points, (
            f"Gives back {now:.0f} % of what is charged, {sorted(less)[PAIRS // 2]:.0f} points less than in the same "
            "months a year ago.", f"{now:.1f} % round trip", f"{before:.1f} %, as a year ago"
        ))  # fmt: skip
    return None


def _trend(own: pl.DataFrame, name: str, day: date) -> Trend | None:
    """The last months that have a figure in both years; None if there are fewer than PAIRS of them lately."""
    known = own.filter(pl.col(name).is_not_null()).select(
        "day", month=pl.col("day").dt.truncate("1mo"), figure=pl.col(name)
    )
    before = known.select(month=pl.col("month").dt.offset_by("12mo"), before="figure")
    is_late = (pl.lit(day) - pl.col("day")).dt.total_days() <= WITHIN_DAYS
    pairs = known.filter(is_late).join(before, on="month", how="inner").sort("month").tail(PAIRS)
    if pairs.height < PAIRS:
        return None
    return Trend(pairs["month"][0], pairs["figure"].to_list(), pairs["before"].to_list())


def _finding(
    site: Mapping[str, Any],
    own: pl.DataFrame,
    day: date,
    since: date,
    lost: float,
    threshold: float,
    words: tuple[str, str, str],
) -> Finding:
    summary, measured, expected = words
    newest = own.filter(pl.col("capacity_kwh").is_not_null())["capacity_kwh"]
    evidence: dict[str, EvidenceValue] = {
        "lost_pct": lost,
        "capacity_kwh": newest[-1] if len(newest) else None,
        "registered_kwh": site["battery_kwh"],
        "months_count": own.height,
    }
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="watch",
        value=lost,
        unit="%",
        threshold=threshold,
        summary=summary,
        measured=measured,
        expected=expected,
        since=since,
        evidence=evidence,
        series=(
            series("capacity", "kWh", "measured", own["day"], own["capacity_kwh"]),
            series("round trip", "%", "measured", own["day"], own["efficiency_pct"]),
        ),
    )
