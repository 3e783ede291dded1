"""Real series to measure the clock's judgement on: what the pvanalytics wheel carries, and the open data.

Nothing is copied: the wheel's folder is found by its import, the open data by NOONMARK_OPEN_DATA or next to the
repository. Every series comes as DEVICE_READINGS with the zone that its labels claim, and with what is known of its
clock.
"""

import os
from collections.abc import Iterator
from datetime import date, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from tests.support.clock_roofs import Array, Error, Roof, right, to_readings


class Series(NamedTuple):
    """Mean power by interval, from the first day on, without gaps in the grid (NaN where missing)."""

    roof: Roof  # place and zones
    first: date
    days: int
    interval_min: int
    power: Array  # from 00:00 UTC of the first day
    truth: str  # what is known of its clock


def wheel_data() -> Path | None:
    """The data folder of the pvanalytics wheel, or None where it is not installed."""
    spec = find_spec("pvanalytics")
    folder = Path(spec.origin).parent / "data" if spec and spec.origin else None
    return folder if folder and folder.is_dir() else None


def open_data() -> Path | None:
    """The open data beside the project, or None."""
    named = os.environ.get("NOONMARK_OPEN_DATA")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "open_data"
    return folder if folder.is_dir() else None


def all_series() -> Iterator[Series]:
    """Every series that can be had here."""
    if (wheel := wheel_data()) is not None:
        yield serf_east(wheel)
        yield denver_6kw(wheel)
        yield denver_sensor(wheel)
    if (folder := open_data()) is not None:
        yield from aargau(folder)
        yield from hourly_plants(folder)


def _grid(roof: Roof, stamps: pl.Series, power: pl.Series, interval_min: int, truth: str) -> Series:
    minute = stamps.dt.epoch("us").to_numpy() // 60_000_000
    first_day = int(minute.min() // 1440)
    days = int(minute.max() // 1440) - first_day + 1
    values = np.full(days * 1440 // interval_min, np.nan)
    values[(minute - first_day * 1440) // interval_min] = power.cast(pl.Float64).to_numpy()
    return Series(roof, date(1970, 1, 1) + timedelta(days=first_day), days, interval_min, values, truth)


def _wheel(frame: pl.DataFrame, column: str, roof: Roof, truth: str) -> Series:
    stamp = pl.col("measured_on")
    if frame["measured_on"].dtype == pl.String:
        stamp = stamp.str.to_datetime("%Y-%m-%d %H:%M:%S%z", time_unit="us")
    rows = frame.drop_nulls().select(stamp=stamp.dt.convert_time_zone("UTC"), power=pl.col(column))
    return _grid(roof, rows["stamp"], rows["power"], 15, truth)


def serf_east(wheel: Path) -> Series:
    """15 min, 104 days of 2016, labels in standard time."""
    frame = pl.read_csv(wheel / "serf_east_15min_ac_power.csv", null_values=["", "NaN"])
    roof = Roof("serf-east", 39.742, -105.173, "America/Denver", "Etc/GMT+7")
    return _wheel(frame, "ac_power", roof, "right")


def denver_6kw(wheel: Path) -> Series:
    """15 min, 2011-2013: labels claim standard time and follow daylight saving."""
    frame = pl.read_parquet(wheel / "system_50_ac_power_2_full_DST.parquet")
    roof = Roof("denver-6kw", 39.742, -105.173, "America/Denver", "Etc/GMT+7")
    return _wheel(frame, "ac_power_2", roof, "daylight saving from 2011-04-15 on, though the labels claim none")


def denver_sensor(wheel: Path) -> Series:
    """15 min, 2019-2023: an irradiance sensor in the plane of an array, used as a roof; it fails in June 2023."""
    frame = pl.read_parquet(wheel / "system_15_poa_irradiance.parquet")
    roof = Roof("denver-sensor", 39.74, -105.18, "America/Denver", "Etc/GMT+7")
    return _wheel(frame, "poa_irradiance__484", roof, "right; noise from 2023-06-19 on")


def aargau(folder: Path) -> Iterator[Series]:
    """15 min, 2019: labels are interval ends in local civil time, in true order."""
    frame = pl.read_parquet(folder / "aew_ch_2019" / "flows_15min.parquet").sort("site", "row")
    for name in ("A", "B"):
        rows = frame.filter(pl.col("site") == name)
        # Row 0 is the end of 2018's last interval; every row is a quarter of an hour later, changes of clocks included.
        start = pl.Series([date(2018, 12, 31)]).cast(pl.Datetime("us"))[0] + timedelta(minutes=22 * 60 + 45)
        stamps = pl.Series([start + timedelta(minutes=15 * i) for i in range(len(rows))])
        roof = Roof(f"aargau-{name}", 47.39, 8.05, "Europe/Zurich")
        yield _grid(roof, stamps, rows["pv_kw"] * 1000, 15, "right")


def hourly_plants(folder: Path) -> Iterator[Series]:
    """60 min: Turin 2019 and 2020 (labels an hour ahead of UTC), Almeria 2023 (UTC)."""
    frame = pl.read_parquet(folder / "uni_pv_hourly" / "pv_hourly.parquet")
    for year in (2019, 2020):
        rows = frame.filter((pl.col("site") == "turin") & (pl.col("ts").dt.year() == year))
        roof = Roof(f"turin-{year}", 45.065, 7.659, "Europe/Rome", "Etc/GMT-1")
        truth = "right until the last Sunday of October, then labelled an hour early (found by first and last light)"
        yield _grid(roof, rows["ts"].dt.offset_by("-1h"), rows["pv_per_kwp"] * 604_600, 60, truth)
    rows = frame.filter(pl.col("site") == "almeria")
    roof = Roof("almeria", 36.931, -2.472, "Europe/Madrid", "UTC")
    yield _grid(roof, rows["ts"], rows["pv_per_kwp"] * 3_992_000, 60, "right")


def restamped(series: Series, interval_min: int, error: Error = right) -> pl.DataFrame:
    """DEVICE_READINGS of a series at a coarser sampling, as a logger with the given further error had stamped it."""
    whole = np.concatenate([[0.0], np.cumsum(np.nan_to_num(series.power))]) * series.interval_min
    known = np.concatenate([[0.0], np.cumsum(np.isfinite(series.power))]) * series.interval_min
    epoch = (series.first - date(1970, 1, 1)).days * 1440.0
    grid = epoch + series.interval_min * np.arange(len(whole))
    stamps = np.arange(epoch, epoch + series.days * 1440, interval_min, dtype=np.float64)
    begins = stamps - error(stamps)
    ends = stamps + interval_min - error(stamps + interval_min)
    covered = np.interp(ends, grid, known) - np.interp(begins, grid, known)
    power = (np.interp(ends, grid, whole) - np.interp(begins, grid, whole)) / interval_min
    keep = covered >= 0.95 * (ends - begins)
    return to_readings(series.roof, stamps[keep], power[keep], interval_min, series.first, series.days)
