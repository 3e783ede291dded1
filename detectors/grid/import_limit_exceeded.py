"""Import above the limit that peak shaving is set to hold.

The owner pays for the month's highest mean, or the fuse has no room for more. A battery at its reserve cannot shave:
that is told apart, since the remedy is another reserve or a larger battery and no fault of the control.
"""

from datetime import date

import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Severity, Verdict, because, doubts, level, series
from detectors.grid.meter import GRID_W, block_means, meter_resolution

DETECTOR = "import-limit-exceeded"
KIND = "import-limit-exceeded"
RANK = 40
KINDS = {
    KIND: Kind(
        title="Imports more than its peak shaving allows",
        open_after=2,
        within=7,
        close_after=5,
        where="desk",
        setting="Import limit set in the inverter",
        now="lets {highest_mean_w:,.0f} W through",
        should_be="{import_limit_w:,.0f} W",
        visit_if="the limit is set as agreed and does not hold",
        cause="Peak shaving is switched off or set to another level, the battery had nothing left, or it cannot "
        "deliver as much as the load takes.",
        next_step="Service desk: compare the import limit set in the inverter with the register's from afar; if the "
        "battery lay at its reserve, raise the charge that is kept for peaks.",
        steps=(
            "Read the import limit, the operating mode and the reserve that are set.",
            "Check that the grid meter is read by the battery's inverter, upstream of every load.",
            "Switch on loads above the limit with the battery charged, and watch it hold for 15 minutes.",
            "Compare the battery inverter's rating with the highest load beyond the limit.",
        ),
        cautions=("Qualified persons only, under local codes and the network operator's rules.",),
    )
}
REASONS = {
    "no-import-limit": "the register gives no limit of import",
    "grid-missing": "no readings of the grid meter",
    "low-coverage": "grid meter known for {coverage_pct:.0f} % of the day",
}

MEAN_MINUTES = 10  # ours: shorter peaks are a load's inrush and the regulator's reach; demand is billed by 10-30 min
METER_SHARE = 0.02  # class 1 metering (IEC 62053-21) errs by 1 %; the meter that regulates and the one read, by two
COVERED_MINUTES = 7.5  # ours: a mean stands for its block once three quarters of it are read
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the day seen, silence proves nothing
NEAR_RESERVE_PCT = 2.0  # the contract's site-day: within 2 % of the reserve is at the floor
IDLE_W = 50.0  # ours: an inverter's own standby
PICTURE_MINUTES = 30
CHANNELS = ["grid_w", "battery_w", "soc_pct"]


def detect(
    readings: pl.DataFrame, sites: pl.DataFrame, earlier: pl.DataFrame, day: date, *, mean_minutes: int = MEAN_MINUTES
) -> list[Verdict]:
    """A finding per site with an import limit whose import went beyond it on `day`, in W of the highest mean."""
    has_limit = pl.col("import_limit_kw").is_not_null()
    no_limit = because(REASONS, "no-import-limit")
    others = sites.filter(~has_limit)["site_id"].sort()
    verdicts: list[Verdict] = [NotJudged(site_id, day, DETECTOR, no_limit) for site_id in others]
    limited = sites.filter(has_limit).sort("site_id")
    if limited.is_empty():
        return verdicts
    doubted = doubts(earlier, "grid sign")
    own = readings.join(limited.select("site_id"), on="site_id", how="semi")
    own = own.with_columns(GRID_W.alias("grid_w")).filter(pl.col("grid_w").is_not_null())
    resolution = dict(meter_resolution(own, ["site_id"]).iter_rows())
    means = block_means(own, CHANNELS, mean_minutes, ["site_id"])
    by_site = {site_id: part for (site_id,), part in means.partition_by("site_id", as_dict=True).items()}
    for site in limited.iter_rows(named=True):
        site_id = site["site_id"]
        if site_id in doubted:
            verdicts.append(NotJudged(site_id, day, DETECTOR, doubted[site_id]))
        elif site_id not in by_site:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "grid-missing")))
        elif verdict := _judge(site, by_site[site_id], resolution[site_id], day, mean_minutes):
            verdicts.append(verdict)
    return verdicts


def _judge(site: dict, means: pl.DataFrame, step_w: float, day: date, mean_minutes: int) -> Verdict | None:
    limit_w = site["import_limit_kw"] * 1000
    tolerance_w = max(METER_SHARE * limit_w, step_w)
    enough = pl.col("minutes") >= COVERED_MINUTES * mean_minutes / MEAN_MINUTES
    over = means.filter(enough & (pl.col("grid_w") > limit_w + tolerance_w))
    if over.is_empty():
        coverage_pct = 100 * float(means["minutes"].sum()) / 1440
        if coverage_pct < MIN_COVERAGE_PCT:
            reason = because(REASONS, "low-coverage", coverage_pct=coverage_pct)
            return NotJudged(site["site_id"], day, DETECTOR, reason)
        return None
    return _finding(site, means, over, tolerance_w, day)


def _battery(site: dict, worst: dict) -> tuple[str, bool]:
    """What the battery was doing in the worst mean, and whether it could have helped."""
    soc, flow = worst["soc_pct"], worst["battery_w"]
    if site["battery_kwh"] is None and flow is None:
        return "no battery in the register", False
    if flow is not None and flow < -IDLE_W:
        return f"the battery was charging with {-flow:.0f} W", True
    if soc is None:
        return "the battery's state of charge is not read", True
    if site["battery_reserve_pct"] is None:
        return f"the battery held {soc:.0f} %, and the register gives no reserve", True
    if soc <= site["battery_reserve_pct"] + NEAR_RESERVE_PCT:
        return f"the battery lay at its reserve ({soc:.0f} %), so it had nothing to give", False
    given = "" if flow is None else f" and gave {max(flow, 0.0):.0f} W"
    return f"the battery held {soc:.0f} %{given}", True


def _finding(site: dict, means: pl.DataFrame, over: pl.DataFrame, tolerance_w: float, day: date) -> Finding:
    limit_w = site["import_limit_kw"] * 1000
    worst = over.sort("grid_w", "start_utc", descending=[True, False]).row(0, named=True)
    beyond_w = worst["grid_w"] - limit_w
    state, could_help = _battery(site, worst)
    severity: Severity = "soon" if could_help else "watch"
    minutes = float(over["minutes"].sum())
    beyond_kwh = float(((over["grid_w"] - limit_w) * over["minutes"]).sum()) / 60000
    course = means.group_by(pl.col("start_utc").dt.truncate(f"{PICTURE_MINUTES}m")).agg(pl.col("grid_w").max())
    course = course.sort("start_utc")
    imported = series("import", "W", "measured", course["start_utc"], course["grid_w"])
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity=severity,
        value=beyond_w,
        unit="W",
        threshold=tolerance_w,
        summary=f"Imported up to {worst['grid_w'] / 1000:.2f} kW, {beyond_w:.0f} W over its limit of "
        f"{site['import_limit_kw']:g} kW, and stayed over it for {minutes:.0f} minutes; {state}.",
        measured=f"highest mean {worst['grid_w']:.0f} W, {minutes:.0f} minutes over the limit; {state}",
        expected=f"no mean above {limit_w:.0f} W while the battery is above its reserve",
        evidence={
            "highest_mean_w": worst["grid_w"],
            "import_limit_w": limit_w,
            "tolerance_w": tolerance_w,
            "beyond_min": minutes,
            "beyond_kwh": beyond_kwh,
            "mean_min": float(worst["minutes"]),
            "worst_utc": worst["start_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
            "battery_text": state,
            "battery_soc_pct": worst["soc_pct"],
            "battery_w": worst["battery_w"],
            "reserve_pct": site["battery_reserve_pct"],
        },
        series=(imported, *level("import limit", "W", "limit", limit_w, imported)),
    )
