"""Segments of a device's readings that are an exact copy of earlier ones: sent again under other stamps.

A logger can repeat only what it has measured, so of two equal segments the later one is the copy.

Chance is excluded by how much the values vary. A jump is a change that no smooth course foretells, beyond what
rounding makes of one; a segment counts as a copy where one of its powers shows MIN_JUMPS jumps of clearly different
heights.
Were each of these drawn from no more heights than are seen, n of them would agree once in n^n, for 16 once in 2^64
(and all other values agree too). A fleet of 10,000 sites at 5 min compares 2^44 pairs of segments a year at most
(10,000 x 105,000 x 35 days x 288, each for a beginning). Nights, limits, timers, plans by the hour and
clear days show few such jumps; so do the 24 values of a day read by the hour, which is never called a copy.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl

from detectors.data_quality.flagged_values import FLAGGED_VALUES, OWN, of_rows
from detectors.frames import CHANNELS, PHASE_CHANNELS, POWER_CHANNELS, STRING_CHANNELS
from detectors.stats.resolution import resolution_of
from detectors.stats.rows import ordered
from detectors.stats.units import in_units

MIN_JUMPS = 16  # ours: 16^16 = 2^64, see above
BESIDE_RATIO = 10.0  # ours: a plan by the hour stands still beside its jumps, and what was measured does not
DIGITS = 1e-4  # an export's decimals, as in the resolution of a meter
FORETOLD_STEPS = 8.0  # ours: four times what rounding makes of a change against those beside it (1, 3, 3, 1 halves)
ALIKE_RATIO = 1.1  # ours: heights that differ by less are one: a pattern on a smooth course varies by that course
DECIMALS = tuple(10.0**n for n in range(3, -5, -1))  # W: of kW with some decimals, or of W
PRINT_ROWS = 5  # ours: five rows in a row agree by chance too rarely to be looked at in vain
PRINT_S = 3600  # ours: one print an hour, on average
VARIED_DAYS = 3  # ours: a device that never showed days that differ may as well have the same day every day
MIN_PRINTS = 2  # ours: a segment of 6 h shows two or more in 98 of 100 cases, a day's light practically always
VARIED = (*POWER_CHANNELS, *STRING_CHANNELS, *PHASE_CHANNELS, "irradiance_w_m2")

PRINTS = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "device_id": pl.String(),
        "print": pl.Int32(),  # of all values of five rows in a row
    }
)
CANDIDATES = pl.Schema(
    {"site_id": pl.String(), "device_id": pl.String(), "day": pl.Date(), "source_day": pl.Date()}
)  # fmt: skip
_DAY = pl.col("ts_local").dt.date().alias("day")


def prints(device_readings: pl.DataFrame) -> pl.DataFrame:
    """PRINTS of whole local days of DEVICE_READINGS, in any order: some of their rows, chosen by their values alone.

    What was sent again has the same prints, whatever its stamps. Rows that repeat one of those around make none.
    """
    rows = in_units(device_readings)
    if rows.height < PRINT_ROWS:
        return PRINTS.to_frame()
    row = _row_hashes(rows)
    unit = rows["unit"].to_numpy()
    count = rows.height - PRINT_ROWS + 1
    of_five = np.zeros(count, np.uint64)
    is_varied = unit[:count] == unit[PRINT_ROWS - 1 :]
    for place in range(PRINT_ROWS):
        part = row[place : place + count]
        of_five = _mixed(of_five ^ part)
        for other in range(place):
            is_varied &= part != row[other : other + count]
    every = np.maximum(PRINT_S // np.maximum(rows["interval_s"].to_numpy()[:count], 1), 1).astype(np.uint64)
    chosen = is_varied & ((of_five >> np.uint64(33)) % every == 0)
    short = (of_five & np.uint64(0x7FFFFFFF)).astype(np.int32)
    printed = rows.head(count).select("site_id", "day", "device_id").with_columns(pl.Series("print", short))
    return printed.filter(pl.Series(chosen)).sort("site_id", "day", "device_id", "print").cast(PRINTS)


def candidates(now: pl.DataFrame, known: pl.DataFrame, window_days: int) -> pl.DataFrame:
    """CANDIDATES: for days of `now` (PRINTS), the days of `known` (PRINTS) up to them that share some prints with them.

    A day shares with itself what comes twice in it. Days on which a device had not shown some that differ are none:
    made-up exports, and loads on a plan, often have one day over and over.
    """
    own = [*OWN, "print"]
    back = (pl.col("day") - pl.col("source_day")).dt.total_days()
    again = pl.len() > 1
    shared = (
        now.unique()
        .join(known.rename({"day": "source_day"}), on=own)
        .filter(back.is_between(0, window_days))
        .group_by(*own, "day", "source_day")
        .agg(again=again)
        .filter((pl.col("day") != pl.col("source_day")) | pl.col("again"))
        .group_by(*OWN, "day", "source_day")
        .agg(shared=pl.len())
        .filter(pl.col("shared") >= MIN_PRINTS)
    )
    varied = (
        shared.select(*OWN, "day")
        .unique()
        .join(_new_days(known.join(shared.select(OWN), on=OWN, how="semi")), on=OWN)
        .filter((pl.col("day") - pl.col("new_day")).dt.total_days().is_between(1, window_days))
        .group_by(*OWN, "day")
        .agg(varied=pl.len())
        .filter(pl.col("varied") >= VARIED_DAYS)
    )
    likely = shared.join(varied, on=[*OWN, "day"], how="semi")
    return likely.select(CANDIDATES.names()).sort(*OWN, "day", "source_day")


def _new_days(known: pl.DataFrame) -> pl.DataFrame:
    """[site_id, device_id, new_day]: the days of PRINTS that are no copies: some of their prints are new."""
    first = known.group_by(*OWN, "print").agg(new_day=pl.col("day").min())
    return first.group_by(*OWN, "new_day").agg(prints=pl.len()).filter(pl.col("prints") >= MIN_PRINTS).drop("prints")


def copied_values(device_readings: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of copied segments on the days of `found` (CANDIDATES), of readings that hold these days."""
    rows = of_devices(device_readings, found)
    flagged = [FLAGGED_VALUES.to_frame()]
    for (site_id, device_id, day), sources in found.group_by(*OWN, "day", maintain_order=True):
        mine = rows[site_id, device_id]
        then = mine.filter(pl.col("day").is_in([*sources["source_day"], day]) & (pl.col("day") <= day))
        flagged.append(_of_day(mine.filter(pl.col("day") == day), then))
    return pl.concat(flagged)


def of_devices(device_readings: pl.DataFrame, wanted: pl.DataFrame) -> Mapping[tuple[Any, ...], pl.DataFrame]:
    """(site_id, device_id) -> its readings, by time and with `day`: of the devices of `wanted`; of others no rows."""
    asked = device_readings.join(wanted, on=OWN, how="semi").with_columns(_DAY)
    parts = ordered(asked, *OWN, "ts_utc").partition_by(OWN, as_dict=True, maintain_order=True)
    return defaultdict(asked.clear, parts)


def _of_day(rows: pl.DataFrame, earlier: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of one device's day that was copied from `earlier` rows, which end with its own, by time."""
    origin = origins(rows, earlier, jumps, is_own=True)
    if (origin < 0).all():
        return FLAGGED_VALUES.to_frame()
    stamps = earlier["ts_local"].dt.strftime("%Y-%m-%d")
    sourced = rows.with_columns(
        pl.Series("source", [stamps[int(at)] if at >= 0 else None for at in origin], dtype=pl.String)
    )
    reason = pl.concat_str(pl.lit("an exact copy of readings stamped "), "source")
    is_copy = pl.col("source").is_not_null()
    return of_rows(sourced, CHANNELS, is_copy, flag="duplicated", rule="copied", reason=reason)


def origins(
    rows: pl.DataFrame, others: pl.DataFrame, jumps_of: Callable[[pl.DataFrame], Mapping[str, np.ndarray]], *,
    is_own: bool,
) -> np.ndarray:  # fmt: skip
    """For each of `rows`, by time, its place among `others` that it is an exact copy of; -1 = it is none.

    `jumps_of`: the jumps by which chance is excluded, by channel; `is_own`: the others end with the rows themselves.
    """
    now, then = _row_hashes(rows), _row_hashes(others)
    origin = np.full(len(now), -1)
    if min(len(now), len(then)) == 0:
        return origin
    lags = _lags(now, then, len(now) - len(then) + 1 if is_own else -len(then))
    heights = jumps_of(rows) if lags else {}
    for lag in lags:
        first = max(0, lag)
        last = min(len(now), len(then) + lag)
        same = np.zeros(len(now) + 2, bool)
        same[first + 1 : last + 1] = now[first:last] == then[first - lag : last - lag]
        edges = np.flatnonzero(np.diff(same.astype(np.int8)))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            begin, end = _trimmed(now, int(begin), int(end))
            if _different(heights, begin, end) >= MIN_JUMPS:
                place = np.arange(begin, end)
                origin[place] = np.where(origin[place] < 0, place - lag, origin[place])
    return origin


def _lags(now: np.ndarray, then: np.ndarray, lowest: int) -> list[int]:
    """By how many rows `now` stands behind `then` where enough of its changing rows agree, the most agreeing first."""
    changing = np.concatenate([[True], now[1:] != now[:-1]])
    order = np.argsort(then, kind="stable")
    left, right = (np.searchsorted(then[order], now[changing], side) for side in ("left", "right"))
    at = np.repeat(np.flatnonzero(changing), right - left)
    sources = [order[a:b] for a, b in zip(left, right, strict=True)]
    lag = at - (np.concatenate(sources) if sources else at)
    lags, counts = np.unique(lag, return_counts=True)
    enough = (counts >= MIN_JUMPS) & (lags >= lowest)
    return [int(one) for one in lags[enough][np.argsort(-counts[enough], kind="stable")]]


def _trimmed(now: np.ndarray, begin: int, end: int) -> tuple[int, int]:
    """A segment without what stands still at its ends: nights agree with nights."""
    moves = np.flatnonzero(now[begin + 1 : end] != now[begin : end - 1])
    return (begin + int(moves[0]), begin + int(moves[-1]) + 2) if len(moves) else (begin, begin)


def jumps(rows: pl.DataFrame) -> dict[str, np.ndarray]:
    """Channel -> heights of the rows' jumps, in classes a tenth wide; NaN where there is none.

    A jump's height is how far a change differs from the mean of the changes before and after it, none of which is
    a tenth of another one.
    """
    found = {}
    has_both = all(rows[name].null_count() < rows.height for name in ("pv_w", "load_w"))
    for name in VARIED:
        if has_both and name == "grid_w":
            continue  # the difference of the two: a plan by the hour on a smooth course looks varied in it
        resolution = step_of(rows, name)
        if resolution is None:
            continue
        change = np.diff(rows[name].to_numpy())
        height = np.full(rows.height, np.nan)
        size = np.abs(np.lib.stride_tricks.sliding_window_view(change, 3))
        is_amid = size.max(axis=1) <= BESIDE_RATIO * size.min(axis=1)
        height[2:-1] = np.where(is_amid, np.abs(change[1:-1] - (change[:-2] + change[2:]) / 2), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            classes = np.round(np.log(height) / np.log(ALIKE_RATIO))
        found[name] = np.where(height > FORETOLD_STEPS * resolution, classes, np.nan)
    return found


def step_of(rows: pl.DataFrame, name: str) -> float | None:
    """A channel's resolution, or the decimal that its values keep to, if that is coarser; null = it hardly varies."""
    resolution = resolution_of(rows[name])
    if resolution is None:
        return None
    values = rows[name].drop_nulls().to_numpy()
    fitting = (one for one in DECIMALS if (np.abs(values / one - np.round(values / one)) < 1e-6).all())
    return max(resolution, next(fitting, DECIMALS[-1]))


def _different(heights: Mapping[str, np.ndarray], begin: int, end: int) -> int:
    """How many heights the jumps of a segment have, in the channel that shows the most."""
    inside = (one[begin:end] for one in heights.values())
    return max((len(np.unique(one[np.isfinite(one)])) for one in inside), default=0)


def _row_hashes(rows: pl.DataFrame) -> np.ndarray:
    """A number of 64 bits for all values of each row; the same on every machine."""
    hashed = np.zeros(rows.height, np.uint64)
    for nth, name in enumerate(CHANNELS, 1):
        known = rows[name].drop_nulls()
        if known.is_empty():
            continue
        counts = (known / DIGITS).round(0).clip(-(2.0**62), 2.0**62).cast(pl.Int64).to_numpy()
        mixed = _mixed(counts.view(np.uint64) ^ np.uint64(nth * 0x9E3779B97F4A7C15 % 2**64))
        at = ... if len(known) == rows.height else rows[name].is_not_null().to_numpy()
        hashed[at] = _mixed(hashed[at] ^ mixed)
    return hashed


def _mixed(number: np.ndarray) -> np.ndarray:
    """The finalizer of splitmix64 (Steele, Lea and Flood 2014, constants from memory): all bits depend on all."""
    number = (number ^ (number >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    number = (number ^ (number >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return number ^ (number >> np.uint64(31))
