"""A battery that was discharged below its reserve although the grid was there.

The reserve is what the owner lives on when the grid fails, and what the battery's maker asks for. With the grid out
the battery may go down to its backup floor; and a battery at rest sinks by some per cent, which is no discharge.

Without a voltage, a frequency or a flow nobody can tell of one night whether the grid was there. Of several nights on
which it passed its reserve without a stop, none between them on which it stopped there, somebody can: an outage would
have had to begin before it came to its reserve on each of them.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from detectors.battery.flows import (
    NO_RESERVE,
    RESERVE_BAND_PCT,
    courses,
    flows,
    soc_steps,
    with_battery,
    without_battery,
)
from detectors.battery.levels import as_evidence, difference, is_settled_lower, reserve_words, with_levels
from detectors.battery.rest_states import MARGIN_PCT
from detectors.finding import Finding, Kind, NotJudged, Reason, Series, Verdict, because, doubts, level
from detectors.frames import VOLTAGE_CHANNELS

DETECTOR = "battery-below-reserve"
KIND = "battery-below-reserve"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery discharged below its reserve",
        close_after=3,
        where="desk",
        setting="Reserve set in the battery",
        now="went down to {lowest_pct:.0f} %",
        should_be="{reserve_pct:.0f} %",
        visit_if="the reserve is set as agreed and the level falls below it again",
        cause="The reserve set in the battery is lower than the one in the register, a schedule overrides it, "
        "or the battery's reading jumps.",
        next_step="Service desk: compare the reserve set in the battery with the register and correct it from afar; "
        "send the installer if the level falls below it again.",
        steps=(
            "Read the reserve that is set, and the lowest state of charge in every schedule.",
            "Look for jumps of the state of charge, and let the battery make a full charge to find its level again.",
            "In the evening, confirm that discharge stops at the reserve while the house imports.",
        ),
        cautions=(
            "Qualified persons only. Isolate AC, then PV DC, then the battery; lock, tag, prove dead, "
            "wait for the capacitors.",
            "A backup output can be live with the grid off.",
        ),
    )
}
REASONS = {
    "no-reserve": NO_RESERVE,
    "soc-missing": "state of charge missing",
    "battery-sign": "state of charge rises while the battery is said to discharge: its sign is in doubt",
    "battery-power-missing": "below its reserve, but battery power missing: it may have sunk by itself",
    "grid-presence-unknown": "below its reserve, but it cannot be told whether the grid was there",
    "not-discharged": "lay below its reserve, at {lowest_pct:.0f} %, without being discharged further",
    "low-coverage": "state of charge known for {seen_h:.0f} h of the day",
}

LIVE_RATIO = 0.5  # ours: above half of the nominal voltage or frequency the grid is there, whatever its quality
DIP_RATIO = 0.85  # EN 50160 (second hand): supply stays above 85 % of nominal; a mean below hides an interruption
FLOWING_W = 20.0  # common practice: a site that may not feed in keeps up an import of 20 W; a lost grid shows none
NOTHING_W = 1.0  # a meter's last digit, where it shows watts
STILL_V, STILL_HZ = 0.05, 0.005  # ours: half of a sensor's last digit; a public grid moves further between two readings
FLOW_MINUTES = 30  # ours: in half an hour a house's load changes, and with it, for a moment, what the grid gives
TAKEN_KWH = 0.1  # ours: as much as some minutes of a house; less is a regulator's tail
TAKEN_SHARE = 0.01  # ours: one step of a reading in whole per cent
ONE_ROW_SHARE = 0.05  # ours: a single interval counts if it took more than a jump of the reading would hide ...
RISE_PCT = 1.0  # ours: a charge that rises meanwhile was not discharged: the battery's sign is in doubt
MIN_SEEN_H = 12.0  # ours: with less than half a day known, a quiet day proves nothing
PASSED_NIGHTS, PASSED_WITHIN_DAYS = 3, 14  # ours: outages come and go, and never pass by where it would have stopped
PEAK_SHARE = 0.9  # ours, of the import limit: controls begin before it, and means hold minutes on either side
STOP_H = 0.5  # ours: shorter rests are switching, or a step of the reading


def detect(
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    levels: pl.DataFrame | None = None,
    battery_rests: pl.DataFrame | None = None,
    *,
    band_pct: float = RESERVE_BAND_PCT,
) -> list[Verdict]:
    """A finding per site whose battery gave energy below its reserve on `day` with the grid there, in % of charge."""
    own_sites = with_levels(with_battery(sites), levels, day)
    verdicts = without_battery(sites, DETECTOR, day)
    if own_sites.is_empty():
        return verdicts
    doubted = doubts(earlier, "time", "charge")
    rows = flows(readings, own_sites, *VOLTAGE_CHANNELS, "frequency_hz")
    charges = _charges(rows, band_pct)
    # Nothing was taken below the reserve at most sites, and nobody asks whether the grid was there.
    low = charges.filter(pl.col("lowest_pct") < pl.col("reserve_pct"))["site_id"]
    rows = _with_grid(rows.filter(pl.col("site_id").is_in(low.implode())))
    rows = rows.with_columns(is_peak=_is_peak(dict(own_sites.select("site_id", "import_limit_kw").iter_rows())))
    # Outages do not end at one level evening after evening: a setting stops the discharge there, with the grid there.
    lower = own_sites.filter(is_settled_lower())["site_id"].to_list()
    is_setting = pl.col("site_id").is_in(lower) & pl.col("grid").is_null() & ~pl.col("is_alone")
    rows = rows.with_columns(grid=pl.when(is_setting).then(True).otherwise("grid"))
    sums = {row["site_id"]: row for row in _sums(rows, band_pct).iter_rows(named=True)}
    unsure = [site_id for site_id, one in sums.items() if one["is_unsure"] and not one["has_sensor"]]
    passed: dict[str, Passed] = {}
    if battery_rests is not None and unsure:
        passed = _passed(battery_rests, own_sites.filter(pl.col("site_id").is_in(unsure)), day, band_pct)
        told = rows.filter(pl.col("site_id").is_in(list(passed))).with_columns(pl.col("grid").fill_null(True))
        sums |= {row["site_id"]: row for row in _sums(told, band_pct).iter_rows(named=True)}
    charge_of = {row["site_id"]: row for row in charges.iter_rows(named=True)}
    raised = []
    for site in own_sites.iter_rows(named=True):
        site_id = site["site_id"]
        reason = doubted.get(site_id) or _unknown(charge_of.get(site_id), sums.get(site_id))
        if reason is None and site["battery_reserve_pct"] is None:
            reason = because(REASONS, "no-reserve")
        if reason is not None:
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif site_id in sums and sums[site_id]["is_below"]:
            raised.append(site)
    pictures = courses(rows, [site["site_id"] for site in raised], "soc_pct", "battery_w")
    for site in raised:
        site_id = site["site_id"]
        verdicts.append(_finding(site, sums[site_id], passed.get(site_id), pictures[site_id], day, band_pct))
    return verdicts


def _is_peak(limits_kw: Mapping[str, float | None]) -> pl.Expr:
    """Whether the house asks, in a row or one beside it, for more than a site's import limit; of rows in order."""
    limit_w = 1000 * pl.col("site_id").replace_strict(limits_kw, return_dtype=pl.Float64, default=None)
    asks = (pl.col("grid_w") + pl.col("battery_w") >= PEAK_SHARE * limit_w).fill_null(False)
    before, after = (asks.shift(by).over("site_id").fill_null(False) for by in (1, -1))
    return asks | before | after


def _with_grid(rows: pl.DataFrame) -> pl.DataFrame:
    """`rows` with `grid`: true = there, false = out, null = not to be told.

    A voltage says it first, then the frequency, then a flow, which must be seen shortly before and shortly after: a
    house that lives on its battery imports next to nothing, but a grid that is there shows in every change of load.
    A sensor that stands still while nothing flows may read the voltage that the inverter makes for the house alone.
    """
    usual_v = pl.col("volts").filter(pl.col("volts") > LIVE_RATIO * pl.col("nominal_voltage_v")).median()
    rows = rows.with_columns(volts=pl.max_horizontal(VOLTAGE_CHANNELS))
    rows = rows.join(rows.group_by("site_id").agg(usual_v=usual_v), on="site_id", how="left", maintain_order="left")
    rows = rows.with_columns(is_alone=_may_be_alone())
    live_v = pl.col("volts") > LIVE_RATIO * pl.col("nominal_voltage_v")
    is_dip = pl.col("volts") < DIP_RATIO * pl.col("usual_v")
    live_hz = pl.col("frequency_hz") > LIVE_RATIO * pl.col("nominal_frequency_hz")
    # What is filled in across the edge of a site lies back in time, out of reach.
    at = pl.when(pl.col("grid_w").abs() > FLOWING_W).then("ts_utc")
    reach = pl.max_horizontal(pl.duration(minutes=FLOW_MINUTES), pl.duration(seconds=pl.col("hours") * 3600))
    before = (pl.col("ts_utc") - at.forward_fill()).is_between(pl.duration(), reach)
    after = (at.backward_fill() - pl.col("ts_utc")).is_between(pl.duration(), reach)
    # A grid that is out reads as nothing at all; one that is there is never hit to the watt for long.
    flows_by = pl.when(before & after & (pl.col("grid_w").abs() >= NOTHING_W)).then(True)
    is_there = pl.coalesce(live_v, live_hz, flows_by)
    grid = pl.when((live_v & is_dip) | (pl.col("is_alone") & is_there)).then(None).otherwise(is_there)
    rows = rows.with_columns(grid=grid)
    # An interval beside an outage may hold a part of it.
    is_out = ~pl.col("grid") | pl.col("is_alone")
    beside = (pl.col("is_next") & is_out.shift(1)).fill_null(False) | (
        pl.col("is_next").shift(-1) & is_out.shift(-1)
    ).fill_null(False)
    # ... and a sensor says that the grid was there: a mean flow may be that of the minutes before it was lost.
    return rows.with_columns(
        grid=pl.when(pl.col("grid") & beside).then(None).otherwise("grid"),
        is_sensed=(pl.coalesce(live_v, live_hz) & ~beside).fill_null(False),
    )


def _may_be_alone() -> pl.Expr:
    """Whether nothing flows, and meanwhile the grid's sensors stand still that move while something flows, or are lost.

    Of rows in order of site and time.
    """
    nothing = (pl.col("grid_w").abs() < NOTHING_W).fill_null(False)
    begins = (nothing != nothing.shift(1)) | ~pl.col("is_next") | (pl.col("site_id") != pl.col("site_id").shift(1))
    run = begins.fill_null(True).cum_sum()
    stands, moves_on = [], []
    for name, max_change in (("volts", STILL_V), ("frequency_hz", STILL_HZ)):
        value = pl.col(name)
        moves = (value.filter(~nothing).max() - value.filter(~nothing).min()).over("site_id") > max_change
        rests = (value.max() - value.min()).over(run) <= max_change
        is_lost = value.is_null().all().over(run) & value.is_not_null().any().over("site_id")
        stands.append((moves & rests).fill_null(False) | is_lost)
        moves_on.append((moves & ~rests).fill_null(False))
    return nothing & pl.any_horizontal(stands) & ~pl.any_horizontal(moves_on)


def _charges(rows: pl.DataFrame, band_pct: float) -> pl.DataFrame:
    """A row per site: how long its state of charge was known, its lowest, and the lowest that a reserve allows."""
    return rows.group_by("site_id").agg(
        soc_h=pl.col("hours").filter(pl.col("soc_pct").is_not_null()).sum(),
        lowest_pct=pl.col("soc_pct").min(),
        reserve_pct=pl.col("battery_reserve_pct").first() - band_pct,
    )


def _sums(rows: pl.DataFrame, band_pct: float) -> pl.DataFrame:
    """A row per site: what was taken below the reserve with the grid there, or not to be told."""
    low = (pl.col("soc_pct") < pl.col("battery_reserve_pct") - band_pct) & (pl.col("battery_w") > pl.col("idle_w"))
    kwh = pl.col("battery_w") * pl.col("hours") / 1000
    at_peaks = low.fill_null(False) & pl.col("is_peak")
    low = low.fill_null(False) & ~pl.col("is_peak")
    there, unsure = low & pl.col("grid").fill_null(False), low & pl.col("grid").is_null()
    soc = pl.col("soc_pct")
    rows = rows.with_columns(fall=pl.min_horizontal(*soc_steps()))
    sums = rows.group_by("site_id", maintain_order=True).agg(
        battery_h=pl.col("hours").filter(pl.col("battery_w").is_not_null()).sum(),
        below_pct=soc.filter(there).min(),
        below_h=pl.col("hours").filter(there).sum(),
        below_kwh=kwh.filter(there).sum(),
        below_rows=there.sum(),
        sensed_kwh=kwh.filter(there & pl.col("is_sensed")).sum(),
        unsure_kwh=kwh.filter(unsure).sum(),
        peak_kwh=kwh.filter(at_peaks).sum(),
        has_sensor=pl.any_horizontal(pl.col("volts", "frequency_hz").is_not_null()).any(),
        change_pct=pl.col("fall").filter(there).sum(),
        outage_h=pl.col("hours").filter(~pl.col("grid")).sum(),
        deepest_utc=pl.col("ts_utc").filter(there & (soc == soc.filter(there).min())).first(),
        need_kwh=pl.max_horizontal(pl.lit(TAKEN_KWH), TAKEN_SHARE * pl.col("battery_kwh").first()),
        single_kwh=ONE_ROW_SHARE * pl.col("battery_kwh").first(),
    )
    enough = (pl.col("below_kwh") >= pl.col("need_kwh")) & (
        (pl.col("below_rows") > 1) | (pl.col("sensed_kwh") >= pl.col("single_kwh"))
    )
    return sums.with_columns(
        is_below=enough & (pl.col("change_pct") <= RISE_PCT),
        is_odd=enough & (pl.col("change_pct") > RISE_PCT),
        is_unsure=~enough & (pl.col("unsure_kwh") >= pl.col("need_kwh")),
    )


class Passed(NamedTuple):
    """Nights on which a battery passed its reserve without a stop."""

    nights: int
    first: date


def _passed(battery_rests: pl.DataFrame, own_sites: pl.DataFrame, day: date, band_pct: float) -> dict[str, Passed]:
    """Site -> the nights of a fortnight, `day` the last, on which it gave below its reserve, and the first of them.

    Of sites that since the first of them never stopped at their reserve, and mostly not at their backup floor either,
    which is where outages end it.
    """
    about = own_sites.select("site_id", "battery_reserve_pct", "battery_backup_floor_pct")
    days_ago = (pl.lit(day) - pl.col("day")).dt.total_days()
    rows = battery_rests.filter(days_ago.is_between(0, PASSED_WITHIN_DAYS - 1)).join(about, on="site_id")
    reserve, low = pl.col("battery_reserve_pct"), pl.col("lowest_use_pct")
    is_below = (low < reserve - band_pct).fill_null(False)
    at_reserve = (pl.col("level_pct") - reserve).abs() <= MARGIN_PCT
    stopped = (at_reserve & (pl.col("level_h") >= STOP_H) & ~is_below).fill_null(False)
    at_floor = ((low - pl.col("battery_backup_floor_pct")).abs() <= MARGIN_PCT).fill_null(False)
    by_site = rows.group_by("site_id").agg(
        nights=is_below.sum(),
        first=pl.col("day").filter(is_below).min(),
        last=pl.col("day").filter(is_below).max(),
        stopped_last=pl.col("day").filter(stopped).max(),
        floor_nights=(is_below & at_floor).sum(),
    )
    told = by_site.filter(
        pl.col("nights") >= PASSED_NIGHTS,
        pl.col("last") == day,
        (pl.col("stopped_last") < pl.col("first")).fill_null(True),
        2 * pl.col("floor_nights") <= pl.col("nights"),
    )
    return {site_id: Passed(*rest) for site_id, *rest in told.select("site_id", "nights", "first").iter_rows()}


def _unknown(charge: Mapping[str, Any] | None, sums: Mapping[str, Any] | None) -> Reason | None:
    """Why nothing can be said of the day; None = something can. `sums`: None where the charge was never too low."""
    if charge is None:
        return because(REASONS, "no-readings")
    if not charge["soc_h"]:
        return because(REASONS, "soc-missing")
    if charge["reserve_pct"] is None:
        return because(REASONS, "no-reserve")
    if sums is not None:
        if sums["is_below"]:
            return None
        if sums["is_odd"]:
            return because(REASONS, "battery-sign")
        if not sums["battery_h"]:
            return because(REASONS, "battery-power-missing")
        if sums["is_unsure"]:
            return because(REASONS, "grid-presence-unknown")
        if not sums["outage_h"] and not sums["peak_kwh"]:
            return because(REASONS, "not-discharged", lowest_pct=charge["lowest_pct"])
    if charge["soc_h"] < MIN_SEEN_H:
        return because(REASONS, "low-coverage", seen_h=charge["soc_h"])
    return None


def _finding(
    site: Mapping[str, Any],
    sums: Mapping[str, Any],
    passed: Passed | None,
    picture: tuple[Series, ...],
    day: date,
    band_pct: float,
) -> Finding:
    reserve_pct = site["battery_reserve_pct"]
    grid, sensed = "with the grid there", ""
    if passed is not None:
        grid = f"without a stop at it, on {passed.nights} nights of a fortnight"
        sensed = " Nothing here measures whether the grid was there."
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        # A reserve that nobody wrote down may have been set anew on purpose.
        severity="watch" if site["is_reserve_learned"] or passed is not None else "soon",
        value=sums["below_pct"],
        unit="%",
        threshold=reserve_pct - band_pct,
        summary=f"Battery discharged to {sums['below_pct']:.0f} % {grid}; its reserve is "
        f"{reserve_words(site)}. It gave {sums['below_kwh']:.1f} kWh below it.{difference(site)}{sensed}",
        measured=f"{sums['below_kwh']:.1f} kWh discharged below the reserve in {sums['below_h']:.1f} h, "
        f"down to {sums['below_pct']:.0f} %",
        expected=f"no discharge below {reserve_words(site)} while the grid is there",
        since=None if passed is None else passed.first,
        evidence={
            "lowest_pct": sums["below_pct"],
            "reserve_pct": reserve_pct,
            "backup_floor_pct": site["battery_backup_floor_pct"],
            "below_kwh": sums["below_kwh"],
            "below_h": sums["below_h"],
            "outage_h": sums["outage_h"],
            "peak_kwh": sums["peak_kwh"],
            "passed_nights_count": None if passed is None else passed.nights,
            "deepest_utc": sums["deepest_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
            **as_evidence(site),
        },
        series=(*picture, *level("reserve", "%", "limit", reserve_pct, picture[0])),
    )
