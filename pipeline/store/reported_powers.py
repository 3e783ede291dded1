"""What the history's rows say of powers: as reported, else as their counters say."""

import polars as pl

from detectors.data_quality.plausibility import NEGATIVE_LOAD_SHARE, NEGATIVE_SHARE, NEGATIVE_W
from detectors.frames import BESIDE, CHANNELS, COUNTERS, POWER_CHANNELS
from detectors.stats.interval_weights import J_PER_KWH
from detectors.stats.rows import among

CARRIED = tuple(name for name in (*CHANNELS, *COUNTERS) if name not in POWER_CHANNELS)
SAME_LENGTH = 1.5  # ours: of the interval; over a longer gap the mean power tells nothing of the row
BEHIND = {  # counter -> the power beside it, in the order of the columns
    "pv": "pv_w", "load": "load_w", "import": "grid_w", "feed_in": "grid_w", "charge": "battery_w",
    "discharge": "battery_w",
}  # fmt: skip


def with_powers(rows: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Rows of reading_raw of these sites (SITES), with `clock_shift_min`, as readings of devices without local time.

    A power that was not reported is the counter's energy over its seconds, where these are about the row's interval.
    `<name>_counted_kwh` is left where no power stands beside it, `<name>_beside_kwh` where one does. At night inverters
    draw a few watts and some exports show them as negative generation: that is no generation. More than 1 % of the peak
    capacity below zero is a fault (a wrong sign, say) and stays to be seen. A load worked out from two meters dips
    below zero when both change at once, and is none then.
    """
    own = {name: pl.col(f"{name}_counted_kwh") for name in BEHIND}
    powers = {
        "pv_w": _mean_w(own["pv"]),
        "load_w": _mean_w(own["load"]),
        "grid_w": _net_w(own["import"], own["feed_in"]),
        "battery_w": _net_w(own["discharge"], own["charge"]),
    }
    filled = {name: pl.coalesce(name, mean) for name, mean in powers.items()}
    is_night = (pl.col("pv_w") < 0) & (pl.col("pv_w") >= -NEGATIVE_SHARE * 1000 * pl.col("installed_kwp"))
    filled["pv_w"] = pl.when(is_night).then(0.0).otherwise(filled["pv_w"])
    rating_w = 1000 * pl.coalesce("inverter_kw", "installed_kwp")
    dip_w = pl.max_horizontal(pl.lit(NEGATIVE_W), NEGATIVE_LOAD_SHARE * rating_w)
    is_dip = (pl.col("load_w") < 0) & (pl.col("load_w") >= -dip_w)
    filled["load_w"] = pl.when(is_dip).then(0.0).otherwise(filled["load_w"])
    alone = {name: pl.when(pl.col(power).is_null()).then(own[name]) for name, power in BEHIND.items()}
    beside = {
        f"{name}_beside_kwh": pl.when(pl.col(power).is_not_null()).then(own[name]) for name, power in BEHIND.items()
    }
    known = sites.lazy().select("site_id", "installed_kwp", "inverter_kw")
    return (
        among(rows, sites.select("site_id"))
        .lazy()
        .join(known, on="site_id", how="left", maintain_order="left")  # an inner join copies every column
        .select(
            "site_id", "device_id", "ts_utc", "interval_s",
            (pl.col("marks") == "instant").alias("is_instant"), *(one.alias(name) for name, one in filled.items()),
            *CARRIED, *(alone[name].alias(f"{name}_counted_kwh") for name in BEHIND),
            *(beside[name].alias(name) for name in BESIDE), "counted_s", "export_id", "ts_export", "clock_shift_min",
        )
        .collect(engine="in-memory")  # the streaming one hands on pieces, which the next step puts together
    )  # fmt: skip


def _mean_w(kwh: pl.Expr) -> pl.Expr:
    """Of what was counted in the row's interval."""
    is_own = pl.col("counted_s") <= SAME_LENGTH * pl.col("interval_s")
    return pl.when(is_own).then(kwh * J_PER_KWH / pl.col("counted_s"))


def _net_w(gain: pl.Expr, loss: pl.Expr) -> pl.Expr:
    """Of two counters of which one may be missing."""
    return _mean_w(gain.fill_null(0.0) - loss.fill_null(0.0)) + 0.0 * pl.coalesce(gain, loss)
