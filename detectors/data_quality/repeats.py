"""Runs of readings in which a channel repeats one value and nothing natural explains it (`natural_runs`).

Told here from the day's own readings alone; whether the top of a day can be clipped, days before it tell (`ceilings`).
"""

from collections.abc import Iterator

import numpy as np
import polars as pl

from detectors.data_quality.natural_runs import FLOWS, GENERATION, IDLE_W, POWERS, WATCHED, below_top, is_natural
from detectors.solar.position import daylight_h
from detectors.stats.resolution import resolutions
from detectors.stats.robust import Array
from detectors.stats.rows import with_sites
from detectors.stats.units import among_units, in_units, units_of

RUNS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "device_id": pl.String,
        "channel": pl.String,
        "run_h": pl.Float64,  # what the equal readings cover
        "repeats": pl.Int32,  # how many they are
        "value": pl.Float64,
        "start_h": pl.Float64,  # local hour at which the first of them begins
        "end_h": pl.Float64,  # local hour at which the last of them ends
        "moves": pl.Int32,  # changes of the device's other powers meanwhile
        "open_w": pl.Float64,  # how much pv + battery + grid - load moves meanwhile (deviation of hourly means)
        "flow_w": pl.Float64,  # what flows meanwhile, root mean square: by which the error of meters is measured
        "below_top": pl.Float64,  # how far below the day's top, where clipping could explain that
        "soc_change_pct": pl.Float64,  # of the battery meanwhile; null = not read
        "soc_moved_pct": pl.Float64,  # its range meanwhile less its largest single change; of the battery's power alone
    }
)

BALANCE = ("pv_w", "grid_w", "load_w", "battery_w")  # what a site's balance is made of
MAY_BE_UNKNOWN = ("open_w", "flow_w", "grid_mean_w", "soc_change_pct", "soc_moved_pct")
SHORT_H = 1.0  # ours: what is over within the hour is neither kept nor judged
SAME = 1e-6  # relative: powers from counters differ in the last bits
IDLE_SHARE = 0.01  # ours: 1 % of the rating is an inverter's own consumption, a battery's standby, a sensor's offset
TOP_QUANTILE = 0.95  # ours: bright cloud edges pass a clipping level for moments


def runs(device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """RUNS of an hour or more that nothing natural explains, for all watched channels, in any order."""
    rows = _sorted(device_readings, sites)
    present = [name for name in WATCHED if rows[name].null_count() < rows.height]
    if rows.is_empty() or not present:
        return RUNS.to_frame()
    unit = rows["unit"].to_numpy()
    columns = {name: rows[name].fill_null(np.nan).to_numpy() for name in present}
    sums = _sums(columns, _of_site(rows, columns), unit, rows["start_h"].to_numpy())
    clock = {name: rows[name].to_numpy() for name in ("start_h", "length_h")}
    found = [_runs_of(name, values, unit, clock, sums, columns.get("soc_pct")) for name, values in columns.items()]
    channel = pl.Series("channel", np.repeat(present, [len(one["unit"]) for one in found]), dtype=pl.String)
    all_runs = pl.DataFrame({name: np.concatenate([one[name] for one in found]) for name in found[0]})
    all_runs = all_runs.with_columns(pl.col(MAY_BE_UNKNOWN).fill_nan(None), channel)
    unexplained = all_runs.join(_units(rows, present, sites), on="unit", how="left")
    gaps = [pl.when(pl.col("channel") == name).then(below_top(name)) for name in present if name in GENERATION]
    unexplained = unexplained.with_columns(below_top=pl.coalesce(*gaps, pl.lit(None, pl.Float64)))
    natural = [is_natural(name) for name in present]
    return unexplained.filter(~pl.any_horizontal(natural).fill_null(False)).select(RUNS.names()).cast(RUNS)


def _sorted(device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Readings of these sites in units."""
    since_midnight = pl.col("ts_local") - pl.col("day").cast(pl.Datetime("us"))
    return with_sites(in_units(device_readings), sites.select("site_id")).select(
        "site_id", "device_id", "day", "unit", "ts_utc", *WATCHED,
        start_h=since_midnight.dt.total_seconds() / 3600, length_h=pl.col("interval_s") / 3600,
    )  # fmt: skip


def _of_site(rows: pl.DataFrame, columns: dict[str, Array]) -> dict[str, Array]:
    """The powers of the balance as each row's whole site shows them, W: the sum of its devices at that instant.

    Not a number where a device that reads a power on that day has none at the instant: then nothing adds up.
    """
    names = [name for name in BALANCE if name in columns]
    units = units_of(rows)
    if units.select("site_id", "day").is_unique().all():
        return columns
    several = rows.with_row_index("at").filter(pl.col("device_id").n_unique().over("site_id", "day") > 1)
    instant, day = ["site_id", "ts_utc"], ["site_id", "day"]
    devices = {name: pl.col("device_id").filter(pl.col(name).is_not_null()).n_unique().over(day) for name in names}
    is_whole = pl.all_horizontal(pl.col(name).count().over(instant) == devices[name] for name in names)
    sums = [
        pl.when(is_whole & (devices[name] > 0)).then(pl.col(name).sum().over(instant)).alias(name) for name in names
    ]
    summed = several.select("at", *sums)
    powers = {name: columns[name].copy() for name in names}
    for name in names:
        powers[name][summed["at"].to_numpy()] = summed[name].fill_null(np.nan).to_numpy()
    return powers


def _sums(columns: dict[str, Array], of_site: dict[str, Array], unit: np.ndarray, start_h: Array) -> dict[str, Array]:
    """Running sums over all rows, one more than rows: changes, what does not add up, its square and that of flow, grid.

    What does not add up is taken by hourly means, so that meters read some minutes apart do not matter.
    """
    nothing = np.zeros(len(unit))
    moved = sum((_changed(columns[name], unit) for name in POWERS if name in columns), nothing)
    pv, grid, load = (of_site.get(name, np.full(len(unit), np.nan)) for name in ("pv_w", "grid_w", "load_w"))
    battery = np.nan_to_num(of_site.get("battery_w", nothing))
    open_w = pv + battery + grid - load
    flow_w = (np.abs(pv) + np.abs(battery) + np.abs(grid) + np.abs(load)) / 2
    known = np.isfinite(open_w)
    hour = np.cumsum(np.concatenate([[0], (np.diff(unit) != 0) | (np.diff(start_h.astype(np.int64)) != 0)]))
    count = np.bincount(hour, known)
    mean = np.bincount(hour, np.where(known, open_w, 0.0)) / np.maximum(count, 1)
    smooth = np.where(known, mean[hour], 0.0)
    parts = {
        "moves": moved,
        "known": known,
        "open": smooth,
        "square": smooth**2,
        "flow": np.where(known, flow_w**2, 0.0),
        "grid": np.where(known, grid, 0.0),
    }
    return {name: np.concatenate([[0.0], np.cumsum(part, dtype=float)]) for name, part in parts.items()}


def _changed(values: Array, unit: np.ndarray) -> np.ndarray:
    """1 where a channel differs from the row before of its unit."""
    with np.errstate(invalid="ignore"):
        moved = np.abs(np.diff(values)) > SAME * np.maximum(1.0, np.abs(values[1:]))
    return np.concatenate([[0], (moved & (unit[1:] == unit[:-1])).astype(np.int64)])


def _runs_of(
    name: str, values: Array, unit: np.ndarray, clock: dict[str, Array], sums: dict[str, Array], soc_pct: Array | None
) -> dict[str, np.ndarray]:
    """Runs of an hour or more of one channel, natural ones included; missing readings neither count nor break.

    In columns that RUNS has, with `unit`; what is not known is not a number.
    """
    at = np.flatnonzero(np.isfinite(values))
    shown, of_unit = values[at], unit[at]
    is_new = np.ones(len(at), bool)
    is_new[1:] = (np.abs(np.diff(shown)) > SAME * np.maximum(1.0, np.abs(shown[1:]))) | (of_unit[1:] != of_unit[:-1])
    first = np.flatnonzero(is_new)
    last = np.append(first[1:], len(at)) - 1
    covered = np.concatenate([[0.0], np.cumsum(clock["length_h"][at])])
    run_h = covered[last + 1] - covered[first]
    long = run_h >= SHORT_H - 1e-9
    first, last, run_h = first[long], last[long], run_h[long]
    begin, end = at[first], at[last]
    within = {key: total[end + 1] - total[begin] for key, total in sums.items()}
    known = np.where(within["known"] > 0, within["known"], np.nan)
    variance = within["square"] / known - (within["open"] / known) ** 2
    change = moved = np.full(len(first), np.nan)
    if soc_pct is not None:
        change = soc_pct[end] - soc_pct[begin]
        moved = _moved(soc_pct, begin, end) if name == "battery_w" else moved
    return {
        "unit": unit[begin],
        "run_h": run_h,
        "repeats": last - first + 1,
        "value": values[begin],
        "start_h": clock["start_h"][begin],
        "end_h": clock["start_h"][end] + clock["length_h"][end],
        "moves": sums["moves"][end + 1] - sums["moves"][begin + 1],
        "open_w": np.sqrt(np.maximum(variance, 0.0)),
        "flow_w": np.sqrt(np.maximum(within["flow"], 0.0) / known),
        "grid_mean_w": within["grid"] / known,
        "soc_change_pct": change,
        "soc_moved_pct": moved,
    }


def _moved(soc_pct: Array, begin: Array, end: Array) -> Array:
    """The range of the level between each pair of rows less its largest single change, which may be a correction."""
    level = np.append(pl.Series(soc_pct).fill_nan(None).forward_fill().to_numpy(), np.nan)
    change = np.abs(np.diff(level, append=np.nan))  # to the next row
    pairs, inner = (np.stack([begin, last], axis=1).ravel() for last in (end + 1, np.maximum(end, begin + 1)))
    if not len(begin):
        return np.empty(0)
    highest, lowest = np.fmax.reduceat(level, pairs)[::2], np.fmin.reduceat(level, pairs)[::2]
    return highest - lowest - np.nan_to_num(np.fmax.reduceat(change, inner)[::2])


def _units(rows: pl.DataFrame, present: list[str], sites: pl.DataFrame) -> pl.DataFrame:
    """What is known of each unit: its site's ratings and levels, the day's extremes, hours with generation."""
    about = sites.select(
        "site_id",
        "latitude",
        "feed_in_limit_kw",
        "import_limit_kw",
        "battery_kwh",
        "battery_reserve_pct",
        buffer_w=pl.col("feed_in_buffer_w").fill_null(0.0),
        rating_w=pl.coalesce("inverter_kw", "installed_kwp") * 1000,
    )
    about = about.with_columns(idle_w=pl.max_horizontal(IDLE_SHARE * pl.col("rating_w"), pl.lit(IDLE_W)))
    extremes = [
        expression
        for name in present
        if name in GENERATION
        for expression in (
            pl.col(name).filter(pl.col(name) > pl.col("idle_w")).quantile(TOP_QUANTILE).alias(f"{name}_top"),
            pl.col("length_h").filter(pl.col(name) > pl.col("idle_w")).sum().alias(f"{name}_lit_h"),
        )
    ]
    generation = [name for name in present if name in GENERATION]
    read = with_sites(rows.select("site_id", "unit", "length_h", *generation), about.select("site_id", "idle_w"))
    sums = read.group_by("unit", maintain_order=True).agg(extremes) if generation else units_of(rows).select("unit")
    has_battery_w = rows.group_by("unit", maintain_order=True).agg(has_battery_w=pl.col("battery_w").count() > 0)
    units = units_of(rows).join(about, on="site_id").join(sums, on="unit").join(has_battery_w, on="unit")
    return units.with_columns(daylight_h=_daylight(units))


def _daylight(units: pl.DataFrame) -> pl.Series:
    hours = np.zeros(units.height)
    for (day,), own in units.select("day", "latitude").with_row_index("at").group_by("day"):
        hours[own["at"].to_numpy()] = daylight_h(own["latitude"].to_numpy(), day)
    return pl.Series(hours)


def with_resolution(found: pl.DataFrame, device_readings: pl.DataFrame) -> pl.DataFrame:
    """RUNS with `step`, the resolution of the channel in its unit, and `distinct`, its number of values on the day.

    The smallest difference between two values, where the other differences are multiples of it; else 0: it has none
    to speak of. Null where fewer than three values are to be seen.
    """
    parts = [found.clear().with_columns(step=pl.lit(None, pl.Float64), distinct=pl.lit(None, pl.Int64))]
    for name, mine, values in _of_channels(found, device_readings):
        resolution = resolutions(values, ["unit"], name).rename({"resolution": "step"})
        parts.append(mine.join(resolution, on="unit", how="left", maintain_order="left").drop("unit"))
    return pl.concat(parts)


def with_elsewhere(found: pl.DataFrame, device_readings: pl.DataFrame) -> pl.DataFrame:
    """RUNS with `elsewhere_ratio`: the share of the day's other readings of the channel that have the run's value.

    Of flows alone, null for others. `found` has one run per device, day and channel.
    """
    is_flow = pl.col("channel").is_in(FLOWS)
    parts = [found.filter(~is_flow).with_columns(elsewhere_ratio=pl.lit(None, pl.Float64))]
    same = (pl.col("reading") - pl.col("value")).abs() <= SAME * pl.col("value").abs().clip(lower_bound=1.0)
    others = (pl.col("known") - pl.col("repeats")).clip(lower_bound=1.0)
    for name, mine, values in _of_channels(found.filter(is_flow), device_readings):
        counts = (
            values.select("unit", reading=name)
            .drop_nulls("reading")
            .join(mine.select("unit", "value"), on="unit", maintain_order="left")
            .group_by("unit")
            .agg(equal=same.sum().cast(pl.Float64), known=pl.len().cast(pl.Float64))
        )
        parts.append(
            mine.join(counts, on="unit", how="left", maintain_order="left")
            .with_columns(elsewhere_ratio=(pl.col("equal") - pl.col("repeats")) / others)
            .drop("equal", "known", "unit")
        )
    return pl.concat(parts)


def _of_channels(
    found: pl.DataFrame, device_readings: pl.DataFrame
) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Each channel of the runs `found`, its runs with their `unit`, and [unit, channel] of their units' readings."""
    rows = in_units(device_readings)
    numbered = found.join(units_of(rows), on=["site_id", "device_id", "day"], maintain_order="left")
    for name in found["channel"].unique(maintain_order=True):
        mine = numbered.filter(pl.col("channel") == name)
        yield name, mine, among_units(rows.select("unit", name), mine["unit"])


def longest(found: pl.DataFrame) -> pl.DataFrame:
    """Of each device, day and channel the longest of its runs."""
    own = ["site_id", "device_id", "day", "channel"]
    return found.sort(*own, "run_h", "start_h", descending=[False] * 4 + [True, False]).unique(
        own, keep="first", maintain_order=True
    )
