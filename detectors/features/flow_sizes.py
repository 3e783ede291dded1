"""How large each device's powers are day by day, and how its grid meter stands at nothing."""

import polars as pl

from detectors.data_quality.plausibility import VOLTAGE_OFF
from detectors.frames import POWER_CHANNELS, VOLTAGE_CHANNELS
from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import in_units, units_of

NAME = "flow_sizes"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "device_id": pl.String,
        "day": pl.Date,
        "pv_high_w": pl.Float64,  # the size that one reading in twenty of the day passes, as reported
        "load_high_w": pl.Float64,
        "grid_high_w": pl.Float64,
        "battery_high_w": pl.Float64,
        "soc_range_pct": pl.Float64,  # highest less lowest state of charge
        "grid_known_h": pl.Float64,  # hours with a grid flow
        "grid_zero_ratio": pl.Float64,  # share of its readings that are exactly 0
        "grid_least_w": pl.Float64,  # its smallest size other than 0: no meter's step is larger
        "mains_ratio": pl.Float64,  # share of the readings with a voltage or a frequency; null = neither is read
        "starved_h": pl.Float64,  # nothing flows, though a house draws something; null = not all sources are read
    }
)
WINDOW_DAYS = 90  # ours: three months hold a season's habits
HIGH_QUANTILE = 0.95  # ours: the top of a usual day; stray values do not lift it
IDLE_W = 30.0  # ours: on small sites, the electronics alone; a house that is lived in draws more


def make(raw_device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: a row per device and day with readings."""
    own = ["site_id", "device_id", "day"]
    about = sites.select(
        "site_id", has_battery=pl.col("battery_kwh").is_not_null(), off_v=VOLTAGE_OFF * pl.col("nominal_voltage_v")
    )
    rows = in_units(raw_device_readings).select(
        "site_id", "device_id", "day", "unit", *POWER_CHANNELS, "soc_pct", *VOLTAGE_CHANNELS, "frequency_hz",
        hours=pl.col("interval_s") / 3600,
    )  # fmt: skip
    rows = with_sites(rows, about).with_columns(has_mains=_has_mains())
    alone = units_of(rows).select("unit", is_alone=pl.len().over("site_id", "day") == 1)
    rows = with_units(rows, alone)
    grid, grid_hours = pl.col("grid_w"), pl.col("hours").filter(pl.col("grid_w").is_not_null())
    has_all = pl.col("is_alone").first() & (~pl.col("has_battery").first() | (pl.col("battery_w").count() > 0))
    supply_w = pl.col("pv_w").abs() + pl.col("battery_w").abs().fill_null(0.0)
    highs = [
        pl.col(name).abs().quantile(HIGH_QUANTILE).alias(f"{name.removesuffix('_w')}_high_w") for name in POWER_CHANNELS
    ]
    return (
        rows.group_by("unit", maintain_order=True)
        .agg(
            pl.col(own).first(),
            *highs,
            soc_range_pct=pl.col("soc_pct").max() - pl.col("soc_pct").min(),
            grid_known_h=grid_hours.sum(),
            grid_zero_ratio=(grid == 0).mean(),
            grid_least_w=grid.abs().filter(grid != 0).min(),
            mains_ratio=pl.col("has_mains").mean(),
            starved_h=pl.when(has_all).then(pl.col("hours").filter((grid == 0) & (supply_w <= IDLE_W)).sum()),
        )
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort(own)
    )


def _has_mains() -> pl.Expr:
    """Whether a voltage or the frequency shows the grid; null where neither is read."""
    shown = [pl.col(name).abs() > pl.col("off_v").fill_null(0.0) for name in VOLTAGE_CHANNELS]
    return pl.any_horizontal(*shown, pl.col("frequency_hz") > 0)
