"""Small frames for tests: every column that a test does not name has a harmless value."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from detectors import earlier_frame, kinds
from detectors.finding import Finding
from detectors.frames import DAYS, PLANES, READINGS, SITES

DAY = date(2025, 6, 10)
# Site-days with figures of features that rules see beside them.
DAY_FIGURES = pl.Schema(
    {**DAYS, **dict.fromkeys(("held_back_h", "soc_floor_h", "surplus_kwh", "surplus_at_floor_kwh"), pl.Float64())}
)

SITE_DEFAULTS: dict[str, Any] = {
    "site_id": "roof-1",
    "name": "Invented roof",
    "latitude": 48.0,
    "longitude": 11.0,
    "timezone": "Europe/Berlin",
    "export_timezone": "Europe/Berlin",
    "installed_kwp": 10.0,
    "inverter_kw": 10.0,
    "phases": 1,
    "feed_in_buffer_w": 20.0,
    "battery_reserve_pct": 35.0,
    "battery_resume_pct": 50.0,
    "battery_backup_floor_pct": 10.0,
    "grid_charging": False,
    "nominal_voltage_v": 230.0,
    "nominal_frequency_hz": 50.0,
    "import_price": 0.30,
    "feed_in_price": 0.08,
    "currency": "EUR",
    "watched": True,
}
DAY_DEFAULTS: dict[str, Any] = {
    "site_id": "roof-1",
    "readings": 288,
    "interval_s": 300,
    "coverage_pct": 100.0,
    "pv_coverage_pct": 100.0,
    "held_back_h": 0.0,
}


def frame(schema: pl.Schema, rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """The rows in the schema's columns; what a row does not name is null, what the schema lacks is refused."""
    unknown = {name for row in rows for name in row} - set(schema)
    if unknown:
        raise ValueError(f"no such columns: {sorted(unknown)}")
    columns = {name: pl.Series(name, [row.get(name) for row in rows], dtype=kind) for name, kind in schema.items()}
    return pl.DataFrame(columns, schema=schema)


def sites(*rows: Mapping[str, Any]) -> pl.DataFrame:
    """SITES, one per row given, or one default site."""
    filled = [{**SITE_DEFAULTS, **row} for row in rows or ({},)]
    return frame(SITES, [{"external_id": row["site_id"], **row} for row in filled])


def days(*rows: Mapping[str, Any], last_day: date = DAY) -> pl.DataFrame:
    """DAY_FIGURES, one per row given; rows without a `day` are consecutive days that end on `last_day`."""
    first = last_day - timedelta(days=len(rows) - 1)
    return frame(DAY_FIGURES, [{"day": first + timedelta(days=n), **DAY_DEFAULTS, **row} for n, row in enumerate(rows)])


def readings(
    channels: Mapping[str, Sequence[float | None]],
    *,
    site_id: str = "roof-1",
    start: datetime | None = None,
    day: date = DAY,
    timezone: str = "Europe/Berlin",
    interval_s: int = 300,
) -> pl.DataFrame:
    """READINGS of one site from equally long channels, from `start` (UTC) or from local midnight of `day`."""
    first = start or datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone)).astimezone(UTC)
    if unknown := set(channels) - set(READINGS):
        raise ValueError(f"no such columns: {sorted(unknown)}")
    length = len(next(iter(channels.values())))
    step_us = pl.int_range(length, eager=True) * int(interval_s * 1_000_000)
    ts_utc = (step_us + round(first.timestamp() * 1_000_000)).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    values = {
        "site_id": pl.repeat(site_id, length, eager=True),
        "ts_utc": ts_utc,
        "ts_local": ts_utc.dt.convert_time_zone(timezone).dt.replace_time_zone(None),
        "interval_s": pl.repeat(interval_s, length, eager=True),
        "is_instant": pl.repeat(False, length, eager=True),
        **{name: pl.Series(list(given), dtype=READINGS[name]) for name, given in channels.items()},
    }
    return pl.DataFrame(
        {
            name: values[name].cast(kind).alias(name)
            if name in values
            else pl.repeat(None, length, dtype=kind, eager=True)
            for name, kind in READINGS.items()
        }
    )


def earlier(*rows: tuple[str, str], value: float = 1.0) -> pl.DataFrame:
    """Findings of lower rank: (site_id, kind) each, all of one value, which is in minutes but for a drift's."""
    found = [
        Finding(
            site_id=s, day=DAY, kind=k, severity="soon", value=value, threshold=0.0, summary="told earlier",
            unit="s/day" if k == "clock-drift" else "min",
        )
        for s, k in rows
    ]  # fmt: skip
    return earlier_frame(found, kinds())


def planes(*rows: Mapping[str, Any]) -> pl.DataFrame:
    """PLANES, one per row given."""
    return frame(PLANES, rows)
