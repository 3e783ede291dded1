"""A lone value that neither of its neighbours and none of the other meters bears out.

IEC 61724-1 names the abrupt change among the faults of readings. A kettle or a cloud changes as abruptly, but then
another meter shows it too: where powers add up before and after, and a value alone is off by just what is left open,
that value is wrong. Levels, voltages and temperatures cannot leave and come back within one interval at all.
"""

from collections.abc import Iterable
from typing import NamedTuple

import polars as pl

from detectors.data_quality.flagged_values import FLAGGED_VALUES, OWN
from detectors.data_quality.plausibility import C_RATE, TEMPERATURES, VOLTAGE_OFF
from detectors.frames import VOLTAGE_CHANNELS
from detectors.stats.units import among_units

# What pv + battery + grid - load leaves open is next to nothing.
SIGNS = {"pv_w": 1, "battery_w": 1, "grid_w": 1, "load_w": -1}
MIN_SHARE = 0.1  # ours: a tenth of the rating, more than meters of an interval's skew leave open
MIN_W = 300.0  # ours: on small sites, what comes and goes with a kettle
AGREES = 0.25  # ours: what is left open is the lone value's own step to a quarter, and nothing beside it
CLOSES_SHARE = 0.8  # ours: of the readings with a real flow; where the sum does not close, it bears nothing out
BRIDGED = 1.5  # further apart, values are no neighbours
QUICK_S = 900  # ours: within a quarter of an hour and back
SOC_SLACK_PCT = 5.0  # ours: levels in whole per cent, corrected at the top
VOLTAGE_SHARE = 0.2  # ours: twice the band of EN 50160
JUMP_C = 30.0  # ours: a sensor's heat capacity alone forbids it
SAME_SHARE = 0.5  # ours: neighbours differ from each other by half as much at most


class _Asked(NamedTuple):
    """A channel's question to every row, answered for all channels at once."""

    name: str
    is_lone: pl.Expr
    neighbour: pl.Expr
    reason: str


def lone_values(rows: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of a day's rated rows; at a day's ends both neighbours lie in it."""
    known = {name for name in rows.columns if rows[name].null_count() < rows.height}
    has_flows = all(name in known for name in ("pv_w", "grid_w", "load_w"))
    levels = {name: limit for name, limit in _jumps().items() if name in known}
    flows = {name: sign for name, sign in SIGNS.items() if name in known} if has_flows else {}
    if has_flows:
        rows = rows.with_columns(open_w=_open_w()).with_columns(closes=_closes())
    beside = _with_neighbours(rows, [*flows, *levels, *(["open_w"] if has_flows else [])])
    asked = [
        *(_lone_flow(name, sign) for name, sign in flows.items()),
        *(_lone_level(name, limit) for name, limit in levels.items()),
    ]
    answers = beside.select((one.is_lone & pl.col("is_close")).fill_null(False).alias(one.name) for one in asked)
    found = [_flagged(beside, answers[one.name], one) for one in asked if answers[one.name].any()]
    return pl.concat([FLAGGED_VALUES.to_frame(), *found])


def _jumps() -> dict[str, pl.Expr]:
    """By how much a value may differ from both neighbours."""
    hours = pl.col("interval_s") / 3600
    c_rate = pl.min_horizontal(pl.lit(C_RATE), 1.5 * pl.col("rating_w") / 1000 / pl.col("battery_kwh"))
    volts = VOLTAGE_SHARE * pl.col("nominal_voltage_v")
    return {
        "soc_pct": SOC_SLACK_PCT + 100 * c_rate * hours,
        **dict.fromkeys(VOLTAGE_CHANNELS, volts),
        **dict.fromkeys(TEMPERATURES, pl.lit(JUMP_C)),
    }


def _with_neighbours(rows: pl.DataFrame, names: Iterable[str]) -> pl.DataFrame:
    """The rows with is_close, whether their neighbours lie next to them, and what `_beside` names of some columns."""
    is_own = {by: (pl.col("unit") == pl.col("unit").shift(by)).fill_null(False) for by in (-2, -1, 1, 2)}
    rows = rows.with_columns(one.alias(f"is_own_{by}") for by, one in is_own.items())

    def own(name: str, by: int) -> pl.Expr:
        return pl.when(f"is_own_{by}").then(pl.col(name).shift(by))

    gaps = own("ts_utc", -1) - pl.col("ts_utc"), pl.col("ts_utc") - own("ts_utc", 1)
    gap_s = pl.max_horizontal(*(one.dt.total_milliseconds() / 1000 for one in gaps))
    return rows.with_columns(
        (gap_s <= BRIDGED * pl.col("interval_s")).alias("is_close"),
        *(
            pl.when(f"is_own_{near}").then(pl.col(name).shift(near)).otherwise(own(name, -2 * near)).alias(beside)
            for name in names
            for near, beside in ((1, f"{name}_before"), (-1, f"{name}_after"))
        ),
    )


def _beside(name: str) -> tuple[pl.Expr, pl.Expr]:
    """The neighbours of a column's values: before and after, or at a unit's ends the two nearest ones."""
    return pl.col(f"{name}_before"), pl.col(f"{name}_after")


def _lone_level(name: str, limit: pl.Expr) -> _Asked:
    one, other = _beside(name)
    away = pl.min_horizontal((pl.col(name) - one).abs(), (pl.col(name) - other).abs())
    is_lone = (away > limit) & ((one - other).abs() <= SAME_SHARE * limit) & (pl.col("interval_s") <= QUICK_S)
    if name in VOLTAGE_CHANNELS:  # the grid may be off for a moment
        is_lone = is_lone & (
            pl.min_horizontal(pl.col(name).abs(), one, other) > VOLTAGE_OFF * pl.col("nominal_voltage_v")
        )
    return _Asked(name, is_lone, one, "a lone value far from both its neighbours")


def _open_w() -> pl.Expr:
    """What the powers leave open."""
    battery = pl.when(pl.col("battery_kwh").is_null()).then(pl.col("battery_w").fill_null(0.0)).otherwise("battery_w")
    return pl.col("pv_w") + battery + pl.col("grid_w") - pl.col("load_w")


def _min_w() -> pl.Expr:
    return pl.max_horizontal(MIN_SHARE * pl.col("rating_w"), pl.lit(MIN_W))


def _lone_flow(name: str, sign: int) -> _Asked:
    """Of a flow, where all that add up are known."""
    one, other = _beside(name)
    open_one, open_other = _beside("open_w")
    step = pl.col(name) - (one + other) / 2
    beyond = pl.max_horizontal(
        pl.col(name) - pl.max_horizontal(one, other), pl.min_horizontal(one, other) - pl.col(name)
    )
    room = AGREES * step.abs()
    is_lone = (
        (beyond > _min_w())
        & (open_one.abs() <= room)
        & (open_other.abs() <= room)
        & ((pl.col("open_w") - sign * step).abs() <= room)
        & pl.col("closes")
        & (pl.col("load_w") > 0)  # a load of nothing may be a sum that was cut there: it bears nothing out
        & _moves("grid_w" if name == "load_w" else "load_w")
    )
    return _Asked(name, is_lone, one, "a lone value that no other meter shows")


def _closes() -> pl.Expr:
    """Whether a device's day adds up where the grid carries a real flow: with its sensor turned, it does not."""
    flow = pl.col("grid_w").abs()
    closes = pl.when((flow > _min_w()) & pl.col("open_w").is_not_null()).then(pl.col("open_w").abs() <= AGREES * flow)
    return (closes.mean().over("unit") >= CLOSES_SHARE).fill_null(True)


def _moves(name: str) -> pl.Expr:
    """Whether a meter shows anything new: one that is read less often repeats its value meanwhile."""
    one, other = _beside(name)
    return (pl.col(name) != one) | (pl.col(name) != other)


def _flagged(rows: pl.DataFrame, is_lone: pl.Series, asked: _Asked) -> pl.DataFrame:
    name, reason = asked.name, asked.reason
    place = pl.col(name).is_not_null().cum_sum().over("unit")
    of_devices = among_units(rows.with_columns(is_lone=is_lone), rows["unit"].filter(is_lone))
    lone = of_devices.with_columns(place=place, limit=asked.neighbour)
    return lone.filter("is_lone").select(
        *OWN, "day", "ts_utc", "end_utc", "place", "limit", channel=pl.lit(name), flag=pl.lit("implausible"),
        reason=pl.lit(reason), rule=pl.lit(f"{name.rsplit('_', 1)[0]}_lone"), value=pl.col(name),
    ).select(FLAGGED_VALUES.names()).cast(FLAGGED_VALUES)  # fmt: skip
