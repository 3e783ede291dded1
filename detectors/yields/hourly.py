"""What is kept of each day for the yield detectors: hourly generation, and what held it back."""

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import STRING_CHANNELS
from detectors.stats.curtailment import is_at_limit, is_at_voltage_limit
from detectors.stats.interval_weights import J_PER_KWH
from detectors.stats.robust import Array
from detectors.stats.rows import ordered

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
    days = rows.select("site_id", "day").unique().sort("site_id", "day").with_row_index("row")
    pieces = _pieces(rows.join(days, on=["site_id", "day"]))
    hourly = pieces.group_by("row", "hour").agg(
        pv=_mean("pv_w"),
        irradiance=_mean("irradiance_w_m2"),
        known=pl.col("overlap_s").filter(pl.col("pv_w").is_not_null()).sum(),
        curtailed=pl.col("overlap_s").filter("is_curtailed").sum(),
    )
    hourly = hourly.filter(pl.col("known") >= KNOWN_RATIO * HOUR_S)
    bits = hourly.filter(pl.col("curtailed") >= CURTAILED_RATIO * HOUR_S).group_by("row").agg(
        held_back_hours=(2 ** pl.col("hour").cast(pl.Int32)).sum()
    )  # fmt: skip
    daily = rows.group_by("site_id", "day").agg(
        wander_ratio=pl.col("pv_w").drop_nulls().diff().abs().sum() / (2 * pl.col("pv_w").max()),
        ambient_temp_c=pl.col("ambient_temp_c").filter(pl.col("pv_w") > 0).mean(),
        **{
            f"{name[:-2]}_kwh": pl.when(pl.col(name).count() > 0).then(
                (pl.col(name) * pl.col("interval_s")).sum() / J_PER_KWH
            )
            for name in STRING_CHANNELS
        },
    )
    filled = days.with_columns(
        _lists("pv_w", hourly, "pv", days.height),
        _lists("irradiance_w_m2", hourly, "irradiance", days.height),
    ).with_columns(
        irradiance_w_m2=pl.when(pl.col("irradiance_w_m2").list.drop_nulls().list.len() > 0).then("irradiance_w_m2")
    )
    return (
        filled.join(bits, on="row", how="left")
        .join(daily, on=["site_id", "day"], how="left")
        .with_columns(pl.col("held_back_hours").fill_null(0), pl.col("wander_ratio").fill_nan(None))
        .select(HOURLY.names())
        .cast(HOURLY)
    )


def _prepared(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The readings of days with generation: their start in epoch seconds, local day, whether they were curtailed."""
    limits = sites.select(
        "site_id", "installed_kwp", "inverter_kw", "feed_in_limit_kw", "feed_in_buffer_w", "battery_kwh",
        "nominal_voltage_v",
    )  # fmt: skip
    start = pl.col("ts_utc").dt.epoch("s") - pl.when("is_instant").then(pl.col("interval_s") // 2).otherwise(0)
    return (
        ordered(readings, "site_id", "ts_utc")
        .join(limits, on="site_id", how="inner", maintain_order="left")
        .with_columns(day=pl.col("ts_local").dt.date(), start_s=start)
        .filter(pl.col("pv_w").is_not_null().any().over("site_id", "day"))
        .with_columns(is_curtailed=_is_curtailed().fill_null(False))
    )


def _is_curtailed() -> pl.Expr:
    """At the feed-in limit with generation, and no battery that could take more; or at the voltage's limit."""
    at_limit = is_at_limit(["site_id", "day"])
    hardest_w = (-pl.col("battery_w")).max().over("site_id", "day")
    is_hardest = (-pl.col("battery_w") >= HARDEST_RATIO * hardest_w) & (
        hardest_w >= REAL_CHARGE_KW_PER_KWH * pl.col("battery_kwh") * 1000
    )
    has_room = pl.col("battery_kwh").is_not_null() & (pl.col("soc_pct") < FULL_PCT) & ~is_hardest.fill_null(False)
    by_limit = (at_limit & ~has_room.fill_null(False)).fill_null(False)
    return by_limit | (is_at_voltage_limit() & (pl.col("pv_w") > 0))


def _pieces(rows: pl.DataFrame) -> pl.DataFrame:
    """Every reading cut at the full UTC hours."""
    longest = rows["interval_s"].max()
    assert isinstance(longest, int)
    first = pl.col("start_s") // HOUR_S
    end = pl.col("start_s") + pl.col("interval_s")
    parts = []
    for n in range(-(-min(longest, 24 * HOUR_S) // HOUR_S) + 1):
        overlap = pl.min_horizontal(end, (first + n + 1) * HOUR_S) - pl.max_horizontal(
            pl.col("start_s"), (first + n) * HOUR_S
        )
        parts.append(
            rows.select(
                "row", "pv_w", "irradiance_w_m2", "is_curtailed", hour=(first + n) % 24, overlap_s=overlap
            ).filter(pl.col("overlap_s") > 0)
        )  # fmt: skip
    return pl.concat(parts)


def _mean(name: str) -> pl.Expr:
    """The mean of a power over the pieces in which it is known."""
    weight = pl.col("overlap_s").filter(pl.col(name).is_not_null())
    return (pl.col(name) * pl.col("overlap_s")).sum() / weight.sum()


def _lists(name: str, hourly: pl.DataFrame, column: str, rows: int) -> pl.Series:
    values = np.full((rows, 24), np.nan)
    values[hourly["row"].to_numpy(), hourly["hour"].to_numpy()] = hourly[column].cast(pl.Float64).to_numpy()
    flat = pl.Series(name, values.ravel()).fill_nan(None).round(0).cast(pl.Int32, strict=False)
    return flat.reshape((rows, 24)).cast(pl.List(pl.Int32))


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
