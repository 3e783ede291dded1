"""What each day's rests tell of where a battery stops: stuck above its reserve, clear, or nothing of it."""

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT
from detectors.battery.given import FULL_PCT
from detectors.battery.level_days import DRAW_W

MARGIN_PCT = 5.0  # ours: twice the band in which a level settles, and a per cent for what the reading recovers at rest
LEVEL_BAND_PCT = 3.0  # ours: levels of several evenings within it are one level
MIN_REST_H = 0.5  # ours: shorter rests are switching, a test or a step of the reading
MIN_REST_KWH = 0.3  # ours: half an hour of cooking; less is worth no visit
MIN_REST_SHARE = 0.02  # ours: the same for batteries above 15 kWh, in terms of the capacity
AT_LEVEL_RATIO = 0.6  # ours: most of what was imported at rest must lie at one level

BY = ["site_id", "day"]


def is_full(level: pl.Expr) -> pl.Expr:
    """Whether a level is the one at which charging was seen to end (`ceiling_pct`), or full."""
    return level >= pl.col("ceiling_pct").fill_null(FULL_PCT) - LEVEL_BAND_PCT


def day_states(rests: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Each day as `stuck`, `clear`, `waits`, `scattered`, `unneeded` or `unknown`, in order."""
    known = sites.select(
        "site_id", "battery_kwh", "battery_reserve_pct", "battery_resume_pct", "import_limit_kw", "feed_in_buffer_w",
        "ceiling_pct",
    )  # fmt: skip
    reserve, level = pl.col("battery_reserve_pct"), pl.col("level_pct")
    resume = pl.max_horizontal(
        reserve, pl.col("battery_resume_pct").fill_null(FULL_PCT)
    )  # not known: it may wait anywhere
    enough_kwh = pl.max_horizontal(pl.lit(MIN_REST_KWH), MIN_REST_SHARE * pl.col("battery_kwh"))
    is_long = (pl.col("level_kwh") >= enough_kwh) & (pl.col("level_h") >= MIN_REST_H)
    rested = is_long & was_asked(pl.col("feed_in_buffer_w"))
    is_high = level > reserve + MARGIN_PCT
    # Below the level of resuming only a stop out of discharge shows a floor: else it may be waiting for charge. A full
    # battery has nothing to wait for.
    is_sure = (level > resume + RESERVE_BAND_PCT) | is_full(level) | pl.col("has_stop")
    own = rests.join(known, on="site_id", how="inner").sort(BY)
    return own.with_columns(
        state=pl.when(pl.col("seen_h").fill_null(0) == 0)
        .then(pl.lit("unknown"))
        .when(rested & is_high & (pl.col("is_steady") | pl.col("is_still")))
        .then(pl.lit("unknown"))
        .when(rested & is_high & ~is_sure)
        .then(pl.lit("waits"))
        .when(rested & is_high & (pl.col("level_kwh") >= AT_LEVEL_RATIO * pl.col("rest_kwh")))
        .then(pl.lit("stuck"))
        .when(rested & is_high)
        .then(pl.lit("scattered"))
        .when(pl.col("lowest_use_pct").is_not_null() | rested)
        .then(pl.lit("clear"))
        .otherwise(pl.lit("unneeded"))
    )


def was_asked(import_w: pl.Expr) -> pl.Expr:
    """Whether the house asked for more, at rest at a day's level, than the import that the control keeps up, W.

    The rests themselves leave out what the register gives of that; what was learned of it is known only later.
    """
    return 1000 * pl.col("level_kwh") >= (DRAW_W + import_w.fill_null(0)) * pl.col("level_h")


def stuck_run(past: pl.DataFrame) -> pl.DataFrame | None:
    """The stuck days, oldest first, since it last gave below the newest of their levels."""
    stuck = past.filter(pl.col("state") == "stuck")
    if stuck.is_empty():
        return None
    below = past.filter(pl.col("lowest_use_pct") < stuck["level_pct"][-1] - LEVEL_BAND_PCT)
    return stuck if below.is_empty() else stuck.filter(pl.col("day") > below["day"][-1])
