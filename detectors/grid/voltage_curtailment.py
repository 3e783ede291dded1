"""Generation that high voltage cuts while the voltage is still within its band.

Inverters lower their power as the voltage at their terminals nears the upper end of the band, as their country's rules
ask. The owner loses the best hours of bright days, nothing reports a fault, and the modules are healthy. The cause is
the street's voltage or the house's own cable. Where the voltage leaves its band, `voltage_out_of_band` tells of both.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Series,
    Severity,
    Verdict,
    because,
    level,
    series,
)
from detectors.frames import VOLTAGE_CHANNELS
from detectors.grid.curtailed_month import Month, month_of
from detectors.grid.voltage_means import PHASES
from detectors.losses import day_losses
from detectors.stats.curtailment import VOLTAGE_LIMIT_RATIO

DETECTOR = "voltage-curtailment"
KIND = "voltage-curtailment"
OUT_OF_BAND = "voltage-out-of-band"
RANK = 45  # after the band's verdict, which tells of the lost energy where there is one
KINDS = {
    KIND: Kind(
        title="Generation cut by high voltage",
        hides=("unexplained",),
        hides_why="bright hours without their generation are unlike the site's past and its neighbours",
        open_after=3,
        within=10,
        close_after=10,
        cause="The voltage at the inverter stands near the upper end of its band in sun, and the inverter lowers its "
        "power as the connection's rules ask: the street runs high, or the cable between meter and inverter adds too "
        "much.",
        next_step="Service desk: write to the network operator with these figures and ask for a measurement and "
        "another tap of the transformer; have the house's cable checked at the next visit: more than 1 % between "
        "meter and inverter is its own.",
        steps=(
            "Measure the voltage at the meter and at the inverter at full generation and with the inverter off.",
            "A difference of more than 1 % between the two is the house's own cable: its cross-section, its clamps.",
            "Ask the network operator which voltage-dependent reactive power the connection may use.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Do not change grid protection or the response to voltage without the network operator.",
        ),
    )
}
REASONS = {
    "not-measured": "voltage or generation not read",
    "low-coverage": "generation and voltage read in {coverage_pct:.0f} % of the daylight",
    "sky-unknown": "voltage at its limit for {high_h:.1f} h, and no neighbours tell what was due then",
    "limited": "voltage at its limit for {high_h:.1f} h, but a feed-in limit may have curtailed it too",
}

MIN_KWH_PER_KWP = 0.1  # ours: two hours at a twentieth of its peak capacity; less is worth no letter
MIN_COVERAGE_PCT = 50.0  # ours: the half that was not read may be the one with the voltage at its limit


def detect(
    voltage_curtailment: pl.DataFrame,
    voltage_day: pl.DataFrame,
    expected_hour: pl.DataFrame,
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    min_kwh_per_kwp: float = MIN_KWH_PER_KWP,
) -> list[Verdict]:
    """A finding per site that lost energy to high voltage on `day`; the value is in kWh."""
    rows = voltage_curtailment.sort("site_id", "day").partition_by("site_id", as_dict=True, maintain_order=True)
    highest = {row["site_id"]: row for row in voltage_day.filter(pl.col("day") == day).iter_rows(named=True)}
    heard = set(readings["site_id"].unique())
    with_band_finding = set(earlier.filter(pl.col("kind") == OUT_OF_BAND)["site_id"])
    verdicts: list[Verdict] = []
    for site in sites.sort("site_id").iter_rows(named=True):
        site_id = site["site_id"]
        days = rows.get((site_id,))
        today = None if days is None else days.row(-1, named=True)
        if days is None or today is None or today["day"] != day:
            code = "not-measured" if site_id in heard else "no-readings"
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, code)))
        elif today["coverage_pct"] < MIN_COVERAGE_PCT:
            reason = because(REASONS, "low-coverage", coverage_pct=today["coverage_pct"])
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif today["curtailed_kwh"] is None:
            code = "sky-unknown" if site["feed_in_limit_kw"] is None else "limited"
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, code, high_h=today["high_h"])))
        elif today["curtailed_kwh"] >= min_kwh_per_kwp * site["installed_kwp"] and site_id not in with_band_finding:
            own = readings.filter(pl.col("site_id") == site_id).sort("ts_utc")
            shown = _picture(own, expected_hour.filter(pl.col("site_id") == site_id), site["nominal_voltage_v"])
            min_kwh = min_kwh_per_kwp * site["installed_kwp"]
            verdicts.append(_finding(site, today, month_of(days, day), highest.get(site_id, {}), min_kwh, shown))
    return verdicts


def _finding(
    site: dict[str, Any],
    today: dict[str, Any],
    month: Month,
    volts: Mapping[str, Any],
    min_kwh: float,
    shown: tuple[Series, ...],
) -> Finding:
    lost = today["curtailed_kwh"]
    read = [volts[f"highest_l{n}_v"] for n in PHASES if volts.get(f"highest_l{n}_v") is not None]
    highest_v = max(read) if read else None
    reached = "" if highest_v is None else f", at up to {highest_v:.1f} V"
    # What was cut would have been fed in: the house had its part already.
    price = site["feed_in_price"]
    severity: Severity = "soon" if month.is_soon else "watch"
    of_all = "" if month.lost_pct is None else f", {month.lost_pct:.0f} % of what the roof could have made"
    evidence: dict[str, EvidenceValue] = {
        "curtailed_kwh": lost,
        "due_kwh": today["due_kwh"],
        "made_kwh": today["made_kwh"],
        "due_sigma_kwh": today["sigma_kwh"],
        "high_voltage_h": today["high_h"],
        "highest_v": highest_v,
        "nominal_v": site["nominal_voltage_v"],
        "curtailed_month_kwh": month.lost_kwh,
        "curtailed_month_pct": month.lost_pct,
        "loss_days_count": month.loss_days,
        "judged_days_count": int(month.days["curtailed_kwh"].count()),
        "moved_against_voltage_pct": month.against_pct,
    }
    return Finding(
        site_id=site["site_id"],
        day=today["day"],
        kind=KIND,
        severity=severity,
        value=lost,
        unit="kWh",
        threshold=min_kwh,
        summary=f"{lost:.1f} kWh were cut in {today['high_h']:.1f} h with the voltage at its limit{reached}; "
        f"{month.lost_kwh:.0f} kWh on {month.loss_days} of the last {month.days.height} days{of_all}.",
        measured=f"{today['made_kwh']:.1f} kWh in the hours with high voltage{reached}",
        expected=f"{today['due_kwh']:.1f} kWh in the same hours, as its neighbours' sky lets expect "
        f"(sigma {today['sigma_kwh']:.1f} kWh)",
        since=month.since,
        loss_kwh=lost,
        cost=lost * price,
        losses=day_losses(
            month.days["day"], month.days["curtailed_kwh"], price, since=month.since, until=today["day"]
        ),
        evidence=evidence,
        series=shown,
    )  # fmt: skip


def _picture(own: pl.DataFrame, expected: pl.DataFrame, nominal_v: float) -> tuple[Series, ...]:
    """The day's generation beside what was due, and its highest phase's voltage beside the level of its limit."""
    halves = (
        own.with_columns(volts=pl.max_horizontal(VOLTAGE_CHANNELS))
        .group_by_dynamic("ts_utc", every="30m")
        .agg(pl.col("pv_w").mean(), pl.col("volts").max())
    )
    hours = expected.sort("ts_utc")
    made = series("generation", "W", "measured", halves["ts_utc"], halves["pv_w"])
    volts = series("highest phase", "V", "measured", halves["ts_utc"], halves["volts"])
    due = (series("due", "W", "expected", hours["ts_utc"], hours["expected_w"]),) if hours.height else ()
    return (made, *due, volts, *level("power may be lowered", "V", "limit", VOLTAGE_LIMIT_RATIO * nominal_v, volts))
