"""Days of real inverters into which faults are put, and their energies against the days as they were.

Series: pv_inverter_5min of the open data (see its provenance page), whole days of five-minute means.
"""

import os
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from detectors.data_quality.flags import good_values, make_flags
from detectors.features import flow_peaks, repeats
from detectors.frames import BESIDE, DEVICE_READINGS
from pipeline.energy.by_counters import with_counted
from pipeline.energy.site_days import to_site_days
from pipeline.store.readings import COUNTED_COLUMNS
from tests.support import build

SITE = {"installed_kwp": 8.0, "inverter_kw": 7.0, "timezone": "Etc/UTC", "latitude": 0.0, "longitude": 0.0}
COUNTER_STEP_KWH = 0.01


def _folder() -> Path | None:
    named = os.environ.get("NOONMARK_OPEN_DATA")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "open_data"
    return folder if folder.is_dir() else None


def whole_days(count: int, name: str = "res_7kw", *, min_peak_w: float = 4000.0) -> pl.DataFrame:
    """[ts, pv_w] of days of one inverter with every five minutes known and some generation."""
    folder = _folder()
    if folder is None:
        pytest.skip("no open data here: set NOONMARK_OPEN_DATA")
    table = pl.read_parquet(folder / "pv_inverter_5min" / "ac_power_5min.parquet").filter(pl.col("site") == name)
    table = table.select(ts=pl.col("ts").cast(pl.Datetime("us")), pv_w=(pl.col("ac_power_kw") * 1000).clip(0))
    grid = table.select(
        pl.datetime_range(pl.col("ts").min().dt.date(), pl.col("ts").max(), "5m", eager=False).alias("ts")
    )
    # The series leaves nights out: nothing was generated then.
    table = grid.join(table, on="ts", how="left").with_columns(
        pl.col("pv_w").fill_null(0.0), day=pl.col("ts").dt.date()
    )
    whole = table.filter((pl.len().over("day") == 288) & (pl.col("pv_w").max().over("day") > min_peak_w))
    return whole.filter(pl.col("day").rank("dense") <= count).drop("day")


def spoiled(pv_w: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """(values, whether the row is there): three spikes, three placeholders, lost rows, and on some days hours lost."""
    values, there = pv_w.copy(), np.ones(len(pv_w), bool)
    for start in range(0, len(values), 288):
        place = start + rng.permutation(np.arange(1, 143))[:9] * 2  # never two in a row
        values[place[:3]] = rng.choice([9e4, 3e5], 3)
        values[place[3:6]] = 655_350.0
        there[place[6:]] = False
        kind = rng.integers(0, 4)
        if kind == 0:
            there[start + 130 : start + 160] = False
        elif kind == 1:
            values[start + 220 : start + 280] = 1234.0  # far below the top of these days: not clipping
    return values, there


def summed(rows: pl.DataFrame, **site: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """(site-days, flags) of the rows, as the pipeline sums them up."""
    sites = build.sites({**SITE, **site})
    given = rows.select(DEVICE_READINGS.names())
    seen = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    flags = make_flags(given, repeats.make(given, sites), flow_peaks.make(given, sites), seen, sites)
    return to_site_days(with_counted(good_values(rows, flags)), sites), flags


def reported(table: pl.DataFrame, *, with_counter: bool = False) -> pl.DataFrame:
    """Rows with faults put in; a counter beside the power goes on while rows are lost, as read at intervals' ends."""
    values, there = spoiled(table["pv_w"].to_numpy(), np.random.default_rng(11))
    nothing = {name: pl.lit(None, kind) for name, kind in DEVICE_READINGS.items()}
    total = (table["pv_w"].cum_sum() / 12_000 / COUNTER_STEP_KWH).floor() * COUNTER_STEP_KWH
    rows = table.select(
        **nothing | {
            "device_id": pl.lit(""), "site_id": pl.lit("roof-1"), "ts_utc": pl.col("ts").dt.replace_time_zone("UTC"),
            "ts_local": pl.col("ts"), "interval_s": pl.lit(300, pl.Int32), "is_instant": pl.lit(False),
            "pv_w": pl.Series(values), "total": total,
        }
    ).filter(pl.Series(there))  # fmt: skip
    is_told = pl.lit(with_counter) & (pl.col("ts_local").dt.date() == pl.col("ts_local").shift(1).dt.date())
    return (
        rows.with_columns(
            *(pl.lit(None, pl.Float64).alias(name) for name in (*COUNTED_COLUMNS, *BESIDE)),
            counted_s=pl.when(is_told).then(pl.col("ts_local").diff().dt.total_seconds().cast(pl.Int32)),
        )
        .with_columns(pv_beside_kwh=pl.when(is_told).then(pl.col("total").diff()))
        .drop("total")
    )


def errors(table: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """The site-days with `error`, relative to the series as measured."""
    by_sql = dict(
        duckdb.sql("SELECT CAST(ts AS DATE), sum(pv_w) / 12000 FROM t GROUP BY 1", connection=_with(table)).fetchall()
    )
    by_pandas = table.to_pandas().set_index("ts")["pv_w"].resample("1D").sum() / 12000
    for day in days["day"]:
        assert by_pandas[str(day)] == pytest.approx(by_sql[day])
    true = pl.Series([by_sql[day] for day in days["day"]])
    return days.with_columns(error=(pl.col("pv_kwh") / true - 1).abs())


def _with(table: pl.DataFrame) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.register("t", table.to_arrow())
    return con
