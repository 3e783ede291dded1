"""Which runs of equal readings need no fault to explain them, channel by channel.

Nothing generated at night, a battery that rests, a regulated grid flow and whole numbers of slow quantities repeat
themselves. The rules are expressions over the rows that `repeats` makes of one device's day.
"""

import polars as pl

from detectors.frames import PHASE_CHANNELS, STRING_CHANNELS, VOLTAGE_CHANNELS

GENERATION = ("pv_w", *STRING_CHANNELS)
FLOWS = ("load_w", "grid_w", *PHASE_CHANNELS, "battery_w")
POWERS = (*GENERATION, *FLOWS)
MAINS = (*VOLTAGE_CHANNELS, "frequency_hz")
TEMPERATURES = ("module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")
WATCHED = (*POWERS, "irradiance_w_m2", "soc_pct", *MAINS, *TEMPERATURES)

IDLE_W = 30.0  # ours: on small sites, the electronics alone
EMPTY_HOUSE_W = 50.0  # ours: what stands by in an empty house draws the same all day
DARK_W_M2 = 10.0  # ours: offsets of irradiance sensors at night stay below it
BUFFER_TIMES = 2.0  # as in the site-days: a regulator holds the grid within twice its buffer
NEAR_LIMIT_SHARE = 0.02  # ours: a limit is held within the error of the meter that regulates
NO_GRID_W = 1.0  # ours: nothing but the meter's rounding passes a grid that is off
ADDS_UP_SHARE = 0.01  # ours: class 1 meters; where generation were read wrongly, the balance would move with the load
DUSK_H = 1.0  # ours: hourly readings round both ends of the light up; below 1 % of the rating does not count
FULL_PCT = 97.0  # ours: batteries balance their cells near the top, some show 98 or 99 % then
NEAR_FLOOR_PCT = 2.0  # common practice: levels are shown in whole per cent and settle within two
KWH_PER_WH = 1e-3
FITS = 0.5  # ours: a charge that follows the power at least by half confirms it, conversion losses and wear included
MOVED_PCT = 15.0  # ours: a level that is no power's: self-discharge and steps of five per cent stay below
OVERFULL = 1.1  # ours: more than 1.1 x its capacity cannot go into or out of a battery in one go


def is_natural(name: str) -> pl.Expr:
    """Whether a run of channel `name` needs no fault to explain it."""
    value, size = pl.col("value"), pl.col("value").abs()
    idle = size <= pl.col("idle_w")
    if name in GENERATION:
        rule = idle | (value < 0) | _is_curtailed()
    elif name == "load_w":
        rule = size <= EMPTY_HOUSE_W
    elif name in ("grid_w", *PHASE_CHANNELS):
        near = NEAR_LIMIT_SHARE * pl.col("rating_w")
        at_limit = (value + pl.col("feed_in_limit_kw") * 1000).abs() <= near
        shaved = (value - pl.col("import_limit_kw") * 1000).abs() <= near
        # Nothing may be switched on at one phase of three, whatever flows through the others.
        is_quiet = (pl.col("flow_w") <= size + pl.col("idle_w")).fill_null(True)
        rests = idle & (pl.lit(name != "grid_w") | _is_regulated() | is_quiet)
        rule = rests | (size <= BUFFER_TIMES * pl.col("buffer_w")) | at_limit.fill_null(False) | shaved.fill_null(False)
    elif name == "battery_w":
        has_moved = pl.when(size <= IDLE_W).then(pl.col("soc_moved_pct") >= MOVED_PCT).otherwise(level_returned())
        rule = pl.when(idle).then(~has_moved.fill_null(False)).otherwise(_battery_is_right())
    elif name == "soc_pct":
        # Where the battery's power is read, its level is judged against that, elsewhere.
        # At a reserve that is not known it may rest anywhere.
        rests = (value <= pl.col("battery_reserve_pct") + NEAR_FLOOR_PCT).fill_null(True)
        rule = pl.col("has_battery_w") | (value >= FULL_PCT) | rests
    elif name == "irradiance_w_m2":
        rule = value <= DARK_W_M2
    elif name in MAINS:
        # Not connected, or the grid is off: what an inverter makes up for it stands still.
        rule = (value == 0) | (pl.col("grid_mean_w").abs() <= NO_GRID_W).fill_null(False)
    else:
        rule = value == 0
    return (pl.col("channel") == name) & rule.fill_null(False)


def _is_regulated() -> pl.Expr:
    """Whether something may keep the grid near nothing whatever flows: a battery, or a control of the feed-in."""
    return pl.col("has_battery_w") | pl.col("battery_kwh").is_not_null() | pl.col("feed_in_limit_kw").is_not_null()


def _is_curtailed() -> pl.Expr:
    """The grid meter stood at the feed-in limit and all powers added up: with a steady load, so does generation.

    They add up within the error of meters; what an idle house draws is rounded by more than that.
    """
    at_limit_w = (pl.col("grid_mean_w") + pl.col("feed_in_limit_kw") * 1000).abs()
    near_w = NEAR_LIMIT_SHARE * pl.col("rating_w") + BUFFER_TIMES * pl.col("buffer_w")
    adds_up_w = pl.max_horizontal(ADDS_UP_SHARE * pl.col("flow_w"), pl.lit(IDLE_W))
    return ((at_limit_w <= near_w) & (pl.col("open_w") <= adds_up_w)).fill_null(False)


def below_top(name: str) -> pl.Expr:
    """How far generation stands below the day's top: clipped or curtailed, it stands close to it.

    Null where no clipping can be: no roof generates for longer than there is light.
    """
    by_day = (pl.col("run_h") < pl.col("daylight_h")) & (pl.col(f"{name}_lit_h") <= pl.col("daylight_h") + DUSK_H)
    return pl.when(by_day).then(pl.col(f"{name}_top") - pl.col("value"))


def level_returned() -> pl.Expr:
    """Whether a battery's level went and came back, as no power that stands still can move it."""
    return (pl.col("soc_moved_pct") - pl.col("soc_change_pct").abs() >= MOVED_PCT).fill_null(False)


def _battery_is_right() -> pl.Expr:
    """A schedule or a limit keeps a battery's power still; its state of charge then follows, within what it holds."""
    hours, capacity_kwh = pl.col("run_h"), pl.col("battery_kwh")
    kwh = pl.col("value") * hours * KWH_PER_WH
    expected_pct = -100 * kwh / capacity_kwh
    change = pl.col("soc_change_pct")
    follows = (change - expected_pct).abs() <= FITS * expected_pct.abs() + NEAR_FLOOR_PCT
    same_way = change * pl.col("value") < 0
    fits = kwh.abs() <= OVERFULL * capacity_kwh
    return pl.coalesce(follows, same_way, fits, pl.lit(True))
