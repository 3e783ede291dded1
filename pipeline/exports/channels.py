"""From text cells to channels in base units: numbers, sums, scales, and the pivot of long exports."""

from collections import defaultdict
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.frames import CHANNELS, COUNTERS, VOLTAGE_CHANNELS
from pipeline.exports.csv_cells import CELL
from pipeline.exports.numbers import NOT_A_NUMBER, to_numbers
from pipeline.exports.rejects import FAULTS, Ledger, fault_frame
from pipeline.profiles.model import Channel, ExportProfile

NUMBER, BAD = "n:", "b:"  # prefixes of columns of a compacted sheet: numbers, and the text of what is none or too large
MAGNITUDE_MAX = 1e12  # ours: beyond any power station's W or kWh; sums of a fleet's years of such values stay finite
TOO_LARGE = f"larger than {MAGNITUDE_MAX:g}, which no quantity here can be"
TEMPERATURES = ("module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")
LIGHT_CHANNELS = ("pv_w", "irradiance_w_m2", "pv1_w")  # what shows when the sun shone, the best first
OPTIONAL = frozenset({*VOLTAGE_CHANNELS, *TEMPERATURES, "frequency_hz", "irradiance_w_m2"})  # a bad cell costs itself


class Read(NamedTuple):
    """Channels of every row (nulls where a row was rejected or a cell is missing) and the bad optional cells."""

    values: pl.DataFrame  # CHANNELS and COUNTERS
    bad_cells: pl.DataFrame  # rejects.FAULTS


def _owners(profile: ExportProfile) -> dict[str, list[str]]:
    """The channels that each column (or metric) goes into."""
    owners: defaultdict[str, list[str]] = defaultdict(list)
    for name, channel in profile.channels.items():
        for column in channel.columns:
            owners[column].append(name)
    return owners


def _decimal(profile: ExportProfile) -> str:
    return profile.csv.decimal if profile.format == "csv" else "."


def _sum(numbers: dict[str, pl.Series], channel: Channel) -> pl.Series:
    """The channel from its columns' numbers; null if any part is missing, for a partial sum would be a wrong one."""
    total = numbers[channel.columns[0]]
    for column in channel.columns[1:]:
        total = total + numbers[column]
    if channel.scale != 1:
        total = total * channel.scale
    if channel.offset:
        total = total + channel.offset
    return pl.select(pl.when(total == 0).then(0.0).otherwise(total)).to_series()  # no negative zero


def _complete(found: dict[str, pl.Series], rows: int) -> pl.DataFrame:
    """All channels in the contract's order, null where the profile has none."""
    nothing = pl.repeat(None, rows, dtype=pl.Float64, eager=True)
    return pl.DataFrame([found.get(name, nothing).alias(name) for name in (*CHANNELS, *COUNTERS)])


def compacted(sheet: pl.DataFrame, profile: ExportProfile) -> pl.DataFrame:
    """The sheet with numbers in place of the text of value cells, of which only what is to be shown is kept."""
    owners = _owners(profile)
    values = list(owners) if profile.long is None else [profile.long.value_column]
    largest = min(_limit(profile, names) for names in owners.values())
    columns = []
    for column in values:
        text = sheet[CELL + column]
        numbers, bad = to_numbers(text, _decimal(profile), profile.csv.missing)
        columns.append(numbers.alias(NUMBER + column))
        shown = (numbers.abs() > largest).fill_null(False)
        if bad is not None:
            shown = shown | pl.Series(bad)
        if shown.any():
            columns.append(pl.select(pl.when(shown).then(text)).to_series().alias(BAD + column))
    words = {*profile.timestamp.columns, profile.site.column, profile.long.channel_column if profile.long else None}
    return sheet.drop(CELL + column for column in values if column not in words).with_columns(columns)


def _numbers(
    sheet: pl.DataFrame, column: str, profile: ExportProfile
) -> tuple[pl.Series, np.ndarray | None, pl.Series]:
    """A column's numbers as `to_numbers` gives them, where there is none, and the text of these cells."""
    if NUMBER + column not in sheet.columns:
        text = sheet[CELL + column]
        return *to_numbers(text, _decimal(profile), profile.csv.missing), text
    numbers = sheet[NUMBER + column]
    if BAD + column not in sheet.columns:
        return numbers, None, pl.repeat(None, 0, dtype=pl.String, eager=True)
    text = sheet[BAD + column]
    bad = (text.is_not_null() & numbers.is_null()).to_numpy()
    return numbers, bad if bad.any() else None, text


def read_wide(sheet: pl.DataFrame, profile: ExportProfile, ledger: Ledger) -> Read:
    """Channels of a sheet with a column per channel; rejects the rows whose other than optional cells are bad."""
    numbers: dict[str, pl.Series] = {}
    bad_cells = [FAULTS.to_frame()]
    for column, owners in _owners(profile).items():
        numbers[column], bad, text = _numbers(sheet, column, profile)
        if (huge := _huge(numbers[column], profile, owners)) is not None:
            bad_cells.append(fault_frame(np.flatnonzero(huge), column, text, TOO_LARGE))
            numbers[column] = _without(numbers[column], huge)
        if bad is None:
            continue
        if OPTIONAL.issuperset(owners):
            bad_cells.append(fault_frame(np.flatnonzero(bad), column, text, NOT_A_NUMBER))
        else:
            ledger.reject(bad, column, text, NOT_A_NUMBER)
    found = {name: _sum(numbers, channel) for name, channel in profile.channels.items()}
    return Read(_complete(found, len(sheet)), pl.concat(bad_cells))


def _huge(numbers: pl.Series, profile: ExportProfile, owners: list[str]) -> np.ndarray | None:
    """Where a number, in the units of its channels, is larger than anything can be (None: nowhere)."""
    huge = (numbers.abs() > _limit(profile, owners)).fill_null(False)
    return huge.to_numpy() if huge.any() else None


def _limit(profile: ExportProfile, owners: list[str]) -> float:
    scale = max(abs(profile.channels[name].scale) for name in owners)
    return MAGNITUDE_MAX / max(scale, 1.0)


def _without(numbers: pl.Series, huge: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.Series(~huge)).then(numbers)).to_series()


def filled(sheet: pl.DataFrame, profile: ExportProfile, rows: np.ndarray) -> np.ndarray:
    """Which of some rows hold any value that is not missing."""
    columns = list(_owners(profile)) if profile.long is None else [profile.long.value_column]
    if NUMBER + columns[0] in sheet.columns:
        held = [name for column in columns for name in (NUMBER + column, BAD + column) if name in sheet.columns]
        return sheet.select(held)[rows].select(pl.any_horizontal(pl.all().is_not_null())).to_series().to_numpy()
    missing = sorted({"", *profile.csv.missing})
    cells = sheet.select(CELL + column for column in columns)[rows].cast(pl.String)
    return cells.select(pl.any_horizontal(pl.all().is_not_null() & ~pl.all().is_in(missing))).to_series().to_numpy()


def light_values(sheet: pl.DataFrame, metric: np.ndarray, profile: ExportProfile, rows: np.ndarray) -> np.ndarray:
    """Of some rows, the first of LIGHT_CHANNELS that the profile has, NaN where not reported; all NaN if it has none.

    `metric` numbers each row's metric in a long sheet, where only channels of one metric can be had.
    """
    name = next((name for name in LIGHT_CHANNELS if name in profile.channels), None)
    channel = profile.channels[name] if name is not None else None
    if channel is None or (profile.long is not None and len(channel.columns) > 1):
        return np.full(len(rows), np.nan)
    columns = channel.columns if profile.long is None else (profile.long.value_column,)
    held = sheet.select(
        prefix + column for column in columns for prefix in (CELL, NUMBER, BAD) if prefix + column in sheet
    )
    numbers = {column: _numbers(held[rows], column, profile)[0] for column in dict.fromkeys(columns)}
    if profile.long is not None:
        is_named = pl.Series(metric[rows] == list(_owners(profile)).index(channel.columns[0]))
        value = numbers[profile.long.value_column]
        numbers = {channel.columns[0]: pl.select(pl.when(is_named).then(value)).to_series()}
    return _sum(numbers, channel).cast(pl.Float64).fill_null(float("nan")).to_numpy()


def metric_numbers(names: pl.Series, profile: ExportProfile) -> np.ndarray:
    """The place of each row's metric among the profile's (-1: one that it does not name)."""
    places = {metric: place for place, metric in enumerate(_owners(profile))}
    return names.replace_strict(places, default=-1, return_dtype=pl.Int64).fill_null(-1).to_numpy()


def read_values(
    sheet: pl.DataFrame, metric: np.ndarray, profile: ExportProfile, ledger: Ledger
) -> tuple[pl.Series, pl.DataFrame]:
    """The numbers of a long sheet's rows, and its bad optional cells (FAULTS); other bad ones reject their row."""
    assert profile.long is not None
    column = profile.long.value_column
    numbers, bad, text = _numbers(sheet, column, profile)
    large = FAULTS.to_frame()
    huge = np.zeros(len(numbers), bool)
    for place, (_, owners) in enumerate(_owners(profile).items()):
        if (of_metric := _huge(numbers, profile, owners)) is not None:
            huge |= of_metric & (metric == place)
    if huge.any():
        large = fault_frame(np.flatnonzero(huge), column, text, TOO_LARGE)
        numbers = _without(numbers, huge)
    if bad is None:
        return numbers, large
    optional = np.array([OPTIONAL.issuperset(owners) for owners in _owners(profile).values()])
    ledger.reject(bad & ~optional[metric], column, text, NOT_A_NUMBER)
    return numbers, pl.concat([large, fault_frame(np.flatnonzero(bad & optional[metric]), column, text, NOT_A_NUMBER)])


class Pivoted(NamedTuple):
    """One row per series and instant: the input row that it starts from, how many input rows it takes, its channels."""

    first_row: np.ndarray
    rows: np.ndarray
    values: pl.DataFrame  # CHANNELS and COUNTERS


def pivot(alive_rows: np.ndarray, series: np.ndarray, utc_us: np.ndarray, metric: np.ndarray, numbers: pl.Series,
          profile: ExportProfile) -> Pivoted:  # fmt: skip
    """The rows `alive_rows` of a long sheet, a row per series and instant; a metric that comes twice makes another."""
    metrics = list(_owners(profile))
    series, utc_us, metric = series[alive_rows], utc_us[alive_rows], metric[alive_rows]
    by_metric = np.lexsort((metric, utc_us, series))
    occurrence = np.zeros(len(alive_rows), np.int64)
    occurrence[by_metric] = _places_in_runs(np.stack([series, utc_us, metric])[:, by_metric])
    order = np.lexsort((occurrence, utc_us, series))
    starts = _run_starts(np.stack([series, utc_us, occurrence])[:, order])
    group = np.cumsum(starts) - 1
    first = np.flatnonzero(starts)
    table = np.full((len(metrics), len(first)), np.nan)
    table[metric[order], group] = numbers.fill_null(float("nan")).to_numpy()[alive_rows][order]
    columns = {name: pl.Series(table[place]).fill_nan(None) for place, name in enumerate(metrics)}
    found = {name: _sum(columns, channel) for name, channel in profile.channels.items()}
    earliest = np.minimum.reduceat(alive_rows[order], first) if len(first) else alive_rows
    return Pivoted(earliest, np.bincount(group, minlength=len(first)), _complete(found, len(first)))


def _run_starts(keys: np.ndarray) -> np.ndarray:
    """Where a column of keys differs from the one before."""
    if keys.shape[1] == 0:
        return np.zeros(0, bool)
    return np.concatenate([[True], (np.diff(keys, axis=1) != 0).any(axis=0)])


def _places_in_runs(keys: np.ndarray) -> np.ndarray:
    """0, 1, 2, ... within each run of equal keys."""
    starts = np.flatnonzero(_run_starts(keys))
    lengths = np.diff(np.append(starts, keys.shape[1]))
    return np.arange(keys.shape[1]) - np.repeat(starts, lengths)
