"""Whether a run of equal values is one that stands still: by resolution, by habit, by what the others do meanwhile."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.data_quality.ceilings import FLAT_TOP_SHARE, with_passed
from detectors.data_quality.natural_runs import (
    FLOWS,
    GENERATION,
    IDLE_W,
    KWH_PER_WH,
    MAINS,
    MOVED_PCT,
    POWERS,
    TEMPERATURES,
    level_returned,
)
from detectors.frames import PHASE_CHANNELS
from detectors.solar.position import daylight_h

WINDOW_DAYS = 90  # ours: three months show how long a channel usually stands still
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
COMMON_SHARE = 0.1  # ours: of the day's other readings; of 50 steps and more no value comes back so often by chance
HALF_DAY_H = 12.0  # ours: beyond it a day's other readings are too few to show what is common
OPEN_SHARE = 0.06  # ours: conversion loses some 5 % of what flows, so what it loses cannot vary by more
USUALLY_OPEN_SHARE = 0.06  # ours: the same; a balance that never closes tells of no single channel
BALANCE_TIMES = 1.5  # ours: half as long again as nine days in ten is longer than any of them by more than chance
OPEN_STEPS = 2.0  # four meters together err by 0.58 steps (deviation: step / sqrt 12 each)
CONFIRMED_SHARE = 0.02  # ours: two class 1 meters
WORKED_OUT_SHARE = 0.001  # ours: no two meters agree to a thousandth of what flows
BESIDE_SHARE = 0.8  # ours: of a run, in which the generation stands still too
TOP_STEPS = 1.5  # ours: clipped power shows as one step of the meter or the next
FINE_MAINS = {"frequency_hz": 0.02}  # resolution that always moves; frequency varies by some 0.02 Hz all the time
FINE_VOLTAGE = 0.2
MANY_VALUES = 8  # ours: fewer on a day are one or two values and their neighbours
MOVING_SHARE = 0.25  # ours: the others move in a quarter of the readings at least
RATIO_SLACK = 1e-3  # whole multiples, but for floating point
COARSER = 10.0  # an export that drops a decimal
ROUNDED_SPAN = 2.0  # ours: a day's values within two of the coarser steps may all be rounded to one
EDGE_H = 1.01  # runs of two days are one if both reach midnight, at hourly readings or finer
NEVER = float("inf")
SAME_DIGITS = 6  # of hours: a sum of days errs by less, whichever way it is summed


def recent_runs(
    repeats: pl.DataFrame, seen: pl.DataFrame, peaks: pl.DataFrame, sites: pl.DataFrame, day: date
) -> pl.DataFrame:
    """`frozen_runs` held against what is remembered of the days before, WINDOW_DAYS at most."""
    recent = pl.col("day").is_between(day - timedelta(days=WINDOW_DAYS), day)
    return frozen_runs(repeats.filter(recent), seen.filter(recent), peaks.filter(recent), sites, day)


def frozen_runs(
    repeats: pl.DataFrame, seen: pl.DataFrame, peaks: pl.DataFrame, sites: pl.DataFrame, day: date, *,
    usual_times: float = USUAL_TIMES,
) -> pl.DataFrame:  # fmt: skip
    """The runs of `repeats` that stand still on `day`, one per device and channel, with what they are held against.

    `repeats`, `peaks`: rows of the features `repeats` and `flow_peaks` up to `day`; `seen`: [site_id, day] of days with
    readings. Added are total_h (earlier days included), since, usual_h (longest run of nine earlier days in ten) and
    needed_h (beyond which a run is told).
    """
    candidates = repeats.filter(
        (pl.col("day") == day) & (pl.col("repeats") >= MIN_REPEATS) & (pl.col("run_h") >= min(LIGHT_H, FLOW_H, MAINS_H))
    )
    if candidates.is_empty():
        return candidates.with_columns(
            total_h=pl.lit(0.0), since=pl.lit(day), needed_h=pl.lit(0.0), usual_h=pl.lit(0.0)
        )
    past = repeats.filter(pl.col("day") < day)
    before = peaks.filter(pl.col("day") < day)
    stepped = with_passed(_beside_generation(_steps(candidates, past)), past, before, sites)
    register = sites.select("site_id", "latitude", "battery_kwh", "feed_in_limit_kw")
    stepped = stepped.join(register, on="site_id", how="left", maintain_order="left")
    stepped = stepped.with_columns(daylight_h=pl.Series(daylight_h(stepped["latitude"].to_numpy(), day)))
    habits = _habits(stepped, past, seen.filter(pl.col("day") < day).select("site_id", "day").unique(), day)
    habits = habits.with_columns(needed_h=_needed_h(usual_times))
    # What stood for so long on a day, and until midnight, stands on, however early the morning ends it.
    longest_h = pl.max_horizontal("run_h", "joined_day_h")
    habits = _with_the_sun(habits.with_columns(is_told=longest_h >= pl.col("needed_h") - 1e-9))
    return habits.filter("is_told").drop(
        "latitude", "daylight_h", "battery_kwh", "feed_in_limit_kw", "own_days", "is_told"
    )  # fmt: skip


def _with_the_sun(habits: pl.DataFrame) -> pl.DataFrame:
    """`habits`, of which is_told holds too for what stands beside generation that stood longer than the day is.

    Then it is the logger that repeats its last row, and not the site whose house and battery rest. Nothing is told of
    what stands at 0, as what is not there always does; of a battery's level `battery-reading-frozen` tells.
    """
    own = ["site_id", "device_id"]
    is_sun = (pl.col("channel") == "pv_w") & (pl.col("value") > 0) & (pl.col("run_h") > pl.col("daylight_h"))
    spans = habits.filter("is_told", is_sun).select(*own, sun_start_h="start_h", sun_end_h="end_h")
    if spans.is_empty():
        return habits
    both_h = pl.min_horizontal("end_h", "sun_end_h") - pl.max_horizontal("start_h", "sun_start_h")
    is_beside = both_h >= BESIDE_SHARE * (pl.col("sun_end_h") - pl.col("sun_start_h"))
    is_with = (pl.col("channel").is_in(FLOWS) & is_beside & (pl.col("value") != 0)).fill_null(False)
    return (
        habits.join(spans, on=own, how="left", maintain_order="left")
        .with_columns(
            is_told=pl.col("is_told") | is_with,
            needed_h=pl.when(is_with).then(pl.min_horizontal("needed_h", "daylight_h")).otherwise("needed_h"),
        )
        .drop("sun_start_h", "sun_end_h")
    )


def _steps(candidates: pl.DataFrame, past: pl.DataFrame) -> pl.DataFrame:
    """`candidates` with the channel's step (coarsest of the day's and earlier ones', else the device's finest).

    A day of few values may show none to speak of; no meter resolves more finely for one day.
    """
    own = ["site_id", "device_id", "channel"]
    before = past.group_by(own).agg(
        step_before=pl.col("step").median(), span_before=(pl.col("step") * pl.col("distinct")).median()
    )
    coarser = COARSER * pl.col("step_before")
    off = (pl.col("value") / coarser - (pl.col("value") / coarser).round()).abs()
    is_rounded = (coarser > 0) & (off <= RATIO_SLACK) & (pl.col("span_before") <= ROUNDED_SPAN * coarser)
    # A firmware that rounds from now on rounds them all: then the device's finest step of the day divides the value.
    in_finest = pl.col("value") / pl.col("finest")
    rounded_to = pl.when((in_finest - in_finest.round()).abs() <= RATIO_SLACK).then("finest")
    step = pl.coalesce(pl.max_horizontal("step", "step_before", rounded_to), "finest")
    usual = (
        past.filter(pl.col("flow_w") > 0)
        .group_by("site_id")
        .agg(usually_open=(pl.col("open_w") / pl.col("flow_w")).median())
    )
    return candidates.join(before, on=own, how="left").join(usual, on="site_id", how="left").with_columns(
        step=pl.when(pl.col("channel").is_in(POWERS)).then(step).otherwise("step"),
        is_rounded=(pl.col("channel").is_in(MAINS) & is_rounded).fill_null(False),
    ).drop("step_before", "span_before")  # fmt: skip


def _beside_generation(candidates: pl.DataFrame) -> pl.DataFrame:
    """`candidates` with is_with_pv: a grid flow that stands still while generation does, as at an inverter's rating.

    Over a steady load it then stands still in truth; if the generation is frozen, that is told by itself, as is what
    stands beside it: generation that reaches midnight is no sun's.
    """
    is_of_sun = (pl.col("start_h") > EDGE_H) & (pl.col("end_h") < 24 - EDGE_H)
    of_pv = candidates.filter((pl.col("channel") == "pv_w") & (pl.col("value") > 0) & is_of_sun)
    spans = of_pv.group_by("site_id").agg(pv_start_h=pl.col("start_h").min(), pv_end_h=pl.col("end_h").max())
    both_h = pl.min_horizontal("end_h", "pv_end_h") - pl.max_horizontal("start_h", "pv_start_h")
    is_grid = pl.col("channel").is_in(["grid_w", *PHASE_CHANNELS])
    is_with = is_grid & pl.col("pv_end_h").is_not_null() & (both_h >= BESIDE_SHARE * pl.col("run_h"))
    joined = candidates.join(spans, on="site_id", how="left", maintain_order="left")
    return joined.with_columns(is_with_pv=is_with.fill_null(False)).drop("pv_start_h", "pv_end_h")


def _habits(candidates: pl.DataFrame, past: pl.DataFrame, days: pl.DataFrame, day: date) -> pl.DataFrame:
    """`candidates` with usual_h (the longest run of nine earlier days in ten), known_days, total_h and since.

    Days just before from which the same value stands belong to the same run, not to the habits.
    """
    own = ["site_id", "device_id", "channel"]
    known = days.group_by("site_id").agg(known_days=pl.len().cast(pl.Int64))
    now = candidates.select(*own, now_value="value", now_start="start_h")
    earlier = (
        past.join(now, on=own, how="inner")
        .with_columns(back=(day - pl.col("day")).dt.total_days())
        .sort(*own, "back")
        .with_columns(place=pl.int_range(1, pl.len() + 1).over(own), later_start=pl.col("start_h").shift(1).over(own))
    )
    same = (pl.col("value") - pl.col("now_value")).abs() <= 1e-6 * pl.col("now_value").abs().clip(lower_bound=1.0)
    joined = same & (pl.col("end_h") >= 24 - EDGE_H) & (pl.coalesce("later_start", "now_start") <= EDGE_H)
    is_same = same & (pl.col("back") == pl.col("place"))
    is_joined = joined & (pl.col("back") == pl.col("place"))
    earlier = earlier.with_columns(
        # Street frequency comes back to its nominal value each day; a power to the very watt does not.
        is_episode=(is_same & pl.col("channel").is_in(POWERS)).cast(pl.Int8).cum_min().over(own).cast(pl.Boolean),
        is_joined=is_joined.cast(pl.Int8).cum_min().over(own).cast(pl.Boolean),
    ).with_columns(pl.col("is_episode") | pl.col("is_joined"))
    episode = earlier.group_by(own).agg(
        episode_days=pl.col("is_episode").sum().cast(pl.Int64),
        joined_h=pl.col("run_h").filter("is_joined").sum(),
        joined_day_h=pl.col("run_h").filter("is_joined").max(),
        own_days=(~pl.col("is_episode")).sum().cast(pl.Int64),
    )
    stated = (
        candidates.join(known, on="site_id", how="left")
        .join(episode, on=own, how="left")
        .with_columns(pl.col("known_days", "episode_days", "own_days").fill_null(0), pl.col("joined_h").fill_null(0.0))
        .with_columns(known_days=(pl.col("known_days") - pl.col("episode_days")).clip(lower_bound=0))
        .with_columns(place=(USUAL_SHARE * pl.col("known_days")).floor().cast(pl.Int64))
    )
    habits = (
        earlier.filter(~pl.col("is_episode"))
        .sort(*own, "run_h", descending=[False] * 3 + [True])
        .with_columns(place=pl.int_range(pl.len()).over(own))
        .select(*own, "place", usual_h="run_h")
    )
    since = pl.lit(day) - pl.duration(days=pl.col("episode_days"))
    return (
        stated.join(habits, on=[*own, "place"], how="left")
        .with_columns(
            pl.col("usual_h").fill_null(0.0),
            total_h=(pl.col("run_h") + pl.col("joined_h")).round(SAME_DIGITS),
            since=since,
        )
        .drop("place")
    )


def _needed_h(usual_times: float) -> pl.Expr:
    """How long each candidate must have stood still on the day; infinite where that can't be told."""
    channel, is_new = pl.col("channel"), pl.col("known_days") < MIN_DAYS
    times = pl.when(is_new).then(NEW_TIMES).otherwise(1.0)
    usual_h = pl.when(is_new).then(0.0).otherwise(usual_times * pl.col("usual_h"))
    fine = channel.replace_strict(FINE_MAINS, default=FINE_VOLTAGE, return_dtype=pl.Float64)
    is_fine = ((pl.col("step") <= fine) & (pl.col("distinct") >= MANY_VALUES)).fill_null(False)
    # What repeats itself by rounding alone does so every day: until its own days show for how long, as after a firmware
    # that rounds and averages more than the one before, nothing is told of it.
    is_coarse = ((pl.col("step") > fine) & (pl.col("own_days") < MIN_DAYS)).fill_null(False)
    slow = pl.when(channel == "soc_pct").then(LEVEL_H).otherwise(TEMPERATURE_H)
    return (
        pl.when(channel.is_in([*GENERATION, "irradiance_w_m2"]))
        .then(_light_h(times, usual_h))
        .when(channel.is_in(FLOWS))
        .then(_flow_h(times, usual_h, is_new))
        .when(pl.col("is_rounded"))  # the export drops a decimal since: habits have to show anew
        .then(NEVER)
        .when(channel.is_in(MAINS) & (~is_new | is_fine) & ~is_coarse)
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
    meter_w = pl.max_horizontal(TOP_STEPS * pl.col("step"), (1 - FLAT_TOP_SHARE) * pl.col("value").abs())
    is_top = (pl.col("below_top") <= meter_w).fill_null(False) & ~pl.col("is_passed")
    light_h = pl.max_horizontal(LIGHT_H * times, LIGHT_SHARE * top_h, habit_h)
    # No meter confirms what the sun cannot do: a load that is worked out and then rounded looks like one of its own.
    is_confirmed = _confirmed() & (pl.col("run_h") <= pl.col("daylight_h"))
    return pl.when(is_top | is_confirmed).then(NEVER).otherwise(light_h)


def _flow_h(times: pl.Expr, usual_h: pl.Expr, is_new: pl.Expr) -> pl.Expr:
    """For loads, grid flows and batteries: by what the others tell, else by resolution and habits."""
    channel = pl.col("channel")
    # Where the others tell that this one moved, its resolution needs no asking.
    open_limit_w = pl.max_horizontal(OPEN_SHARE * pl.col("flow_w"), OPEN_STEPS * pl.col("step"))
    # What one day closed is no habit: a balance that is broken from the first day on would name whatever stands still.
    closes = (pl.col("usually_open") <= USUALLY_OPEN_SHARE).fill_null(True) & ~is_new
    # The powers of the whole site add up or not; one phase of three is not among them, and may stand still meanwhile.
    is_summed = ~channel.is_in(PHASE_CHANNELS)
    by_balance = (
        pl.when((pl.col("open_w") > open_limit_w) & closes & is_summed)
        .then(pl.max_horizontal(FLOW_H * times, BALANCE_TIMES * pl.col("usual_h")))
        .otherwise(NEVER)
    )
    # A meter of few large steps, to which something fine is added now and then, shows by the values that come back.
    is_common = (pl.col("elsewhere_ratio") >= COMMON_SHARE) & (pl.col("run_h") < HALF_DAY_H)
    is_fine = ~is_common.fill_null(False)
    # What is held by regulation stands still in truth; a load is not.
    is_held = _confirmed() & (channel != "load_w")
    sure_h = pl.when(_moving()).then(SURE_H).otherwise(ALONE_H)
    sure = (
        pl.when((_in_steps() >= SURE_STEPS) & is_fine & ~is_held & ~pl.col("is_with_pv")).then(sure_h).otherwise(NEVER)
    )
    is_telling = _moving() & (_in_steps() >= FINE_STEPS) & is_fine & ~_confirmed() & ~pl.col("is_with_pv")
    # What is alone on a phase, as a car that charges, draws the same for hours while the others have all the rest.
    habit_h = pl.when(is_summed).then(FLOW_H).otherwise(SURE_H)
    by_habit = pl.when(is_telling).then(pl.max_horizontal(habit_h * times, usual_h)).otherwise(NEVER)
    # Where nothing regulates the grid it is load less generation, and no load follows the sun by many steps.
    is_free = pl.col("battery_kwh").is_null() & pl.col("feed_in_limit_kw").is_null() & (channel == "grid_w")
    is_lit = is_free & _moving() & (pl.col("flow_w") >= FINE_STEPS * pl.col("step").fill_null(0.0))
    by_sun = pl.when(is_lit & ~_confirmed() & ~pl.col("is_with_pv")).then(pl.max_horizontal(FLOW_H * times, usual_h))
    by_level = pl.when(_level_moved()).then(FLOW_H * times).otherwise(NEVER)
    by_return = pl.when((channel == "battery_w") & level_returned()).then(FLOW_H * times).otherwise(NEVER)
    by_others = pl.min_horizontal(*(one.fill_null(NEVER) for one in (by_balance, sure, by_habit, by_sun, by_return)))
    is_at_rest = (channel == "battery_w") & (pl.col("value").abs() <= IDLE_W)
    return pl.when(is_at_rest).then(by_level).otherwise(by_others)


def _level_moved() -> pl.Expr:
    """Whether a battery's level moved by more than its power, within resolution and standby, can have moved it."""
    unseen_w = pl.max_horizontal(pl.col("step"), pl.col("value").abs(), pl.lit(IDLE_W))
    unseen_pct = 100 * KWH_PER_WH * unseen_w * pl.col("run_h") / pl.col("battery_kwh")
    return (pl.col("soc_moved_pct") >= MOVED_PCT + unseen_pct).fill_null(False)


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
