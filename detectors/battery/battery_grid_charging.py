"""A battery that charges from the grid where that was not agreed.

Mostly a schedule left on: the owner buys by night what the roof would have given by day, and the sun of the next
morning finds the battery full. Charge beyond what the roof makes can only come from the grid; what the house draws
beside it, on whatever phase, does not matter then. A nearly empty battery that is topped up to its reserve is kept
alive, and is no fault.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from detectors.battery.flows import courses, flows, soc_steps, sunlight, with_battery, without_battery
from detectors.battery.levels import with_levels
from detectors.battery.rest_states import is_full
from detectors.finding import Finding, Kind, NotJudged, Reason, Series, Verdict, because, doubts

DETECTOR = "battery-grid-charging"
KIND = "battery-grid-charging"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery charges from the grid",
        open_after=2,
        within=7,
        close_after=3,
        where="desk",
        setting="Charging from the grid",
        now="on: {from_grid_kwh:.1f} kWh on the day",
        should_be="off, as in the register",
        visit_if="no schedule and no tariff mode explains the charge",
        cause="A charging schedule or a tariff mode allows charging from the grid, though that was not agreed.",
        next_step="Service desk: switch charging from the grid off from afar, or ask the owner whether it is meant and "
        "note it in the register.",
        steps=(
            "Read all charging schedules and the setting for charging from the grid.",
            "Switch it off and note the setting in the register.",
            "Check that the generation meter sees every inverter: charge from one that is not metered looks alike.",
            "In the next night, confirm that the state of charge does not rise.",
        ),
        cautions=("Qualified persons only, under local codes and the network operator's rules.",),
    )
}
REASONS = {
    "charging-agreed": "charging from the grid is agreed",
    "no-backup-floor": (
        "charged {top_up_kwh:.1f} kWh from the grid, which may have kept it at its floor: "
        "the register gives no backup floor"
    ),
    "channel-missing": "{channel} missing",
    "battery-sign": "state of charge falls while the battery is said to charge: its sign is in doubt",
    "low-coverage": "generation, battery and grid known together for {seen_h:.0f} h of the day",
}

FROM_GRID_RATIO = 0.5  # ours: an interval counts when most of its charge can only have come from the grid
MIN_KWH = 0.3  # ours: half an hour of a small battery's charge; regulating and lagging meters stay below
MIN_SHARE = 0.03  # ours: the same for batteries above 10 kWh, in terms of the capacity
TOP_UP_PCT = 5.0  # ours: charging that ends this little above the reserve only lifted the battery to it
TOP_UP_SHARE = 0.10  # ours: a nearly empty battery is lifted by a tenth or less
FALL_PCT = 1.0  # ours: a state of charge that falls meanwhile was not charged: the battery's sign is in doubt
PAUSE_ROWS = 2  # ours: charging that pauses for an interval is one charge
LOST_SHARE = 0.06  # REFERENCES: 0.94-0.95 of the energy came back from two homes' batteries
# ours: of the capacity, what a full battery keeps a roof that may not feed in from making: between a dull noon's and a
# clear one's power less what the house takes.
HELD_RATIO = 0.2
MIN_SEEN_H = 12.0  # ours: with less than half a day known, a quiet day proves nothing


def detect(
    readings: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    levels: pl.DataFrame | None = None,
) -> list[Verdict]:
    """A finding per site whose battery charged from the grid on `day` against its register, in kWh of the day."""
    own_sites = with_levels(with_battery(sites), levels, day)
    is_agreed = pl.col("grid_charging").fill_null(False)
    agreed = because(REASONS, "charging-agreed")
    verdicts = without_battery(sites, DETECTOR, day)
    verdicts += [NotJudged(site_id, day, DETECTOR, agreed) for site_id in own_sites.filter(is_agreed)["site_id"]]
    own_sites = own_sites.filter(~is_agreed)
    if own_sites.is_empty():
        return verdicts
    doubted = doubts(earlier, "time", "grid sign", "balance")
    rows = _from_grid(flows(readings, own_sites), sunlight(own_sites, day))
    rows = rows.join(own_sites.select("site_id", "ceiling_pct"), on="site_id", how="left", maintain_order="left")
    sums = {row["site_id"]: row for row in _sums(rows).iter_rows(named=True)}
    raised = []
    for site in own_sites.iter_rows(named=True):
        own = sums.get(site["site_id"])
        reason = doubted.get(site["site_id"]) or _unknown(own)
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
        elif own is not None and own["from_grid_kwh"] >= own["need_kwh"]:
            raised.append(site)
    pictures = courses(rows, [site["site_id"] for site in raised], "charge_w", "grid_w", "pv_w")
    fed_in = dict(days.filter(pl.col("day") == day).select("site_id", "feed_in_kwh").iter_rows())
    verdicts += [
        _finding(site, sums[site["site_id"]], fed_in.get(site["site_id"]), pictures[site["site_id"]], day)
        for site in raised
    ]
    return verdicts


def _from_grid(rows: pl.DataFrame, light: pl.DataFrame) -> pl.DataFrame:
    """`rows` with from_grid_w, the charge that only the grid can have given, `run` its number, and what is known."""
    rows = rows.join(light, on="site_id", how="left", maintain_order="left")
    hour = pl.col("ts_utc").dt.hour() + pl.col("ts_utc").dt.minute() / 60
    is_dark = ((hour - pl.col("noon_utc_h") + 12) % 24 - 12).abs() > pl.col("half_day_h") + 1
    # Some loggers leave generation out by night.
    rows = rows.with_columns(pv_w=pl.when(is_dark).then(pl.col("pv_w").fill_null(0.0)).otherwise("pv_w"))
    # A meter that lags by an interval, or a cloud, shows charge beside a roof that has just gone dark.
    same_before, same_after = pl.col("is_next"), pl.col("is_next").shift(-1)
    pv_around = pl.max_horizontal(
        "pv_w",
        pl.when(same_before).then(pl.col("pv_w").shift(1)),
        pl.when(same_after).then(pl.col("pv_w").shift(-1)),
    )
    charge = (-pl.col("battery_w")).clip(lower_bound=0)
    beyond_pv = pl.when(pl.col("pv_w").is_not_null()).then((charge - pv_around).clip(lower_bound=0))
    could = pl.min_horizontal(beyond_pv, pl.col("grid_w").clip(lower_bound=0))
    is_known = pl.all_horizontal(pl.col("pv_w", "grid_w", "battery_w").is_not_null())
    from_grid = pl.when(is_known & (charge > pl.col("idle_w")) & (could >= FROM_GRID_RATIO * charge)).then(could)
    rows = rows.with_columns(is_known=is_known, charge_w=charge, from_grid_w=from_grid.fill_null(0.0))
    row, is_charge = pl.int_range(pl.len()), pl.col("from_grid_w") > 0
    last_row, last_site = (pl.when(is_charge).then(one).forward_fill().shift(1) for one in (row, pl.col("site_id")))
    goes_on = (last_site == pl.col("site_id")) & (row - last_row <= PAUSE_ROWS)
    begins = is_charge & ~goes_on.fill_null(False)
    before, after = soc_steps()
    return rows.with_columns(
        run=begins.cum_sum(), rise=pl.max_horizontal(before, after), next_pct=pl.col("soc_pct") + after
    )


def _sums(rows: pl.DataFrame) -> pl.DataFrame:
    """A row per site: what was known, what the grid gave, and what of that was only a top-up of an empty battery."""
    kwh = pl.col("from_grid_w") * pl.col("hours") / 1000
    charging = rows.filter(pl.col("from_grid_w") > 0)
    runs = charging.group_by("site_id", "run").agg(
        kwh=kwh.sum(),
        hours=pl.col("hours").sum(),
        first_pct=pl.col("soc_pct").drop_nulls().first(),
        highest_pct=pl.max_horizontal("soc_pct", "next_pct").max(),
        rise_pct=pl.col("rise").sum(),
        has_soc=pl.col("soc_pct").is_not_null().any(),
        reserve_pct=pl.col("battery_reserve_pct").first(),
        floor_pct=pl.col("battery_backup_floor_pct").first(),
        small_kwh=TOP_UP_SHARE * pl.col("battery_kwh").first(),
        start_utc=pl.col("ts_utc").first(),
    )
    is_small = pl.col("kwh") <= pl.col("small_kwh")
    # Where no floor is known, a small charge may be one that keeps the battery at it.
    was_empty = (pl.col("first_pct") <= pl.col("floor_pct") + TOP_UP_PCT).fill_null(True)
    runs = runs.with_columns(
        is_top_up=(
            (pl.col("highest_pct") <= pl.col("reserve_pct") + TOP_UP_PCT)
            | (is_small & (was_empty | ~pl.col("has_soc")))
        ).fill_null(False),
        is_odd=pl.col("has_soc") & (pl.col("rise_pct") < -FALL_PCT),
    )
    counted = ~pl.col("is_top_up") & ~pl.col("is_odd")
    per_site = runs.sort("site_id", "start_utc").group_by("site_id").agg(
        from_grid_kwh=pl.col("kwh").filter(counted).sum(),
        from_grid_h=pl.col("hours").filter(counted).sum(),
        top_up_kwh=pl.col("kwh").filter("is_top_up").sum(),
        odd_kwh=pl.col("kwh").filter("is_odd").sum(),
        start_utc=pl.col("start_utc").filter(counted).first(),
    )  # fmt: skip
    # Full, at rest and in the light: what the roof then could have given had no room.
    is_at_rest = pl.col("battery_w").abs() <= pl.col("idle_w")
    has_no_room = is_full(pl.col("soc_pct")) & is_at_rest & (pl.col("pv_w") > 0)
    known = rows.group_by("site_id").agg(
        *(pl.col("hours").filter(pl.col(name).is_not_null()).sum().alias(f"{name}_h")
          for name in ("pv_w", "grid_w", "battery_w")),
        seen_h=pl.col("hours").filter("is_known").sum(),
        full_h=pl.col("hours").filter(has_no_room.fill_null(False)).sum(),
        charged_kwh=(pl.col("charge_w") * pl.col("hours")).sum() / 1000,
        floor_pct=pl.col("battery_backup_floor_pct").first(),
        need_kwh=pl.max_horizontal(pl.lit(MIN_KWH), MIN_SHARE * pl.col("battery_kwh").first()),
    )  # fmt: skip
    energies = ("from_grid_kwh", "from_grid_h", "top_up_kwh", "odd_kwh")
    return known.join(per_site, on="site_id", how="left").with_columns(pl.col(energies).fill_null(0.0))


def _unknown(sums: Mapping[str, Any] | None) -> Reason | None:
    """Why nothing can be said of the day; None = something can."""
    if sums is None:
        return because(REASONS, "no-readings")
    for name, what in (("battery_w", "battery power"), ("grid_w", "grid meter"), ("pv_w", "generation")):
        if not sums[f"{name}_h"]:
            return because(REASONS, "channel-missing", channel=what)
    if sums["from_grid_kwh"] >= sums["need_kwh"]:
        return None
    if sums["odd_kwh"] >= sums["need_kwh"]:
        return because(REASONS, "battery-sign")
    if sums["floor_pct"] is None and sums["top_up_kwh"] >= sums["need_kwh"]:
        return because(REASONS, "no-backup-floor", top_up_kwh=sums["top_up_kwh"])
    if sums["seen_h"] < MIN_SEEN_H:
        return because(REASONS, "low-coverage", seen_h=sums["seen_h"])
    return None


def _finding(
    site: Mapping[str, Any], sums: Mapping[str, Any], fed_in_kwh: float | None, picture: tuple[Series, ...], day: date
) -> Finding:
    from_grid_kwh = sums["from_grid_kwh"]
    lost_kwh = LOST_SHARE * from_grid_kwh
    if site["feed_in_limit_kw"] == 0:  # where nothing may be fed in, what has no room in the battery is not made
        held_kwh = HELD_RATIO * site["installed_kwp"] * sums["full_h"]
        lost_kwh += min((1 - LOST_SHARE) * from_grid_kwh, held_kwh)
    # What the roof then fed in could have filled the battery instead of what was bought.
    displaced_kwh = min(from_grid_kwh, fed_in_kwh or 0.0)
    dearer = max(site["import_price"] - site["feed_in_price"], 0.0)
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=from_grid_kwh,
        unit="kWh",
        threshold=sums["need_kwh"],
        summary=f"Battery charged {from_grid_kwh:.1f} kWh from the grid within {sums['from_grid_h']:.1f} h; "
        "charging from the grid was not agreed.",
        measured=f"{from_grid_kwh:.1f} kWh charged while the roof did not give them and the grid did, "
        f"of {sums['charged_kwh']:.1f} kWh charged on the day",
        expected="charge from surplus generation alone",
        loss_kwh=lost_kwh,
        cost=lost_kwh * site["import_price"] + displaced_kwh * dearer,
        evidence={
            "from_grid_kwh": from_grid_kwh,
            "from_grid_h": sums["from_grid_h"],
            "charged_kwh": sums["charged_kwh"],
            "top_up_kwh": sums["top_up_kwh"],
            "full_h": sums["full_h"],
            "start_utc": sums["start_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        },
        series=picture,
    )
