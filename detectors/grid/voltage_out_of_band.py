"""Supply voltage outside the standard's band, for too much of a week or by too much at any time.

Inverters disconnect when the street runs high and the owner sees a lost afternoon. The cause is mostly the network's,
so this ends with a letter from the desk and not with a revisit. One phase high while another is low is another
matter: the neutral may be broken, and that is dangerous.
"""

from datetime import date, timedelta

import polars as pl

from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Reason,
    Series,
    Severity,
    Verdict,
    because,
    level,
    series,
)
from detectors.frames import VOLTAGE_CHANNELS
from detectors.grid.curtailed_month import month_of
from detectors.grid.voltage_means import HARD_LOW_RATIO, HIGH_RATIO, MEAN_MINUTES, PHASES, ten_minute_means
from detectors.losses import day_losses
from detectors.stats.interruptions import LOW_RATIO

DETECTOR = "voltage-out-of-band"
KIND = "voltage-out-of-band"
RANK = 40
KINDS = {
    KIND: Kind(
        title="Supply voltage outside its band",
        hides=("voltage-curtailment",),
        hides_why="a voltage beyond its band is what the inverter lowers its power for",
        close_after=3,
        cause="The network's voltage runs high when the street feeds in, or low under load; a long or thin cable to "
        "the house adds to it.",
        next_step="Service desk: write to the network operator with these figures and ask for a measurement and "
        "another tap; if one phase is high while another is low, send an electrician today: the neutral may be broken.",
        steps=(
            "Measure the voltage at the meter and at the inverter with and without generation.",
            "A difference of more than 1 % between them is the house's own cable.",
            "Ask the network operator which voltage-dependent reactive power the connection may use.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Do not change grid protection settings without the network operator.",
        ),
    )
}
REASONS = {
    "voltage-missing": "voltage not read on this day",
    "nominal-does-not-fit": "voltages around {mean_v:.0f} V do not fit the register's nominal {nominal_v:g} V",
    "coarse": (
        "readings every {interval_min:.0f} min are coarser than the standard's 10-minute means; "
        "{outside_pct:.1f} % of them lay outside the band, and {near_pct:.1f} % there or so near its limits that "
        "means of 10 minutes may"
    ),
    "low-coverage": "voltage known for {coverage_pct:.0f} % of the week",
}

ALLOWED_OUTSIDE_PCT = 5.0  # EN 50160: 95 % of a week's 10-minute means lie inside the band
WEEK_DAYS = 7  # same place
COARSE_S = (
    900  # ours: a quarter of an hour's mean, with what lies near the limits, tells a healthy week; longer ones do not
)
MIN_COVERAGE_PCT = 90.0  # ours: a week missing more than 17 h may hide its worst afternoons
TRIPS_A_DAY = 3  # common practice: more disconnections a day than this are voltage rise
FITTING = (0.8, 1.2)  # ours: a day's mean further from nominal is another nominal voltage, or phase to phase
MIN_BOTH = 2  # ours: a phase high while another is low, in more than one mean


def detect(
    readings: pl.DataFrame,
    voltage_day: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    voltage_curtailment: pl.DataFrame | None = None,
    *,
    allowed_outside_pct: float = ALLOWED_OUTSIDE_PCT,
    min_coverage_pct: float = MIN_COVERAGE_PCT,
) -> list[Verdict]:
    """A verdict per site and the seven local days that end on `day`, in % of the worst phase's 10-minute means.

    Coarser readings stand in: what their means pass, a mean of 10 minutes passes too. Each day lost what its
    disconnections cost, or what `voltage_curtailment` knows to be missing, whichever is more; a costly month is to be
    acted on soon.
    """
    if sites.is_empty():
        return []
    if voltage_curtailment is not None:
        voltage_day = _with_curtailed(voltage_day, voltage_curtailment)
    first = day - timedelta(days=WEEK_DAYS - 1)
    today = voltage_day.filter(pl.col("day") == day)
    week = voltage_day.filter(pl.col("day").is_between(first, day)).join(
        sites.select("site_id", "nominal_voltage_v"), on="site_id", how="inner"
    )
    # Counts made with another nominal voltage than the register has today tell nothing any more.
    week = week.filter((pl.col("nominal_v") - pl.col("nominal_voltage_v")).abs() < 1e-9)
    sums = {row["site_id"]: row for row in _sums(week).iter_rows(named=True)}
    current = {row["site_id"]: row for row in today.iter_rows(named=True)}
    verdicts: list[Verdict] = []
    for site in sites.sort("site_id").iter_rows(named=True):
        site_id = site["site_id"]
        judged = _judge(site, sums.get(site_id), current.get(site_id), allowed_outside_pct, min_coverage_pct)
        if isinstance(judged, Reason):
            verdicts.append(NotJudged(site_id, day, DETECTOR, judged))
        elif judged is not None:
            judged["is_costly"] = judged["lost_kwh"] > 0 and _is_costly(voltage_curtailment, site_id, day)
            days = week.filter(pl.col("site_id") == site_id).sort("day")
            shown = _picture(
                readings.filter(pl.col("site_id") == site_id), sites, days, judged["phase"], site["nominal_voltage_v"]
            )
            verdicts.append(_finding(site, judged, current[site_id], days, allowed_outside_pct, day, shown))
    return verdicts


def _is_costly(curtailed: pl.DataFrame | None, site_id: str, day: date) -> bool:
    own = None if curtailed is None else curtailed.filter(pl.col("site_id") == site_id).sort("day")
    return own is not None and not own.is_empty() and month_of(own, day).is_soon


def _with_curtailed(voltage_day: pl.DataFrame, curtailed: pl.DataFrame) -> pl.DataFrame:
    """The days with lost_kwh by either measure; the two overlap, so they do not add up."""
    known = curtailed.select("site_id", "day", "curtailed_kwh")
    rows = voltage_day.join(known, on=["site_id", "day"], how="left", maintain_order="left")
    return rows.with_columns(lost_kwh=pl.max_horizontal("lost_kwh", "curtailed_kwh")).drop("curtailed_kwh")


def _sums(week: pl.DataFrame) -> pl.DataFrame:
    counts = [name for name in week.columns if name.endswith("_count")]
    return week.group_by("site_id").agg(
        pl.col(counts).sum(),
        pl.col("lost_kwh").sum(),
        pl.col("interval_s").max(),
        pl.col("is_instant").any(),
        pl.len().alias("days"),
        *(pl.col(f"mean_l{n}_v").mean() for n in PHASES),
        *(pl.col(f"lowest_l{n}_v").min() for n in PHASES),
        *(pl.col(f"highest_l{n}_v").max() for n in PHASES),
        pl.col("frequency_lowest_hz").min(),
        pl.col("frequency_highest_hz").max(),
        pl.col("trip_voltage_v").median(),
        max_trips=pl.col("trips_count").max(),
    )


def _outside(row: dict, n: int) -> int:
    return int(row[f"below_l{n}_count"] + row[f"above_l{n}_count"])


def _judge(
    site: dict, sums: dict | None, today: dict | None, allowed_outside_pct: float, min_coverage_pct: float
) -> dict | Reason | None:
    if sums is None or today is None:
        return because(REASONS, "voltage-missing")
    nominal_v = site["nominal_voltage_v"]
    for n in PHASES:
        mean_v = sums[f"mean_l{n}_v"]
        if mean_v is not None and not FITTING[0] <= mean_v / nominal_v <= FITTING[1]:
            return because(REASONS, "nominal-does-not-fit", mean_v=mean_v, nominal_v=nominal_v)
    read = [n for n in PHASES if sums[f"means_l{n}_count"] > 0]
    if not read:
        return because(REASONS, "voltage-missing")
    week = dict(sums)
    week["mean_min"] = max(sums["interval_s"] / 60, MEAN_MINUTES) if sums["coarse_count"] else MEAN_MINUTES
    of_week = WEEK_DAYS * 24 * 60 / week["mean_min"]
    week["phase"] = max(read, key=lambda n: (_outside(sums, n) / sums[f"means_l{n}_count"], -n))
    means, outside = sums[f"means_l{week['phase']}_count"], _outside(sums, week["phase"])
    week["coverage_pct"] = min(100.0 * means / of_week, 100.0)
    week["outside_pct"] = 100.0 * outside / means
    # Of a week that was seen in part, the part outside is sure; the rest may all have been inside.
    week["sure_pct"] = 100.0 * outside / max(means, of_week)
    week["hard_count"] = sum(sums[f"hard_low_l{n}_count"] + sums[f"hard_high_l{n}_count"] for n in PHASES)
    is_known = week["coverage_pct"] >= min_coverage_pct
    too_often = week["outside_pct"] > allowed_outside_pct and (is_known or week["sure_pct"] > allowed_outside_pct)
    # A sample is no mean: a single one beyond the hard limits breaks nothing.
    too_far = week["hard_count"] > 0 and not sums["is_instant"]
    if too_often or too_far or sums["max_trips"] > TRIPS_A_DAY:
        week["too_often"] = too_often
        return week
    if not is_known:
        return because(REASONS, "low-coverage", coverage_pct=week["coverage_pct"])
    return _unsure(week, allowed_outside_pct) if sums["coarse_count"] else None


def _unsure(week: dict, allowed_outside_pct: float) -> Reason | None:
    """Why means longer than the standard's leave open whether the week was healthy; None = even so it was."""
    near_pct = 100.0 * week[f"near_l{week['phase']}_count"] / week[f"means_l{week['phase']}_count"]
    if week["interval_s"] <= COARSE_S and near_pct <= allowed_outside_pct:
        return None
    shares = {"outside_pct": week["outside_pct"], "near_pct": near_pct}
    return because(REASONS, "coarse", interval_min=week["mean_min"], **shares)


def _severity(week: dict) -> Severity:
    if week["both_count"] >= MIN_BOTH:
        return "urgent"  # the neutral may be broken
    # What it costs counts as it would without a band: a few means beyond it make a costly limit no smaller matter.
    return "soon" if week["too_often"] or week["trips_count"] > 0 or week["is_costly"] else "watch"


def _finding(
    site: dict, week: dict, today: dict, days: pl.DataFrame, allowed_pct: float, day: date, shown: tuple[Series, ...]
) -> Finding:
    nominal_v, phase = site["nominal_voltage_v"], week["phase"]
    low_v, high_v = LOW_RATIO * nominal_v, HIGH_RATIO * nominal_v
    reached = f"{week[f'lowest_l{phase}_v']:.1f} to {week[f'highest_l{phase}_v']:.1f} V"
    length = f"{week['mean_min']:.0f}-minute"
    outside = f"{week['outside_pct']:.1f} % of the week's {length} means outside {low_v:g} to {high_v:g} V"
    if week["coarse_count"]:
        outside += ", and of its 10-minute means that or more"
    lost = f"; generation stopped {week['trips_count']} times near the limit" if week["trips_count"] else ""
    lost += f"; {week['lost_kwh']:.1f} kWh of generation were cut" if week["lost_kwh"] > 0 else ""
    both = "; one phase high while another was low: the neutral may be broken" if week["both_count"] else ""
    bad = days.filter(pl.sum_horizontal(f"{w}_l{n}_count" for n in PHASES for w in ("below", "above")) > 0)
    since = bad["day"].min()
    price = site["feed_in_price"] if site["feed_in_limit_kw"] != 0 else site["import_price"]
    since = since if isinstance(since, date) else day
    losses = day_losses(days["day"], days["lost_kwh"], price, since=since, until=day)
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity=_severity(week),
        value=week["outside_pct"],
        unit="%",
        threshold=allowed_pct if week["too_often"] else 0.0,
        summary=f"L{phase} ran at {reached}: {outside}{lost}{both}.",
        measured=f"{outside} on L{phase}, {reached}",
        expected=f"95 % of a week's means within {low_v:g} to {high_v:g} V, all within "
        f"{HARD_LOW_RATIO * nominal_v:g} to {high_v:g} V (EN 50160, at second hand)",
        since=since,
        loss_kwh=today["lost_kwh"],
        cost=today["lost_kwh"] * price,
        losses=losses if sum(one.kwh for one in losses) > 0 else (),
        evidence=_figures(week, nominal_v),
        series=shown,
    )


def _figures(week: dict, nominal_v: float) -> dict[str, EvidenceValue]:
    read = [n for n in PHASES if week[f"means_l{n}_count"]]
    figures: dict[str, EvidenceValue] = {
        "outside_week_pct": week["outside_pct"],
        "coverage_pct": week["coverage_pct"],
        "mean_length_min": week["mean_min"],
        "means_count": int(week[f"means_l{week['phase']}_count"]),
        "beyond_hard_limits_count": int(week["hard_count"]),
        "nominal_v": nominal_v,
        "upper_limit_v": HIGH_RATIO * nominal_v,
        "lower_limit_v": LOW_RATIO * nominal_v,
        "phase_name": f"L{week['phase']}",
        "neutral_doubt_count": int(week["both_count"]),
        "trips_week_count": int(week["trips_count"]),
        "lost_week_kwh": week["lost_kwh"],
        "trip_voltage_v": week["trip_voltage_v"],
        **{f"outside_l{n}_pct": 100.0 * _outside(week, n) / week[f"means_l{n}_count"] for n in read},
        **{f"above_l{n}_count": int(week[f"above_l{n}_count"]) for n in read},
        **{f"below_l{n}_count": int(week[f"below_l{n}_count"]) for n in read},
    }
    if week["frequency_count"]:
        figures |= {
            "frequency_lowest_hz": week["frequency_lowest_hz"],
            "frequency_highest_hz": week["frequency_highest_hz"],
            "frequency_outside_pct": 100.0 * week["frequency_outside_count"] / week["frequency_count"],
            "frequency_far_count": int(week["frequency_far_count"]),
        }
    return figures


def _picture(
    own: pl.DataFrame, sites: pl.DataFrame, days: pl.DataFrame, phase: int, nominal_v: float
) -> tuple[Series, ...]:
    """The day's means of the worst phase, and the week's days."""
    course = (
        ten_minute_means(own, sites)
        .group_by_dynamic("start_utc", every="30m")
        .agg(*(pl.col(name).max() for name in VOLTAGE_CHANNELS))
    )
    outside = (pl.col(f"below_l{phase}_count") + pl.col(f"above_l{phase}_count")) / pl.col(f"means_l{phase}_count")
    highest = series("highest mean", "V", "measured", course["start_utc"], course[f"voltage_l{phase}_v"])
    shares = days.select(outside.fill_nan(None)).to_series() * 100
    return (
        highest,
        *level("upper limit", "V", "limit", HIGH_RATIO * nominal_v, highest),
        *level("lower limit", "V", "limit", LOW_RATIO * nominal_v, highest),
        *level("nominal", "V", "expected", nominal_v, highest),
        series("outside the band", "%", "measured", days["day"], shares),
        series("trips", "count", "measured", days["day"], days["trips_count"]),
    )
