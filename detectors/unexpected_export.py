"""Energy fed into the grid beyond what the site may feed in.

The connection was granted on a limit; beyond it the network operator may cut the site off, and the owner answers for
it. A site that may not feed in lets a little slip whenever a load drops, until its regulator follows: such transients
are counted, and only what lasts or adds up is raised.
"""

from datetime import date

import numpy as np
import polars as pl

from detectors.clear_sky import daylight_h
from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Verdict

DETECTOR = "unexpected-export"
KIND = "unexpected-export"
RANK = 40
KINDS = {
    KIND: Kind(
        title="Feeds the grid beyond its limit",
        revisit=True,
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

RATING_SHARE = 0.01  # class 1 metering (IEC 62053-21) errs by 1 %; a limiter regulates on such a reading
TRANSIENT_MINUTES = 10.0  # ours: a regulator needs seconds; two 5-min means in a row are no regulating any more
SLIP_H = 2 / 60  # ours: no regulator lets the whole rating through for more than 2 min in one go
DAY_FLOOR_KWH = 0.5  # ours: some 30 slips of 10 kW for 6 s; more in a day is export, whatever its shape
DAY_FLOOR_SHARE = 0.02  # ours: on large sites 2 % of the day's generation, twice the error of a class 1 meter
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the daylight seen, silence proves nothing
MIN_STEP_VALUES = 10  # ours: fewer distinct values do not show a meter's step
STEP_AGREEMENT = 0.95  # ours: so many of the gaps must be whole multiples of the smallest one
IDLE_SHARE = 0.005  # ours: below 0.5 % of the rating nothing is generated or discharged
IMPOSSIBLE_MINUTES = 60.0  # ours: an hour in all of feed-in out of nothing is the sensor, not a stray reading
PICTURE_MINUTES = 15  # 96 points a day


def detect(
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    transient_minutes: float = TRANSIENT_MINUTES,
    min_coverage_pct: float = MIN_COVERAGE_PCT,
) -> list[Verdict]:
    """A finding per site beyond its limit on `day`, in kWh beyond it; sites without a limit are left out."""
    limited = sites.filter(pl.col("feed_in_limit_kw") >= 0).sort("site_id")
    if limited.is_empty():
        return []
    reversed_ids = set(earlier.filter(pl.col("kind") == "meter-reversed")["site_id"])
    flows = _flows(readings, limited, day)
    sums = {row["site_id"]: row for row in _sums(flows, transient_minutes).iter_rows(named=True)}
    verdicts = []
    for site in limited.iter_rows(named=True):
        verdict = _judge(site, sums.get(site["site_id"]), day, site["site_id"] in reversed_ids, min_coverage_pct)
        if isinstance(verdict, Finding):
            own = flows.filter(pl.col("site_id") == verdict.site_id)
            verdict = verdict.model_copy(update={"evidence": {**verdict.evidence, **_picture(own)}})
        if verdict is not None:
            verdicts.append(verdict)
    return verdicts


def _flows(readings: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """The readings of limited sites, in order, with what was fed in, what was too much, and what was impossible."""
    rating_w = pl.coalesce("inverter_kw", "installed_kwp") * 1000
    known = sites.select(
        "site_id",
        "battery_kwh",
        limit_w=pl.col("feed_in_limit_kw") * 1000,
        rating_w=rating_w,
        buffer_w=pl.col("feed_in_buffer_w").fill_null(0.0),
        # Solar noon in UTC to within the equation of time (17 min), near enough for a coverage.
        noon_utc_h=12 - pl.col("longitude") / 15,
        half_day_h=pl.Series(daylight_h(sites["latitude"].to_numpy(), day)) / 2,
    )
    flows = readings.join(known, on="site_id", how="inner").sort("site_id", "ts_utc")
    steps = flows.group_by("site_id").agg(
        step_w=pl.col("grid_w").map_batches(_step_w, return_dtype=pl.Float64, returns_scalar=True)
    )
    hour = pl.col("ts_utc").dt.hour() + pl.col("ts_utc").dt.minute() / 60
    idle_w = IDLE_SHARE * pl.col("rating_w")
    return (
        flows.join(steps, on="site_id", how="left", maintain_order="left")
        .with_columns(
            hours=pl.col("interval_s") / 3600,
            fed_in_w=(-pl.col("grid_w")).clip(lower_bound=0.0),
            tolerance_w=pl.max_horizontal("buffer_w", "step_w", RATING_SHARE * pl.col("rating_w")),
            is_daylight=((hour - pl.col("noon_utc_h") + 12) % 24 - 12).abs() <= pl.col("half_day_h"),
        )
        .with_columns(beyond_w=(pl.col("fed_in_w") - pl.col("limit_w")).clip(lower_bound=0.0))
        .with_columns(
            is_impossible=(
                (pl.col("fed_in_w") > pl.col("tolerance_w"))
                & (pl.col("pv_w") <= idle_w)
                # A battery that is there but not read may be what feeds in.
                & (pl.col("battery_w").fill_null(pl.when(pl.col("battery_kwh").is_null()).then(0.0)) <= idle_w)
            ).fill_null(False)
        )
        .with_columns(
            is_beyond=((pl.col("beyond_w") > pl.col("tolerance_w")) & ~pl.col("is_impossible")).fill_null(False)
        )
    )


def _step_w(grid_w: pl.Series) -> float:
    """The meter's resolution as the values show it, W; 0 where they keep to no common step."""
    values = np.unique(np.round(grid_w.drop_nulls().to_numpy(), 3))
    if len(values) < MIN_STEP_VALUES:
        return 0.0
    gaps = np.diff(values)
    multiples = gaps / gaps.min()
    agreeing = np.abs(multiples - np.round(multiples)) < 0.01  # ours: room for rounding in the export
    return float(gaps.min()) if agreeing.mean() >= STEP_AGREEMENT else 0.0


def _sums(flows: pl.DataFrame, transient_minutes: float) -> pl.DataFrame:
    """Per site the day's energy beyond the limit, its longest and largest run, transients and coverage."""
    gap = pl.col("ts_utc").diff().dt.total_seconds() > 1.5 * pl.col("interval_s")
    turn = pl.col("is_beyond") != pl.col("is_beyond").shift(1)
    runs = (
        flows.with_columns(run=(turn | gap).fill_null(True).cum_sum().over("site_id"))
        .filter("is_beyond")
        .group_by("site_id", "run")
        .agg(
            intervals=pl.len(),
            minutes=pl.col("interval_s").sum() / 60,
            kwh=(pl.col("beyond_w") * pl.col("hours")).sum() / 1000,
            slip_kwh=(pl.col("rating_w").first() * SLIP_H) / 1000,
        )
        .with_columns(
            lasts=(pl.col("minutes") >= transient_minutes)
            & ((pl.col("intervals") > 1) | (pl.col("kwh") > pl.col("slip_kwh")))
        )
        .group_by("site_id")
        .agg(
            lasting=pl.col("lasts").sum(),
            transients=(~pl.col("lasts")).sum(),
            sure_kwh=pl.col("kwh").sum(),
            longest_min=pl.col("minutes").max(),
        )
    )
    seen = pl.col("grid_w").is_not_null() & pl.col("is_daylight")
    return (
        flows.group_by("site_id")
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
        )
        .join(runs, on="site_id", how="left")
        .with_columns(pl.col("lasting", "transients", "sure_kwh", "longest_min").fill_null(0))
    )


def _judge(site: dict, sums: dict | None, day: date, is_reversed: bool, min_coverage_pct: float) -> Verdict | None:
    site_id = site["site_id"]
    if sums is None or sums["grid_readings"] == 0:
        return NotJudged(site_id, day, DETECTOR, "no readings of the grid meter")
    if is_reversed or sums["impossible_min"] >= IMPOSSIBLE_MINUTES:
        reason = "feed-in with nothing generating: the grid sensor's sign or phase is in doubt"
        return NotJudged(site_id, day, DETECTOR, reason)
    floor_kwh = max(DAY_FLOOR_KWH, DAY_FLOOR_SHARE * sums["pv_kwh"])
    if sums["lasting"] == 0 and sums["sure_kwh"] <= floor_kwh:
        coverage_pct = 100.0 if sums["half_day_h"] == 0 else 50.0 * sums["seen_h"] / sums["half_day_h"]
        if coverage_pct < min_coverage_pct:
            return NotJudged(site_id, day, DETECTOR, f"grid meter known for {coverage_pct:.0f} % of the daylight")
        return None
    limit_kw = site["feed_in_limit_kw"]
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
        f"{sums['beyond_min']:.0f} minutes; it {allowed}.",
        measured=f"{sums['beyond_kwh']:.1f} kWh beyond the limit in {sums['beyond_min']:.0f} minutes, "
        f"at most {sums['longest_min']:.0f} minutes in one go",
        expected=f"no more than {limit_kw:g} kW at any time, regulating of a few seconds aside",
        evidence={
            "beyond_kwh": sums["beyond_kwh"],
            "fed_in_kwh": sums["fed_in_kwh"],
            "beyond_min": sums["beyond_min"],
            "longest_min": float(sums["longest_min"]),
            "transients_count": int(sums["transients"]),
            "tolerance_w": sums["tolerance_w"],
            "meter_step_w": sums["step_w"],
            "limit_w": limit_kw * 1000,
        },
    )


def _picture(flows: pl.DataFrame) -> dict[str, EvidenceValue]:
    """The worst interval, the hours of the day, the phases and the day's course, for the picture and the sheet."""
    worst = flows.filter("is_beyond").sort("beyond_w", "ts_utc", descending=[True, False]).row(0, named=True)
    beyond = (pl.col("beyond_w") * pl.col("hours")).filter(~pl.col("is_impossible")) / 1000
    by_hour = dict(flows.group_by(pl.col("ts_local").dt.hour()).agg(beyond.sum()).iter_rows())
    step_min = max(PICTURE_MINUTES, round(int(flows["interval_s"].sort()[-1]) / 60))
    minute = pl.col("ts_local").dt.hour().cast(pl.Int32) * 60 + pl.col("ts_local").dt.minute()
    course = dict(flows.group_by(minute // step_min).agg(pl.col("fed_in_w").mean()).iter_rows())
    phases = {
        f"fed_in_l{n}_kwh": float((flows[f"grid_l{n}_w"].clip(upper_bound=0) * flows["hours"]).sum()) / -1000
        for n in (1, 2, 3)
        if flows[f"grid_l{n}_w"].count() > 0
    }
    return {
        "worst_w": worst["fed_in_w"],
        "worst_utc": worst["ts_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        "by_hour_kwh": [round(by_hour.get(hour, 0.0), 4) for hour in range(24)],
        "fed_in_w": [course.get(place) for place in range(-(-1440 // step_min))],
        "fed_in_step_min": step_min,
        **phases,
    }
