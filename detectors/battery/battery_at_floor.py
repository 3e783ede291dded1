"""A battery that stays at its reserve although there was surplus to charge it with.

The owner paid for storage that does nothing: the surplus of the day goes out cheaply and the evening is bought dear.
A battery that lies low through a dark week is no fault, so only days with a surplus worth charging count. At a site
that may not feed in the inverter holds such a surplus back: then generation follows the load, watt by watt, for hours.
"""

from datetime import date, timedelta

import polars as pl

from detectors.battery.flows import NO_RESERVE, with_battery
from detectors.battery.flows import RESERVE_BAND_PCT as BAND_PCT
from detectors.battery.given import BACK_SHARE, FULL_PCT, capacities, value_per_given_kwh
from detectors.finding import Finding, Kind, NotJudged, Reason, Verdict, because, channel_series, doubts, level, series
from detectors.losses import DayLoss, day_losses

DETECTOR = "battery-at-floor"
KIND = "battery-at-floor"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery stays at its reserve",
        hides=("unexplained",),
        hides_why="a battery that takes no charge, and the generation curtailed for it, are unlike the site's past",
        close_after=2,
        where="desk",
        setting="Operating mode and charge schedule",
        now="{charged_today_kwh:.1f} kWh charged of {surplus_today_kwh:.1f} kWh surplus",
        should_be="charges from surplus",
        visit_if="it does not charge on the next day with surplus",
        cause="The battery does not charge: charging is switched off or scheduled away, the battery reports a fault, "
        "or its switch or fuse is open.",
        next_step="Service desk: look at operating mode, charge schedule and the battery's fault list from afar; "
        "send the installer if it still does not charge on the next day with surplus.",
        steps=(
            "Read the battery's fault list and the limits of charge current that it asks for.",
            "Check operating mode, charge schedule and the reserve that is set.",
            "Check the battery's switch, fuses and data cable.",
            "With surplus there, confirm a charge of at least 500 W for 10 minutes and a rising state of charge.",
        ),
        cautions=(
            "Qualified persons only. Isolate AC, then PV DC, then the battery; lock, tag, prove dead, "
            "wait for the capacitors.",
            "A damaged, hot or swollen battery: keep away and follow the emergency instructions.",
            "A backup output can be live with the grid off.",
        ),
    )
}
REASONS = {
    "no-reserve": NO_RESERVE,
    "soc-missing": "state of charge missing",
    "no-surplus": "no surplus to charge with",
    "low-coverage": "readings cover {coverage_pct:.0f} % of the day",
    "surplus-unknown": "surplus unknown: generation or load missing",
    "charging-unseen": "charging not read, and the surplus was not seen going to the grid",
}

WORTH_SHARE = 0.10  # ours: a tenth of the capacity would lift the charge five bands above the floor
WORTH_KWH = 0.5  # ours: on small batteries, less is the inverter's own standby and the step of the meter
CHARGED_SHARE = 0.20  # ours: with a fifth of the surplus charged it does charge, and its reading stands still
FED_IN_SHARE = 0.50  # ours: where charging is not read, half of the surplus seen going to the grid stands for it
MIN_DAYS = 2  # ours: one day may be an update, a test or a calibration
UNKNOWN_DAYS = 3  # ours: after more days unseen in a row nobody knows that it stayed there
PICTURE_DAYS = 30
HELD_H = 2.0  # ours: generation and load cross each other twice a day, but do not keep together for hours
FOLLOWED_W = 300.0  # ours: generation that went along with so much more and less of load was steered by it
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the day seen, it may have left the floor unseen


def detect(
    days: pl.DataFrame,
    battery_day: pl.DataFrame,
    load_following: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    min_days: int = MIN_DAYS,
) -> list[Verdict]:
    """A finding per site whose battery lay at its reserve on `day` and on the days before, in days with surplus."""
    own_sites = with_battery(sites)
    if own_sites.is_empty():
        return []
    doubted = doubts(earlier, "time", "grid sign")
    told = _tell(days.filter(pl.col("day") <= day), battery_day, load_following, own_sites)
    today = {row["site_id"]: row for row in told.filter(pl.col("day") == day).iter_rows(named=True)}
    stuck_ids = [site_id for site_id, row in today.items() if row["state"] == "stuck"]
    past = told.filter(pl.col("site_id").is_in(stuck_ids)).partition_by("site_id", as_dict=True)
    verdicts: list[Verdict] = []
    for site in own_sites.iter_rows(named=True):
        site_id = site["site_id"]
        reason = doubted.get(site_id) or _unknown(today.get(site_id))
        if site["battery_reserve_pct"] is None:
            reason = doubted.get(site_id) or because(REASONS, "no-reserve")
        if reason is not None:
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif (site_id,) in past:
            own = past[(site_id,)]
            stuck = _run(own, day)
            if len(stuck) >= min_days:
                verdicts.append(_finding(site, own, today[site_id], stuck, day, min_days))
    return verdicts


def _tell(
    days: pl.DataFrame, battery_day: pl.DataFrame, load_following: pl.DataFrame, sites: pl.DataFrame
) -> pl.DataFrame:
    """Each day as `stuck`, `dark` (at the floor, nothing to charge with), `moved` or `unknown`, in order."""
    capacity = pl.col("battery_kwh")
    known = sites.select("site_id", "battery_kwh", "battery_reserve_pct").join(capacities(days, sites), on="site_id")
    own = days.join(known, on="site_id", how="inner")
    for feature in (battery_day, load_following):
        own = own.join(feature, on=["site_id", "day"], how="left")
    own = own.sort("site_id", "day")
    surplus = pl.col("surplus_at_floor_kwh")
    never_left = pl.col("soc_max_pct") <= pl.col("battery_reserve_pct") + BAND_PCT
    has_surplus = surplus >= pl.max_horizontal(WORTH_SHARE * capacity, pl.lit(WORTH_KWH))
    usable_kwh = capacity * (FULL_PCT - pl.col("battery_reserve_pct")) / 100
    was_held = ((pl.col("held_h") >= HELD_H) & (pl.col("followed_w") >= FOLLOWED_W)).fill_null(False)
    not_charged = pl.coalesce(
        pl.col("charge_kwh") < CHARGED_SHARE * pl.min_horizontal(surplus, usable_kwh),
        pl.when(pl.col("feed_in_kwh") >= FED_IN_SHARE * surplus).then(True),
    )
    return own.with_columns(
        was_held=was_held,
        state=pl.when(pl.col("soc_max_pct").is_null() | (never_left & (pl.col("coverage_pct") < MIN_COVERAGE_PCT)))
        .then(pl.lit("unknown"))
        .when(~never_left)
        .then(pl.lit("moved"))
        .when(was_held)
        .then(pl.lit("stuck"))
        .when(surplus.is_null() | (has_surplus & not_charged.is_null()))
        .then(pl.lit("unknown"))
        .when(~has_surplus)
        .then(pl.lit("dark"))
        .when(not_charged)
        .then(pl.lit("stuck"))
        .otherwise(pl.lit("moved")),
    ).with_columns(missed_kwh=_missed_kwh(surplus))


def _missed_kwh(surplus: pl.Expr) -> pl.Expr:
    """What the battery could have given on a day, kWh; null where its state is not known.

    Not more than the surplus leaves after storing, than fits between the reserve and full, or than the house bought.
    Where generation was held down to the load, the surplus was curtailed and no meter saw it: the other two count.
    """
    room_kwh = pl.col("capacity_kwh") * (FULL_PCT - pl.col("battery_reserve_pct")) / 100
    stored = pl.when(~pl.col("was_held")).then(surplus * BACK_SHARE)
    could = pl.min_horizontal(stored, room_kwh, "import_kwh")
    return pl.when(pl.col("state") == "stuck").then(could).when(pl.col("state").is_in(["dark", "moved"])).then(0.0)


def _unknown(today: dict | None) -> Reason | None:
    """Why nothing can be said of the day; None = something can."""
    if today is None:
        return because(REASONS, "no-readings")
    if today["soc_max_pct"] is None:
        return because(REASONS, "soc-missing")
    if today["state"] == "dark":
        return because(REASONS, "no-surplus")
    if today["state"] != "unknown":
        return None
    if today["coverage_pct"] is not None and today["coverage_pct"] < MIN_COVERAGE_PCT:
        return because(REASONS, "low-coverage", coverage_pct=today["coverage_pct"])
    if today["surplus_at_floor_kwh"] is None:
        return because(REASONS, "surplus-unknown")
    return because(REASONS, "charging-unseen")


def _run(told: pl.DataFrame, day: date) -> list[date]:
    """The stuck days of the run that ends on `day`, oldest first; dark days neither count nor break it."""
    states = dict(told.select("day", "state").iter_rows())
    stuck, unseen, then = [], 0, day
    first = told["day"][0]
    while then >= first and unseen <= UNKNOWN_DAYS:
        state = states.get(then, "unknown")
        if state == "moved":
            break
        unseen = unseen + 1 if state == "unknown" else 0
        if state == "stuck":
            stuck.append(then)
        then -= timedelta(days=1)
    return stuck[::-1]


def _finding(site: dict, told: pl.DataFrame, today: dict, stuck: list[date], day: date, min_days: int) -> Finding:
    shown = told.tail(PICTURE_DAYS)
    missed_kwh, each = today["missed_kwh"] or 0.0, value_per_given_kwh(site)
    reserve_pct = site["battery_reserve_pct"]
    surplus_kwh = today["surplus_at_floor_kwh"] or 0.0
    had = f"{surplus_kwh:.1f} kWh were there to charge with"
    if today["was_held"]:
        had = f"generation was held down to the load for {today['held_h']:.1f} h"
    charge = channel_series(shown, "day", "soc_min_pct", "soc_max_pct")
    surplus = series("surplus", "kWh", "measured", shown["day"], shown["surplus_at_floor_kwh"])
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=float(len(stuck)),
        unit="days",
        threshold=float(min_days),
        summary=f"Battery at its reserve of {reserve_pct:g} % for {len(stuck)} days with surplus; "
        f"on the last one {had}.",
        measured=f"state of charge {today['soc_min_pct']:.0f} to {today['soc_max_pct']:.0f} %, while {had}",
        expected=f"a state of charge that leaves {reserve_pct:g} % on a day with surplus",
        since=stuck[0],
        loss_kwh=missed_kwh,
        cost=missed_kwh * each,
        losses=_losses(told, each, stuck[0], day),
        evidence={
            "stuck_count": len(stuck),
            "earliest_day": _earliest(told, stuck[0]).isoformat(),
            "latest_day": stuck[0].isoformat(),
            "reserve_pct": reserve_pct,
            "capacity_kwh": today["capacity_kwh"],
            "surplus_today_kwh": today["surplus_at_floor_kwh"],
            "charged_today_kwh": today["charge_kwh"],
            "curtailed_h": today["held_h"],
        },
        series=(*charge, *level("reserve", "%", "limit", reserve_pct, charge[0]), surplus),
    )


def _earliest(told: pl.DataFrame, first: date) -> date:
    """The first day on which it may have begun: after the last one before `first` that was seen to leave the floor."""
    moved = told.filter(pl.col("state") == "moved", pl.col("day") < first)["day"].max()
    began = told["day"].min()
    assert isinstance(began, date)
    return moved + timedelta(days=1) if isinstance(moved, date) else began


def _losses(told: pl.DataFrame, each: float, since: date, day: date) -> tuple[DayLoss, ...]:
    known = told.with_columns(
        pl.when(pl.col("day") == day).then(pl.col("missed_kwh").fill_null(0.0)).otherwise("missed_kwh")
    )
    return day_losses(known["day"], known["missed_kwh"], each, since=since, until=day)
