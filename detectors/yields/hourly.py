"""What is kept of each day for the yield detectors: hourly generation, and what held it back."""

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import POWER_CHANNELS, STRING_CHANNELS, VOLTAGE_CHANNELS
from detectors.stats.curtailment import is_at_limit, is_at_voltage_limit
from detectors.stats.interval_weights import J_PER_KWH
from detectors.stats.robust import Array
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units, units_of

FULL_PCT = 95.0  # ours: above it batteries taper their charging, so surplus has nowhere to go
HARDEST_RATIO = 0.95  # ours: a battery that takes this share of the day's hardest charging takes what it can
REAL_CHARGE_KW_PER_KWH = 0.15  # ours: a fifth of a battery an hour and less is a trickle, not its limit
KNOWN_RATIO = 0.75  # ours: an hour of which a quarter is missing still shows its mean
CURTAILED_RATIO = 0.1  # ours: six curtailed minutes may cost a tenth of the hour
HOUR_S = 3600

_ENERGIES: dict[str, Any] = {f"{name[:-2]}_kwh": pl.Float64 for name in STRING_CHANNELS}
HOURLY = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "pv_w": pl.List(pl.Int32),  # means of the 24 UTC hours of the local day; null where not known
        "held_back_hours": pl.Int32,  # bit n is set: generation was curtailed in the UTC hour n
        "irradiance_w_m2": pl.List(pl.Int32),  # like pv_w; null where it is not measured
        "wander_ratio": pl.Float64,  # ups and downs of the day's power over twice its highest: 1 = one smooth hill
        "ambient_temp_c": pl.Float64,  # mean while there was generation
        **_ENERGIES,  # pv1_kwh.. per input
    }
)


def keep(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """HOURLY rows of whole local days of `readings`; days without any generation channel are left out."""
    rows = _prepared(readings, sites)
    if rows.is_empty():
        return HOURLY.to_frame()
    days = units_of(rows)
    pv_w, irradiance_w_m2, held_back = _by_hour(rows.with_columns(row=pl.col("unit").rle_id()), days.height)
    ambient_c = pl.col("ambient_temp_c")
    daily = rows.group_by("unit", maintain_order=True).agg(
        wander_ratio=pl.col("pv_w").drop_nulls().diff().abs().sum() / (2 * pl.col("pv_w").max()),
        ambient_temp_c=ambient_c.filter(pl.col("pv_w") > 0).mean(),
        **{
            f"{name[:-2]}_kwh": pl.when(pl.col(name).count() > 0).then(
                (pl.col(name) * pl.col("interval_s")).sum() / J_PER_KWH
            )
            for name in STRING_CHANNELS
        },
    )
    irradiance = _lists("irradiance_w_m2", irradiance_w_m2)
    return (
        days.with_columns(
            _lists("pv_w", pv_w),
            irradiance.to_frame()
            .select(pl.when(pl.first().list.drop_nulls().list.len() > 0).then(pl.first()))
            .to_series(),
            held_back_hours=pl.Series((held_back * 2 ** np.arange(24)).sum(axis=1)),
        )
        .join(daily, on="unit")
        .with_columns(pl.col("wander_ratio").fill_nan(None))
        .select(HOURLY.names())
        .cast(HOURLY)
    )


def _prepared(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The readings of days with generation in units: their start in epoch seconds, whether they were curtailed."""
    limits = sites.select(
        "site_id", "installed_kwp", "inverter_kw", "feed_in_limit_kw", "feed_in_buffer_w", "battery_kwh",
        "nominal_voltage_v",
    )  # fmt: skip
    start = pl.col("ts_utc").dt.epoch("s") - pl.when("is_instant").then(pl.col("interval_s") // 2).otherwise(0)
    rows = in_units(readings).select(
        "site_id", "day", "unit", "interval_s", *POWER_CHANNELS, "soc_pct", *STRING_CHANNELS, *VOLTAGE_CHANNELS,
        "irradiance_w_m2", "ambient_temp_c", start_s=start,
    )  # fmt: skip
    rows = with_sites(rows, limits).filter(pl.col("pv_w").count().over("unit") > 0)
    return rows.with_columns(is_curtailed=_is_curtailed().fill_null(False))


def _is_curtailed() -> pl.Expr:
    """At the feed-in limit with generation, and no battery that could take more; or at the voltage's limit."""
    at_limit = is_at_limit(["unit"])
    hardest_w = (-pl.col("battery_w")).max().over("unit")
    is_hardest = (-pl.col("battery_w") >= HARDEST_RATIO * hardest_w) & (
        hardest_w >= REAL_CHARGE_KW_PER_KWH * pl.col("battery_kwh") * 1000
    )
    has_room = pl.col("battery_kwh").is_not_null() & (pl.col("soc_pct") < FULL_PCT) & ~is_hardest.fill_null(False)
    by_limit = (at_limit & ~has_room.fill_null(False)).fill_null(False)
    return by_limit | (is_at_voltage_limit() & (pl.col("pv_w") > 0))


def _by_hour(rows: pl.DataFrame, count: int) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Means of generation and irradiance over the 24 UTC hours of each `row`, and which were curtailed, [rows, 24].

    Every reading is cut at the full hours. Not a number where generation is not known for most of the hour.
    """
    row, start_s, interval_s = (rows[name].cast(pl.Int64).to_numpy() for name in ("row", "start_s", "interval_s"))
    first, end_s = start_s // HOUR_S, start_s + interval_s
    reach = -(-min(int(interval_s.max()), 24 * HOUR_S) // HOUR_S) + 1
    pieces = []
    for n in range(reach):
        overlap_s = np.minimum(end_s, (first + n + 1) * HOUR_S) - np.maximum(start_s, (first + n) * HOUR_S)
        at = np.flatnonzero(overlap_s > 0)
        pieces.append((at, row[at] * 24 + (first[at] + n) % 24, overlap_s[at]))
    at, key, overlap_s = (np.concatenate(part) for part in zip(*pieces, strict=True))

    def summed(weight: NDArray[Any]) -> Array:
        return np.bincount(key, weight, count * 24).astype(np.float64).reshape(count, 24)

    def mean(name: str) -> tuple[Array, Array]:
        known_s = summed(np.where(rows[name].is_not_null().to_numpy()[at], overlap_s, 0))
        total = summed(rows[name].fill_null(0.0).to_numpy()[at] * overlap_s)
        with np.errstate(invalid="ignore", divide="ignore"):
            return total / known_s, known_s

    pv_w, known_s = mean("pv_w")
    is_known = known_s >= KNOWN_RATIO * HOUR_S
    irradiance = mean("irradiance_w_m2")[0] if rows["irradiance_w_m2"].count() else np.full_like(pv_w, np.nan)
    curtailed_s = summed(np.where(rows["is_curtailed"].to_numpy()[at], overlap_s, 0))
    held_back = is_known & (curtailed_s >= CURTAILED_RATIO * HOUR_S)
    return np.where(is_known, pv_w, np.nan), np.where(is_known, irradiance, np.nan), held_back


def _lists(name: str, values: Array) -> pl.Series:
    flat = pl.Series(name, values.ravel()).fill_nan(None).round(0).cast(pl.Int32, strict=False)
    return flat.reshape(values.shape).cast(pl.List(pl.Int32))


def table(hours: pl.DataFrame, name: str) -> Array:
    """A list column as [rows, 24], NaN where null."""
    if hours.is_empty():
        return np.full((0, 24), np.nan)
    filled = hours.select(
        pl.when(pl.col(name).list.len() == 24).then(name).otherwise(pl.lit([None] * 24, pl.List(pl.Int32)))
    ).to_series()
    return filled.list.explode().cast(pl.Float64).to_numpy().reshape(-1, 24).copy()


def is_curtailed(hours: pl.DataFrame) -> NDArray[np.bool_]:
    """Which of the 24 UTC hours were curtailed, as [rows, 24] of booleans."""
    bits = hours["held_back_hours"].fill_null(0).to_numpy()
    return (bits[:, None] >> np.arange(24)[None, :] & 1).astype(bool)
