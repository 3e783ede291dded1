"""A battery's state of charge that does not move while energy flows in and out.

Mostly the data link between battery and inverter: the inverter goes on with the last value it heard, and may charge
or empty a battery that nobody watches. A reading in whole per cent stands still for a while, a full battery takes a
trickle and one at its floor gives its standby: none of that moves as much as a tenth of what it holds.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from detectors.battery.flows import courses, flows, with_battery, without_battery
from detectors.finding import Finding, Kind, NotJudged, Reason, Series, Verdict, because, doubts
from detectors.frames import POWER_CHANNELS
from detectors.stats.resolution import resolutions

DETECTOR = "battery-reading-frozen"
KIND = "battery-reading-frozen"
RANK = 45
KINDS = {
    KIND: Kind(
        title="State of charge stands still",
        hides=("battery-below-reserve", "battery-not-discharging"),
        hides_why="its state of charge stands still, so where the battery stopped is not known",
        makes_unreliable=("charge",),
        close_after=2,
        where="site",
        bring=("data cable and terminating resistor", "the manual of the battery"),
        proof="Charge or discharge with 1 kW for 15 minutes: the state of charge moves, alike in battery and inverter.",
        cause="The data link between battery and inverter is lost, or the battery's own electronics hang.",
        next_step="Service desk: restart the battery's communication from afar today; send the installer if the state "
        "of charge does not move with the next charge. Nobody watches the battery's limits meanwhile.",
        steps=(
            "Read the state of charge at the battery itself and in the inverter; they must agree.",
            "Check the data cable, its ends and its termination between battery and inverter.",
            "Read the battery's fault list and restart its communication in the order the manual gives.",
            "Charge or discharge with 1 kW for 15 minutes and confirm that the state of charge moves.",
        ),
        cautions=(
            "Qualified persons only. Isolate AC, then PV DC, then the battery; lock, tag, prove dead, "
            "wait for the capacitors.",
            "A damaged, hot or swollen battery: keep away and follow the emergency instructions.",
        ),
    )
}
REASONS = {
    "soc-missing": "state of charge missing",
    "battery-power-missing": "battery power missing",
    "hardly-any-energy": "hardly any energy moved: nothing to tell by whether the state of charge follows",
    "readings-frozen": "{channel} stands still, and what moved is worked out from it",
    "more-than-it-holds": "{swing_kwh:.0f} kWh one way, more than its {held_kwh:g} kWh hold: its power is in doubt",
    "low-coverage": "state of charge and battery power known for {seen_h:.0f} h of the day",
}

NAMES = {"battery_w": "battery power", "soc_pct": "the state of charge"}
FILLED_SHARE = 0.5  # ours
MOVED_SHARE = 0.10  # ours: ten steps of a reading in whole per cent, two of one in steps of five
END_SHARE = 0.20  # ours: near full and empty batteries taper, and their readings are held until a full charge
MIN_KWH = 0.5  # ours: on small batteries, some hours of standby
NEAR_END_PCT = 5.0  # ours: within 5 % of full or empty, or of its own reserve
# ours: what flows between two instants is not known but from their scatter; this many of its sigmas may be no energy
SURE_SIGMAS = 2.0
CHANGE_PCT = 1e-6  # a reading that stands still repeats its digits
MOST_HELD_RATIO = 1.5  # ours: of the registered capacity, whose usable and nominal figures lie a fifth apart
MIN_SEEN_H = 12.0  # ours: with less than half a day known, a quiet day proves nothing


def detect(
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    reading_flags: pl.DataFrame | None = None,
    *,
    moved_share: float = MOVED_SHARE,
) -> list[Verdict]:
    """A finding per site whose state of charge stood still on `day` while energy moved, in kWh moved meanwhile.

    Where `reading_flags` (READING_FLAGS) know that one of the two channels only repeats itself, that is told as such.
    """
    own_sites = with_battery(sites)
    verdicts = without_battery(sites, DETECTOR, day)
    if own_sites.is_empty():
        return verdicts
    doubted = doubts(earlier, "time")
    frozen = {} if reading_flags is None else _frozen(reading_flags, day)
    rows = _stills(flows(readings, own_sites))
    sums = {row["site_id"]: row for row in _sums(rows, moved_share).iter_rows(named=True)}
    raised = []
    for site in own_sites.iter_rows(named=True):
        own = sums.get(site["site_id"])
        reason = doubted.get(site["site_id"]) or frozen.get(site["site_id"]) or _unknown(own)
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
        elif own is not None and own["is_frozen"]:
            raised.append(site)
    pictures = courses(rows, [site["site_id"] for site in raised], "battery_w", "soc_pct")
    verdicts += [_finding(site, sums[site["site_id"]], pictures[site["site_id"]], day) for site in raised]
    return verdicts


def _frozen(reading_flags: pl.DataFrame, day: date) -> dict[str, Reason]:
    """Site -> the channel of its battery that was flagged as frozen on `day`.

    Its values count nowhere; a power that the rest of the balance stands in for holds them still, where the load is
    worked out from them.
    """
    is_frozen = (pl.col("flag") == "frozen") & (pl.col("day") == day) & pl.col("channel").is_in(NAMES)
    own = reading_flags.filter(is_frozen).sort("site_id", "channel")
    return {site_id: because(REASONS, "readings-frozen", channel=NAMES[channel])
            for site_id, channel in own.select("site_id", "channel").iter_rows()}  # fmt: skip


def _stills(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows whose state of charge is known, with `still`, the number of the segment in which it repeats itself."""
    known = rows.filter(pl.col("soc_pct").is_not_null())
    moved = (pl.col("soc_pct") - pl.col("soc_pct").shift(1)).abs() > CHANGE_PCT
    begins = moved | (pl.col("site_id") != pl.col("site_id").shift(1))
    power = pl.when(pl.col("battery_w").abs() > pl.col("idle_w")).then("battery_w").otherwise(0.0)
    kwh = pl.when(~_is_filled()).then(power) * pl.col("hours") / 1000
    known = known.with_columns(still=begins.fill_null(True).cum_sum(), kwh=kwh.fill_null(0.0))
    after = pl.col("kwh").cum_sum()
    goes_on = pl.col("still") == pl.col("still").shift(1)
    # The first row's energy may have moved the charge to where it stands, and the second's too where a meter lags by
    # an interval; the last one's may move it on: only between two readings is it sure.
    before = after - pl.col("kwh")
    # Half of the mean square of successive differences is the variance of a series (von Neumann, Annals of Mathematical
    # Statistics 12, 1941, from memory); of instants alone each interval's mean scatters by it.
    square = pl.when(goes_on & pl.col("is_instant")).then(pl.col("kwh").diff() ** 2 / 2).fill_null(0.0)
    return known.with_columns(
        after_kwh=after,
        before_kwh=before,
        later_kwh=pl.when(goes_on).then(after),
        inner_kwh=pl.when(goes_on).then(before),
        square_kwh2=square,
    )


def _is_filled() -> pl.Expr:
    """Whether a row is the one before once more, as loggers fill gaps: what flowed meanwhile nobody knows.

    Where half of the rows of a battery at work are so, its meters are coarse or its day was as even.
    """
    is_known = pl.sum_horizontal(pl.col(*POWER_CHANNELS).is_not_null()) > 1
    is_same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(1)) for name in POWER_CHANNELS)
    is_at_work = pl.col("battery_w").abs() > pl.col("idle_w")
    is_again = is_known & is_same & is_at_work & pl.col("is_next")
    share = is_again.sum().over("site_id") / is_at_work.sum().over("site_id")
    return (is_again & (share < FILLED_SHARE)).fill_null(False)


def _sums(rows: pl.DataFrame, moved_share: float) -> pl.DataFrame:
    """A row per site: what was known, and the segment in which most moved for what its place asks for."""
    soc = pl.col("soc_pct").first()
    segments = rows.group_by("site_id", "still", maintain_order=True).agg(
        # What went in and came out again leaves the charge where it was: the widest swing is what must have shown.
        swing_kwh=pl.min_horizontal(
            *(pl.col(name).max() - pl.col(name).min() for name in ("after_kwh", "before_kwh", "later_kwh", "inner_kwh"))
        ),
        moved_kwh=pl.col("kwh").abs().sum() - pl.col("kwh").abs().first(),
        still_h=pl.col("hours").sum(),
        square_kwh2=pl.col("square_kwh2").sum(),
        rows=pl.len(),
        soc_pct=soc,
        battery_kwh=pl.col("battery_kwh").first(),
        is_near_end=(soc >= 100 - NEAR_END_PCT) | (soc <= NEAR_END_PCT),
        start_utc=pl.col("ts_utc").first(),
        end_utc=pl.col("ts_utc").last(),
    )
    share = pl.when("is_near_end").then(END_SHARE / MOVED_SHARE * moved_share).otherwise(moved_share)
    steps = resolutions(rows, ["site_id"], "soc_pct")
    unseen = pl.col("resolution").fill_null(0.0) / 100  # within one step of its reading a level moves unseen
    segments = (
        segments.join(steps, on="site_id", how="left", maintain_order="left")
        .with_columns(
            need_kwh=pl.max_horizontal((share + unseen) * pl.col("battery_kwh"), pl.lit(MIN_KWH))
            + SURE_SIGMAS * pl.col("square_kwh2").sqrt(),
            changes=pl.len().over("site_id") - 1,
        )
        .with_columns(is_frozen=(pl.col("swing_kwh") >= pl.col("need_kwh")) & (pl.col("rows") > 1))
    )
    frozen = pl.col("is_frozen")
    worst = (pl.col("swing_kwh") / pl.col("need_kwh")).fill_null(0.0).arg_max()
    largest = segments.group_by("site_id", maintain_order=True).agg(
        *(
            pl.col(name).get(worst)
            for name in ("soc_pct", "need_kwh", "start_utc", "end_utc", "swing_kwh", "battery_kwh")
        ),
        is_frozen=frozen.any(),
        frozen_kwh=pl.col("moved_kwh").filter(frozen).sum(),
        frozen_h=pl.col("still_h").filter(frozen).sum(),
        changes=pl.col("changes").first(),
    )
    known = rows.group_by("site_id").agg(
        soc_h=pl.col("hours").sum(), battery_h=pl.col("hours").filter(pl.col("battery_w").is_not_null()).sum()
    )
    return known.join(largest, on="site_id")


def _unknown(sums: Mapping[str, Any] | None) -> Reason | None:
    """Why nothing can be said of the day; None = something can."""
    if sums is None:
        return because(REASONS, "soc-missing")
    if not sums["battery_h"]:
        return because(REASONS, "battery-power-missing")
    if sums["is_frozen"]:
        swing_kwh, held_kwh = sums["swing_kwh"], sums["battery_kwh"]
        is_too_much = swing_kwh > MOST_HELD_RATIO * held_kwh
        return because(REASONS, "more-than-it-holds", swing_kwh=swing_kwh, held_kwh=held_kwh) if is_too_much else None
    if sums["changes"] == 0:
        return because(REASONS, "hardly-any-energy")
    if sums["battery_h"] < MIN_SEEN_H:
        return because(REASONS, "low-coverage", seen_h=sums["battery_h"])
    return None


def _finding(site: Mapping[str, Any], sums: Mapping[str, Any], picture: tuple[Series, ...], day: date) -> Finding:
    should_pct = 100 * sums["swing_kwh"] / site["battery_kwh"]
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=sums["frozen_kwh"],
        unit="kWh",
        threshold=sums["need_kwh"],
        summary=f"State of charge stood at {sums['soc_pct']:.0f} % for {sums['frozen_h']:.1f} h while "
        f"{sums['frozen_kwh']:.1f} kWh moved in and out of the battery.",
        measured=f"{sums['soc_pct']:.1f} % throughout, while the battery moved {sums['frozen_kwh']:.1f} kWh",
        expected=f"a state of charge that moves by some {should_pct:.0f} %",
        evidence={
            "frozen_kwh": sums["frozen_kwh"],
            "swing_kwh": sums["swing_kwh"],
            "should_move_pct": should_pct,
            "frozen_h": sums["frozen_h"],
            "stood_at_pct": sums["soc_pct"],
            "capacity_kwh": site["battery_kwh"],
            "start_utc": sums["start_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
            "end_utc": sums["end_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        },
        series=picture,
    )
