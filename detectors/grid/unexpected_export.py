"""Energy fed into the grid beyond what the site may feed in.

The connection was granted on a limit; beyond it the network operator may cut the site off, and the owner answers for
it. A site that may not feed in feeds a little in whenever a load drops, until its regulator follows: such transients
are counted, and only what lasts or adds up is raised.
"""

from datetime import date, timedelta

import polars as pl

from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Series, Verdict, because, doubts, level, series
from detectors.grid.feed_in_transients import TRANSIENT_MINUTES, as_evidence, buffer_advice, flows, runs
from detectors.grid.mirrored import mirrored_days, one_sided
from detectors.grid.sign_evidence import was_turned
from detectors.losses import FED_IN, DayLoss
from detectors.solar.position import daylight_h

DETECTOR = "unexpected-export"
KIND = "unexpected-export"
RANK = 40
KINDS = {
    KIND: Kind(
        title="Feeds the grid beyond its limit",
        where="desk",
        setting="Feed-in limit set in the inverter",
        now="lets {worst_w:,.0f} W through",
        should_be="{limit_w:,.0f} W",
        visit_if="the limit is set as agreed and does not hold, or cannot be set from afar",
        cause="The feed-in limit is not set in the inverter, was reset, or the inverter does not see the grid meter.",
        next_step="Service desk: compare the limit set in the inverter with the one agreed, from afar if possible, "
        "and correct it today; otherwise send the installer.",
        steps=(
            "Read the feed-in limit set in the inverter and the limit in the connection agreement.",
            "Check that the inverter reads the grid meter: switch a load of 1 kW on and off and watch it follow.",
            "Check that the grid sensor sits on the supply, upstream of every load and every generator.",
            "With the sun out and little load, confirm that feed-in stays at the limit for 15 minutes.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
            "Do not change grid protection settings without the network operator.",
        ),
    )
}
REASONS = {
    "no-feed-in-limit": "the register gives no limit of feed-in",
    "grid-missing": "no readings of the grid meter",
    "grid-sign": "feed-in with nothing generating: the grid sensor's sign or phase is in doubt",
    "low-coverage": "grid meter known for {coverage_pct:.0f} % of the daylight",
}

DAY_FLOOR_KWH = 0.5  # ours: some 30 transients of 10 kW for 6 s; more in a day is export, whatever its shape
MIN_KWH, MIN_H = 0.1, 0.01  # ours: 36 s of the rating; what lasts and gives less is the settling of a regulator
USUAL_QUANTILE = 0.9  # ours: of its own days, nine in ten feed in less by short transients
USUAL_SHARE = 0.1  # ours: of the rating; a regulator that lets more out than this in a mean is not working
USUAL_DAYS = 5  # ours: a working week's habits
DAY_FLOOR_SHARE = 0.02  # ours: on large sites 2 % of the day's generation, twice the error of a class 1 meter
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the daylight seen, silence proves nothing
IMPOSSIBLE_MINUTES = 60.0  # ours: an hour in all of feed-in out of nothing is the sensor, not a stray reading
TURNED_DAYS = 14  # ours: nights that tell the sign may lie a week apart; longer ago somebody may have turned it back
PICTURE_MINUTES = 15  # 96 points a day


def detect(
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    feed_in_transients: pl.DataFrame | None = None,
    meter_signs: pl.DataFrame | None = None,
    *,
    transient_minutes: float = TRANSIENT_MINUTES,
    min_coverage_pct: float = MIN_COVERAGE_PCT,
) -> list[Verdict]:
    """A finding per site beyond its limit on `day`, in kWh beyond it."""
    has_limit = (pl.col("feed_in_limit_kw") >= 0).fill_null(False)
    no_limit = because(REASONS, "no-feed-in-limit")
    others = sites.filter(~has_limit)["site_id"].sort()
    verdicts: list[Verdict] = [NotJudged(site_id, day, DETECTOR, no_limit) for site_id in others]
    limited = sites.filter(has_limit).sort("site_id")
    if limited.is_empty():
        return verdicts
    reversed_ids = {*doubts(earlier, "grid sign"), *_turned_lately(meter_signs, limited, day)}
    rows = _with_daylight(flows(readings, limited), limited, day)
    usual = _usual(feed_in_transients, limited, day)
    known = _sums(rows, transient_minutes).join(usual, on="site_id", how="left")
    sums = {row["site_id"]: row for row in known.iter_rows(named=True)}
    for site in limited.iter_rows(named=True):
        verdict = _judge(site, sums.get(site["site_id"]), day, site["site_id"] in reversed_ids, min_coverage_pct)
        if isinstance(verdict, Finding):
            own = rows.filter(pl.col("site_id") == verdict.site_id)
            advice = _advice(feed_in_transients, limited, site["site_id"], day)
            evidence = {**verdict.evidence, **_worst(own), **advice}
            limit_w = site["feed_in_limit_kw"] * 1000
            verdict = verdict.model_copy(update={"evidence": evidence, "series": _picture(own, limit_w)})
        if verdict is not None:
            verdicts.append(verdict)
    return verdicts


def _turned_lately(meter_signs: pl.DataFrame | None, sites: pl.DataFrame, day: date) -> list[str]:
    """The sites whose grid sensor was turned when its sign was last told: on most days a battery hides it."""
    if meter_signs is None:
        return []
    first = day - timedelta(days=TURNED_DAYS)
    known = meter_signs.filter(pl.col("day") <= day, pl.col("site_id").is_in(sites["site_id"].implode()))
    is_suspect = (pl.col("day") >= first) & (
        (pl.col("fed_h") > 0) | (pl.col("rest_turned_kwh") > 0) | one_sided(pl.col("minus_h"), pl.col("plus_h"))
    )
    own = known.filter(is_suspect.any().over("site_id")).sort("site_id", "day")
    turned = []
    for (site_id,), days in own.group_by("site_id", maintain_order=True):
        rows = list(days.iter_rows(named=True))
        if was_turned([row for row in rows if row["day"] >= first], mirrored_days(rows)):
            turned.append(str(site_id))
    return turned


def _advice(transients: pl.DataFrame | None, sites: pl.DataFrame, site_id: str, day: date) -> dict[str, EvidenceValue]:
    """How the site's regulating looked on the days before, and the buffer that would have served."""
    if transients is None:
        return {}
    own = transients.filter((pl.col("site_id") == site_id) & (pl.col("day") < day))
    return next((as_evidence(row) for row in buffer_advice(own, sites).iter_rows(named=True)), {})


def _usual(transients: pl.DataFrame | None, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, usual_kwh, usual_w]: what the site's own regulation fed in by short transients on the days before."""
    if transients is None:
        return pl.DataFrame(schema={"site_id": pl.String, "usual_kwh": pl.Float64, "usual_w": pl.Float64})
    limit_w = sites.select("site_id", now_w=pl.col("feed_in_limit_kw") * 1000)
    past = (
        transients.filter(pl.col("day") < day).join(limit_w, on="site_id").filter(pl.col("limit_w") == pl.col("now_w"))
    )
    usual = past.group_by("site_id").agg(
        usual_kwh=pl.col("transients_kwh").quantile(USUAL_QUANTILE),
        usual_w=pl.col("transient_w").list.max().fill_null(0.0).quantile(USUAL_QUANTILE),
        days=pl.len(),
    )
    return usual.filter(pl.col("days") >= USUAL_DAYS).drop("days")


def _with_daylight(rows: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    half_day = sites.select("site_id", half_day_h=pl.Series(daylight_h(sites["latitude"].to_numpy(), day)) / 2)
    hour = pl.col("ts_utc").dt.hour() + pl.col("ts_utc").dt.minute() / 60
    # Solar noon in UTC to within the equation of time (17 min), near enough for a coverage.
    noon_utc_h = 12 - pl.col("longitude") / 15
    from_noon = ((hour - noon_utc_h + 12) % 24 - 12).abs()
    known = rows.join(half_day, on="site_id", how="left", maintain_order="left")
    return known.with_columns(is_daylight=from_noon <= pl.col("half_day_h"))


def _sums(rows: pl.DataFrame, transient_minutes: float) -> pl.DataFrame:
    """Per site the day's energy beyond the limit, its longest and largest run, transients and coverage."""
    beyond = (
        runs(rows, "is_beyond", transient_minutes)
        .group_by("site_id", "run")
        .agg(pl.col("lasts", "kwh", "minutes").first())
        .group_by("site_id")
        .agg(
            lasting_kwh=pl.col("kwh").filter("lasts").sum(),
            lasting_h=pl.col("minutes").filter("lasts").sum() / 60,
            transients=(~pl.col("lasts")).sum(),
            sure_kwh=pl.col("kwh").sum(),
            longest_min=pl.col("minutes").max(),
        )
    )
    seen = pl.col("grid_w").is_not_null() & pl.col("is_daylight")
    return (
        rows.group_by("site_id")
        .agg(
            beyond_kwh=(pl.col("beyond_w") * pl.col("hours")).filter(~pl.col("is_impossible")).sum() / 1000,
            beyond_min=pl.col("interval_s").filter("is_beyond").sum() / 60,
            impossible_min=pl.col("interval_s").filter("is_impossible").sum() / 60,
            pv_kwh=(pl.col("pv_w") * pl.col("hours")).sum() / 1000,
            fed_in_kwh=(pl.col("fed_in_w") * pl.col("hours")).sum() / 1000,
            seen_h=pl.col("hours").filter(seen).sum(),
            grid_readings=pl.col("grid_w").count(),
            half_day_h=pl.col("half_day_h").first(),
            tolerance_w=pl.col("tolerance_w").first(),
            step_w=pl.col("step_w").first(),
            rating_kw=pl.col("rating_w").first() / 1000,
        )
        .join(beyond, on="site_id", how="left")
        .with_columns(pl.col("lasting_kwh", "lasting_h", "transients", "sure_kwh", "longest_min").fill_null(0))
    )


def _judge(site: dict, sums: dict | None, day: date, is_reversed: bool, min_coverage_pct: float) -> Verdict | None:
    site_id = site["site_id"]
    if sums is None or sums["grid_readings"] == 0:
        return NotJudged(site_id, day, DETECTOR, because(REASONS, "grid-missing"))
    if is_reversed or sums["impossible_min"] >= IMPOSSIBLE_MINUTES:
        return NotJudged(site_id, day, DETECTOR, because(REASONS, "grid-sign"))
    floor_kwh = max(DAY_FLOOR_KWH, DAY_FLOOR_SHARE * sums["pv_kwh"])
    explained_kwh = _explained_kwh(sums, floor_kwh)
    if sums["lasting_kwh"] <= explained_kwh and sums["sure_kwh"] <= floor_kwh:
        coverage_pct = 100.0 if sums["half_day_h"] == 0 else 50.0 * sums["seen_h"] / sums["half_day_h"]
        if coverage_pct < min_coverage_pct:
            reason = because(REASONS, "low-coverage", coverage_pct=coverage_pct)
            return NotJudged(site_id, day, DETECTOR, reason)
        return None
    limit_kw = site["feed_in_limit_kw"]
    explained_w = max(sums["tolerance_w"], min(sums["usual_w"] or 0.0, USUAL_SHARE * sums["rating_kw"] * 1000))
    paid = sums["beyond_kwh"] * (site["feed_in_price"] or 0.0)
    allowed = "may not feed the grid" if limit_kw == 0 else f"may feed in {limit_kw:g} kW"
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="urgent",
        value=sums["beyond_kwh"],
        unit="kWh",
        threshold=0.0,  # nothing may pass the limit; what is only regulating was sorted out above
        summary=f"Fed {sums['beyond_kwh']:.1f} kWh into the grid beyond its limit within "
        f"{sums['beyond_min']:.0f} minutes; it {allowed}. Its meter's resolution and its own regulation explain "
        f"{explained_kwh:.2f} kWh and {explained_w:,.0f} W.",
        measured=f"{sums['beyond_kwh']:.1f} kWh beyond the limit in {sums['beyond_min']:.0f} minutes, "
        f"at most {sums['longest_min']:.0f} minutes in one go",
        expected=f"no more than {limit_kw:g} kW at any time, regulating of a few seconds aside",
        # At stake is also what was paid for it: nobody is bound to pay for what may not be fed in.
        losses=(DayLoss(day, sums["beyond_kwh"], paid, FED_IN),),
        evidence={
            "beyond_kwh": sums["beyond_kwh"],
            "fed_in_kwh": sums["fed_in_kwh"],
            "beyond_min": sums["beyond_min"],
            "longest_min": float(sums["longest_min"]),
            "transients_count": int(sums["transients"]),
            "tolerance_w": sums["tolerance_w"],
            "explained_kwh": explained_kwh,
            "explained_w": explained_w,
            "usual_transients_kwh": sums["usual_kwh"],
            "at_stake_text": f"{paid:.2f} {site['currency'] or ''} at the feed-in price".replace("  ", " "),
            "meter_step_w": sums["step_w"],
            "limit_w": limit_kw * 1000,
        },
    )


def _explained_kwh(sums: dict, floor_kwh: float) -> float:
    """What may last and be no export: by the meter's resolution, and by what the site's transients usually give.

    A site that lets out more than a day may hold is not excused by doing so every day.
    """
    min_kwh = max(MIN_KWH, MIN_H * sums["rating_kw"])
    rounded = sums["step_w"] * sums["lasting_h"] / 1000
    return float(max(min_kwh, rounded, min(sums["usual_kwh"] or 0.0, floor_kwh)))


def _picture(rows: pl.DataFrame, limit_w: float) -> tuple[Series, ...]:
    """The day's course of what was fed in, and what of it lay beyond the limit by the hour."""
    step_min = max(PICTURE_MINUTES, round(int(rows["interval_s"].sort()[-1]) / 60))
    course = rows.group_by(pl.col("ts_utc").dt.truncate(f"{step_min}m")).agg(pl.col("fed_in_w").mean()).sort("ts_utc")
    beyond = (pl.col("beyond_w") * pl.col("hours")).filter(~pl.col("is_impossible")) / 1000
    by_hour = rows.group_by(pl.col("ts_utc").dt.truncate("1h")).agg(beyond_kwh=beyond.sum()).sort("ts_utc")
    fed_in = series("fed in", "W", "measured", course["ts_utc"], course["fed_in_w"])
    return (
        fed_in,
        *level("limit", "W", "limit", limit_w, fed_in),
        series("beyond the limit", "kWh", "measured", by_hour["ts_utc"], by_hour["beyond_kwh"]),
    )


def _worst(rows: pl.DataFrame) -> dict[str, EvidenceValue]:
    """The worst interval, and what each phase fed in."""
    worst = rows.filter("is_beyond").sort("beyond_w", "ts_utc", descending=[True, False]).row(0, named=True)
    phases = {
        f"fed_in_l{n}_kwh": float((rows[f"grid_l{n}_w"].clip(upper_bound=0) * rows["hours"]).sum()) / -1000
        for n in (1, 2, 3)
        if rows[f"grid_l{n}_w"].count() > 0
    }
    return {
        "worst_w": worst["fed_in_w"],
        "worst_utc": worst["ts_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        **phases,
    }
