"""A channel that repeats one value for hours while the site goes on living.

A frozen load or voltage looks healthy on every chart with an axis wide enough, and every sum that is made of it is
wrong. Whether a repeated value is natural depends on the channel: its resolution, its usual pauses, and what the
others do meanwhile.
"""

from datetime import date

import numpy as np
import polars as pl

from detectors.data_quality.repeats import FLOWS, GENERATION, MAINS, POWERS, TEMPERATURES, with_steps
from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Series, Verdict, because, channel_series

DETECTOR = "readings-frozen"
KIND = "readings-frozen"
RANK = 10
KINDS = {
    KIND: Kind(
        title="A reading stands still",
        makes_unreliable=("readings",),
        close_after=2,
        where="site",
        bring=("clamp meter", "data cable and terminating resistor", "a load of 1 kW"),
        proof="Switch the load of 1 kW on and off: the reading follows both times within two intervals.",
        cause="The link to a meter or sensor is broken and the logger repeats the last value that it got.",
        next_step="Service desk: restart the logger from afar; if the value still stands, send the installer to the "
        "meter or sensor named.",
        steps=(
            "Compare the reading with the meter's or sensor's own display.",
            "Check its data line: plugs, polarity, address, terminating resistor.",
            "Restart the logger and confirm that the reading follows a load of 1 kW or more, or the sun.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
        ),
    )
}
REASONS = {
    "low-coverage": "readings of {seen_h:.1f} h only",
}

MIN_REPEATS = 5  # ours: four equal hourly means may be chance where a roof lies under fog
LIGHT_H = 2.0  # ours: the sun moves by 30 degrees in two hours
LIGHT_SHARE = 1.5  # ours: half as long again as the top of a clear day stays within one step
FLOW_H = 3.0  # ours: a refrigerator, the slowest of the loads that come and go everywhere, runs every hour or two
MAINS_H = 3.0  # ours: street voltage and frequency move within minutes
TEMPERATURE_H = 12.0  # ours: half a day is a morning or an evening
LEVEL_H = 20.0  # ours: a battery that rests all day is rare, one that rests all night is not
NEW_TIMES = 2.0  # ours: where the site's habits are not known yet, twice as long
USUAL_TIMES = 3.0  # ours: three times the longest run of nine days in ten
USUAL_SHARE = 0.1
MIN_DAYS = 7  # ours: a week shows working days and others
FINE_STEPS = 50.0  # ours: below 50 steps of the meter a flow repeats itself by rounding alone
SURE_STEPS = 200.0  # ours: a flow of 200 steps varies by more than one of them with the street's voltage alone (0.5 %)
SURE_H = 6.0  # ours: whatever is usual, such a flow does not stand still for six hours while others move ...
ALONE_H = 12.0  # ours: ... nor for twelve, which hold day and night, while nothing does
OPEN_SHARE = 0.06  # ours: conversion loses some 5 % of what flows, so what it loses cannot vary by more
OPEN_STEPS = 2.0  # four meters together err by 0.58 steps (deviation: step / sqrt 12 each)
CONFIRMED_SHARE = 0.02  # ours: two class 1 meters
WORKED_OUT_SHARE = 0.001  # ours: no two meters agree to a thousandth of what flows
TOP_STEPS = 1.5  # ours: clipped power shows as one step of the meter or the next
FINE_MAINS = {"frequency_hz": 0.02}  # resolution that always moves; frequency wanders by some 0.02 Hz all the time
FINE_VOLTAGE = 0.2
MANY_VALUES = 8  # ours: fewer on a day are one or two values and their neighbours
MOVING_SHARE = 0.25  # ours: the others move in a quarter of the readings at least
MIN_SEEN_H = 6.0  # ours: a quarter of a day
EDGE_H = 1.01  # runs of two days are one if both reach midnight, at hourly readings or finer
PICTURE_MINUTES = 15
NEVER = float("inf")


def detect(
    device_readings: pl.DataFrame,
    days: pl.DataFrame,
    repeats: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    *,
    usual_times: float = USUAL_TIMES,
) -> list[Verdict]:
    """A finding per site with a channel that stands still on `day`, in hours since it does."""
    seen = device_readings.group_by("site_id", "device_id").agg(seen_h=pl.col("interval_s").sum() / 3600)
    hours = dict(seen.group_by("site_id").agg(pl.col("seen_h").max()).iter_rows())
    frozen = _frozen(device_readings, days, repeats, day, usual_times)
    by_site = {str(site_id): own for (site_id,), own in frozen.partition_by("site_id", as_dict=True).items()}
    verdicts: list[Verdict] = []
    for site_id in sites["site_id"].sort():
        if site_id in by_site:
            verdicts.append(_finding(by_site[site_id], device_readings, day))
        elif site_id not in hours:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "no-readings")))
        elif hours[site_id] < MIN_SEEN_H:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "low-coverage", seen_h=hours[site_id])))
    return verdicts


def _frozen(
    device_readings: pl.DataFrame,
    days: pl.DataFrame,
    repeats: pl.DataFrame,
    day: date,
    usual_times: float,
) -> pl.DataFrame:
    """RUNS of channels that stand still on `day`, one per device and channel, with what they are held against."""
    today = device_readings.filter(pl.col("ts_local").dt.date() == day)
    candidates = repeats.filter(
        (pl.col("day") == day) & (pl.col("repeats") >= MIN_REPEATS) & (pl.col("run_h") >= min(LIGHT_H, FLOW_H, MAINS_H))
    )
    if candidates.is_empty():
        return candidates.with_columns(total_h=pl.lit(0.0), since=pl.lit(day), needed_h=pl.lit(0.0))
    past = repeats.filter(pl.col("day") < day)
    stepped = _steps(candidates, today, past)
    told = _habits(stepped, past, days.filter((pl.col("day") < day) & (pl.col("readings") > 0)), day)
    return told.with_columns(needed_h=_needed_h(usual_times)).filter(pl.col("run_h") >= pl.col("needed_h") - 1e-9)


def _steps(candidates: pl.DataFrame, today: pl.DataFrame, past: pl.DataFrame) -> pl.DataFrame:
    """`candidates` with the channel's step: as the day shows it, else as earlier days did, else the device's finest."""
    own = ["site_id", "device_id", "channel"]
    before = past.filter(pl.col("channel").is_in(POWERS)).group_by(own).agg(step_before=pl.col("step").median())
    blind = (
        candidates.filter(pl.col("step").is_null() & pl.col("channel").is_in(POWERS)).select(*own[:2], "day").unique()
    )
    every = pl.concat([blind.with_columns(channel=pl.lit(name)) for name in POWERS])
    shared = with_steps(every, today).group_by(own[:2]).agg(shared=pl.col("step").min())
    return (
        candidates.join(before, on=own, how="left")
        .join(shared, on=own[:2], how="left")
        .with_columns(step=pl.coalesce("step", "step_before", pl.when(pl.col("channel").is_in(POWERS)).then("shared")))
        .drop("step_before", "shared")
    )


def _habits(candidates: pl.DataFrame, past: pl.DataFrame, days: pl.DataFrame, day: date) -> pl.DataFrame:
    """`candidates` with usual_h (the longest run of nine earlier days in ten), known_days, total_h and since.

    Days just before from which the same value stands belong to the same matter, not to the habits.
    """
    own = ["site_id", "device_id", "channel"]
    known = days.group_by("site_id").agg(known_days=pl.len().cast(pl.Int64))
    now = candidates.select(*own, now_value="value", now_start="start_h")
    told = (
        past.join(now, on=own, how="inner")
        .with_columns(back=(day - pl.col("day")).dt.total_days())
        .sort(*own, "back")
        .with_columns(place=pl.int_range(1, pl.len() + 1).over(own), later_start=pl.col("start_h").shift(1).over(own))
    )
    same = (pl.col("value") - pl.col("now_value")).abs() <= 1e-6 * pl.col("now_value").abs().clip(lower_bound=1.0)
    joined = same & (pl.col("end_h") >= 24 - EDGE_H) & (pl.coalesce("later_start", "now_start") <= EDGE_H)
    is_same = same & (pl.col("back") == pl.col("place"))
    is_joined = joined & (pl.col("back") == pl.col("place"))
    told = told.with_columns(
        # Street frequency comes back to its nominal value each day; a power to the very watt does not.
        is_episode=(is_same & pl.col("channel").is_in(POWERS)).cast(pl.Int8).cum_min().over(own).cast(pl.Boolean),
        is_joined=is_joined.cast(pl.Int8).cum_min().over(own).cast(pl.Boolean),
    ).with_columns(pl.col("is_episode") | pl.col("is_joined"))
    episode = told.group_by(own).agg(
        episode_days=pl.col("is_episode").sum().cast(pl.Int64), joined_h=pl.col("run_h").filter("is_joined").sum()
    )
    stated = (
        candidates.join(known, on="site_id", how="left")
        .join(episode, on=own, how="left")
        .with_columns(pl.col("known_days", "episode_days").fill_null(0), pl.col("joined_h").fill_null(0.0))
        .with_columns(known_days=(pl.col("known_days") - pl.col("episode_days")).clip(lower_bound=0))
        .with_columns(place=(USUAL_SHARE * pl.col("known_days")).floor().cast(pl.Int64))
    )
    habits = (
        told.filter(~pl.col("is_episode"))
        .sort(*own, "run_h", descending=[False] * 3 + [True])
        .with_columns(place=pl.int_range(pl.len()).over(own))
        .select(*own, "place", usual_h="run_h")
    )
    since = pl.lit(day) - pl.duration(days=pl.col("episode_days"))
    return (
        stated.join(habits, on=[*own, "place"], how="left")
        .with_columns(pl.col("usual_h").fill_null(0.0), total_h=pl.col("run_h") + pl.col("joined_h"), since=since)
        .drop("place")
    )


def _needed_h(usual_times: float) -> pl.Expr:
    """How long each candidate must have stood still on the day; infinite where that can't be told."""
    channel, is_new = pl.col("channel"), pl.col("known_days") < MIN_DAYS
    times = pl.when(is_new).then(NEW_TIMES).otherwise(1.0)
    usual_h = pl.when(is_new).then(0.0).otherwise(usual_times * pl.col("usual_h"))
    fine = channel.replace_strict(FINE_MAINS, default=FINE_VOLTAGE, return_dtype=pl.Float64)
    is_fine = ((pl.col("step") <= fine) & (pl.col("distinct") >= MANY_VALUES)).fill_null(False)
    slow = pl.when(channel == "soc_pct").then(LEVEL_H).otherwise(TEMPERATURE_H)
    return (
        pl.when(channel.is_in([*GENERATION, "irradiance_w_m2"]))
        .then(_light_h(times, usual_h))
        .when(channel.is_in(FLOWS))
        .then(_flow_h(times, usual_h))
        .when(channel.is_in(MAINS) & (~is_new | is_fine))
        .then(pl.max_horizontal(MAINS_H * times, usual_h))
        .when(channel.is_in([*TEMPERATURES, "soc_pct"]) & ~is_new & _moving())
        .then(pl.max_horizontal(slow, usual_h))
        .otherwise(NEVER)
        .fill_null(NEVER)
    )


def _light_h(times: pl.Expr, usual_h: pl.Expr) -> pl.Expr:
    """For generation and irradiance: by how far the sun moves."""
    in_steps = _in_steps()
    # A clear day's top is cos(h) >= 1 - 1/steps around noon: its height changes by less than one step meanwhile.
    # Where no step is to be seen, all of the day's light could be one.
    top_h = 2 * (1 - 1 / in_steps.clip(lower_bound=1.0).fill_null(1.0)).arccos() * 12 / np.pi
    habit_h = pl.when(in_steps >= FINE_STEPS).then(0.0).otherwise(usual_h)
    is_top = (pl.col("below_top") <= TOP_STEPS * pl.col("step")).fill_null(False)
    light_h = pl.max_horizontal(LIGHT_H * times, LIGHT_SHARE * top_h, habit_h)
    return pl.when(is_top | _confirmed()).then(NEVER).otherwise(light_h)


def _flow_h(times: pl.Expr, usual_h: pl.Expr) -> pl.Expr:
    """For loads, grid flows and batteries: by what the others tell, else by resolution and habits."""
    # Where the others tell that this one moved, resolution and habits need no asking.
    open_limit_w = pl.max_horizontal(OPEN_SHARE * pl.col("flow_w"), OPEN_STEPS * pl.col("step"))
    by_balance = pl.when(pl.col("open_w") > open_limit_w).then(FLOW_H * times).otherwise(NEVER)
    # What is held by regulation stands still in truth; a load is not.
    is_held = _confirmed() & (pl.col("channel") != "load_w")
    sure_h = pl.when(_moving()).then(SURE_H).otherwise(ALONE_H)
    sure = pl.when((_in_steps() >= SURE_STEPS) & ~is_held).then(sure_h).otherwise(NEVER)
    is_telling = _moving() & (_in_steps() >= FINE_STEPS) & ~_confirmed()
    by_habit = pl.when(is_telling).then(pl.max_horizontal(FLOW_H * times, usual_h)).otherwise(NEVER)
    return pl.min_horizontal(by_balance.fill_null(NEVER), sure.fill_null(NEVER), by_habit.fill_null(NEVER))


def _in_steps() -> pl.Expr:
    """The value in steps of its meter; infinite where it has none to speak of, null where none is known."""
    step = pl.col("step")
    return pl.when(step > 0).then(pl.col("value").abs() / step).when(step == 0).then(NEVER)


def _moving() -> pl.Expr:
    return pl.col("moves") >= MOVING_SHARE * pl.col("repeats")


def _confirmed() -> pl.Expr:
    """The other meters tell that this one did stand still. A load worked out from the others confirms nothing."""
    meters_w = pl.max_horizontal(CONFIRMED_SHARE * pl.col("flow_w"), pl.col("step"))
    return pl.col("open_w").is_between(WORKED_OUT_SHARE * pl.col("flow_w"), meters_w).fill_null(False)


def _finding(frozen: pl.DataFrame, device_readings: pl.DataFrame, day: date) -> Finding:
    """One finding of a site for all its channels that stand still, the longest first."""
    ordered = frozen.sort("total_h", "device_id", "channel", descending=[True, False, False])
    first = ordered.row(0, named=True)
    names = ordered["channel"].unique(maintain_order=True).to_list()
    whose = f" of device {first['device_id']}" if first["device_id"] else ""
    others = f"; so do {', '.join(names[1:])}" if len(names) > 1 else ""
    stands = f"{first['channel']}{whose} repeats {first['value']:g} for {first['total_h']:.1f} hours"
    evidence: dict[str, EvidenceValue] = {"channel_name": ", ".join(names), "device_name": first["device_id"] or None}
    for row in ordered.unique("channel", keep="first", maintain_order=True).iter_rows(named=True):
        name, own_unit = _split(row["channel"])
        evidence[f"{name}_frozen_h"] = row["total_h"]
        evidence[f"{name}_stands_at_{own_unit}"] = row["value"]
        evidence[f"{name}_usual_run_h"] = row["usual_h"]
    return Finding(
        site_id=first["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=first["total_h"],
        unit="h",
        threshold=first["needed_h"],
        summary=f"{stands}{others}.",
        measured=stands,
        expected=f"no run of equal values beyond {first['needed_h']:.1f} hours",
        since=first["since"],
        evidence=evidence,
        series=_picture(device_readings, first),
    )


def _split(channel: str) -> tuple[str, str]:
    """The channel's name and the unit at its end."""
    unit = "w_m2" if channel.endswith("_w_m2") else channel.rpartition("_")[2]
    return channel.removesuffix(f"_{unit}"), unit


def _picture(device_readings: pl.DataFrame, run: dict) -> tuple[Series, ...]:
    course = (
        device_readings.filter((pl.col("site_id") == run["site_id"]) & (pl.col("device_id") == run["device_id"]))
        .group_by(pl.col("ts_utc").dt.truncate(f"{PICTURE_MINUTES}m"))
        .agg(pl.col(run["channel"]).mean())
        .sort("ts_utc")
    )
    return channel_series(course, "ts_utc", run["channel"])
