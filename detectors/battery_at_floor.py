"""A battery that stays at its reserve although there was surplus to charge it with.

The owner paid for storage that does nothing: the surplus of the day goes out cheaply and the evening is bought dear.
A battery that lies low through a dark week is no fault, so only days with a surplus worth charging count.
"""

from datetime import date, timedelta

import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Verdict

DETECTOR = "battery-at-floor"
KIND = "battery-at-floor"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery stays at its reserve",
        close_after=2,
        revisit=True,
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

BAND_PCT = 2.0  # the contract's site-day: within 2 % of the reserve is at the floor
WORTH_SHARE = 0.10  # ours: a tenth of the capacity would lift the charge five bands above the floor
WORTH_KWH = 0.5  # ours: on small batteries, less is the inverter's own standby and the step of the meter
CHARGED_SHARE = 0.20  # ours: with a fifth of the surplus charged it does charge, and its reading stands still
FED_IN_SHARE = 0.50  # ours: where charging is not read, half of the surplus seen going to the grid stands for it
MIN_DAYS = 2  # ours: one day may be an update, a test or a calibration
UNKNOWN_DAYS = 3  # ours: after more days unseen in a row nobody knows that it stayed there
PICTURE_DAYS = 30
CLOCK_KINDS = ("time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step")
FULL_PCT = 100.0


def detect(
    days: pl.DataFrame, sites: pl.DataFrame, earlier: pl.DataFrame, day: date, *, min_days: int = MIN_DAYS
) -> list[Verdict]:
    """A finding per site whose battery lay at its reserve on `day` and on the days before, in days with surplus."""
    with_battery = sites.filter(pl.col("battery_kwh") > 0).sort("site_id")
    if with_battery.is_empty():
        return []
    doubted = dict(
        earlier.filter(pl.col("kind").is_in([*CLOCK_KINDS, "meter-reversed"])).select("site_id", "kind").rows()
    )
    told = _tell(days.filter(pl.col("day") <= day), with_battery)
    by_site = {site_id[0]: own for site_id, own in told.partition_by("site_id", as_dict=True).items()}
    verdicts = []
    for site in with_battery.iter_rows(named=True):
        verdict = _judge(site, by_site.get(site["site_id"]), day, doubted.get(site["site_id"]), min_days)
        if verdict is not None:
            verdicts.append(verdict)
    return verdicts


def _tell(days: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Each day as `stuck`, `dark` (at the floor, nothing to charge with), `moved` or `unknown`, in order."""
    capacity = pl.col("battery_kwh")
    known = sites.select("site_id", "battery_kwh", "battery_reserve_pct")
    own = days.join(known, on="site_id", how="inner").sort("site_id", "day")
    surplus = pl.col("surplus_at_floor_kwh")
    never_left = pl.col("soc_max_pct") <= pl.col("battery_reserve_pct") + BAND_PCT
    has_surplus = surplus >= pl.max_horizontal(WORTH_SHARE * capacity, pl.lit(WORTH_KWH))
    not_charged = pl.coalesce(
        pl.col("charge_kwh") < CHARGED_SHARE * surplus,
        pl.when(pl.col("feed_in_kwh") >= FED_IN_SHARE * surplus).then(True),
    )
    usable_kwh = capacity * (FULL_PCT - pl.col("battery_reserve_pct")) / 100
    return own.with_columns(
        is_known=(pl.col("soc_max_pct").is_not_null() & surplus.is_not_null()),
        state=pl.when(pl.col("soc_max_pct").is_null())
        .then(pl.lit("unknown"))
        .when(~never_left)
        .then(pl.lit("moved"))
        .when(surplus.is_null() | (has_surplus & not_charged.is_null()))
        .then(pl.lit("unknown"))
        .when(~has_surplus)
        .then(pl.lit("dark"))
        .when(not_charged)
        .then(pl.lit("stuck"))
        .otherwise(pl.lit("moved")),
        # No more can be saved than fits in, nor more than the house bought on that day.
        missed_kwh=pl.min_horizontal(surplus, usable_kwh, "import_kwh"),
    )


def _judge(site: dict, told: pl.DataFrame | None, day: date, doubt: str | None, min_days: int) -> Verdict | None:
    def unjudged(reason: str) -> NotJudged:
        return NotJudged(site["site_id"], day, DETECTOR, reason)

    if doubt is not None:
        return unjudged("clock is known to be wrong" if doubt in CLOCK_KINDS else "the grid sensor's sign is in doubt")
    if told is None or told["day"][-1] != day:
        return unjudged("no readings")
    today = told.row(-1, named=True)
    if today["soc_max_pct"] is None:
        return unjudged("state of charge missing")
    if today["state"] == "moved":
        return None
    if today["surplus_at_floor_kwh"] is None:
        return unjudged("surplus unknown: generation or load missing")
    if today["state"] == "unknown":
        return unjudged("charging not read, and the surplus was not seen going to the grid")
    if today["state"] == "dark":
        return unjudged("no surplus to charge with")
    stuck = _run(told, day)
    if len(stuck) < min_days:
        return None
    return _finding(site, told, today, stuck, day, min_days)


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
    missed_kwh = today["missed_kwh"] or 0.0
    may_feed_in = site["feed_in_limit_kw"] is None or site["feed_in_limit_kw"] > 0
    gain = site["import_price"] - (site["feed_in_price"] if may_feed_in else 0.0)
    reserve_pct = site["battery_reserve_pct"]
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=float(len(stuck)),
        unit="days",
        threshold=float(min_days),
        summary=f"Battery at its reserve of {reserve_pct:g} % for {len(stuck)} days with surplus; "
        f"on the last one {today['surplus_at_floor_kwh']:.1f} kWh were there to charge with.",
        measured=f"state of charge {today['soc_min_pct']:.0f} to {today['soc_max_pct']:.0f} % with "
        f"{today['surplus_at_floor_kwh']:.1f} kWh of surplus",
        expected=f"a state of charge that leaves {reserve_pct:g} % on a day with surplus",
        since=stuck[0],
        loss_kwh=missed_kwh,
        cost=missed_kwh * max(gain, 0.0),
        evidence={
            "stuck_count": len(stuck),
            "reserve_pct": reserve_pct,
            "capacity_kwh": site["battery_kwh"],
            "surplus_today_kwh": today["surplus_at_floor_kwh"],
            "charged_today_kwh": today["charge_kwh"],
            "series_day": [d.isoformat() for d in shown["day"]],
            "soc_min_pct": shown["soc_min_pct"].to_list(),
            "soc_max_pct": shown["soc_max_pct"].to_list(),
            "surplus_kwh": shown["surplus_at_floor_kwh"].to_list(),
            "state_text": shown["state"].to_list(),
        },
    )
