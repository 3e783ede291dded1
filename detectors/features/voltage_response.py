"""Whether a roof's power gives way while the voltage is high: how often the two move against each other.

Generation lifts the voltage of its own line, and the roofs around lift the street's under the same sun: power and
voltage rise and fall together. Only an inverter that lowers its power by the voltage, P(U) of EN 50549-1 (from memory),
moves against it, and then at every change: its power is set by the voltage alone. Neither neighbours nor a known sky
are needed to see it. What is held against each other are second differences, as the sun's own course moves both over
the hours, one way at one roof and the other way at another.
"""

import polars as pl

from detectors.frames import VOLTAGE_CHANNELS
from detectors.stats.curtailment import NO_PHASE_RATIO, RESPONSE_RATIO
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units, units_of

NAME = "voltage_response"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "changes": pl.Float64,  # of voltage and power, as many as do not overlap
        "against_changes": pl.Float64,  # of these, those in which one rose as the other fell
    }
)
WINDOW_DAYS = 0
BY = ["site_id", "day"]
SPAN_S = 1200  # ours: of 10, 20 and 30 minutes a longer one shows simulated cuts more clearly, on fewer changes
MAX_INTERVAL_S = 900  # common practice, no source: a quarter hour's mean still follows the voltage
LIT_RATIO = 0.03  # of the peak capacity; below it there is nothing to lower
MOVED = ("volts", "power")
MIN_VOLTAGE_RATIO, MIN_POWER_RATIO = 0.0004, 0.01  # ours: of nominal and of the peak capacity; less is a meter's noise


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, of sites without a feed-in limit, one per local day with such changes at a high voltage."""
    free = sites.filter(pl.col("feed_in_limit_kw").is_null())
    about = free.select("site_id", "nominal_voltage_v", "installed_kwp")
    read = in_units(readings).select(
        "unit", *BY, "ts_utc", "interval_s", "pv_w", volts=pl.max_horizontal(VOLTAGE_CHANNELS)
    )
    rows = with_sites(read.drop_nulls(["pv_w", "volts"]), about).with_columns(
        pl.col("volts") / pl.col("nominal_voltage_v"), power=pl.col("pv_w") / (1000 * pl.col("installed_kwp"))
    )
    is_high = pl.col("volts").is_between(RESPONSE_RATIO, NO_PHASE_RATIO)
    rows = rows.filter(is_high & (pl.col("power") > LIT_RATIO) & (pl.col("interval_s") <= MAX_INTERVAL_S))
    own = ["unit", "interval_s", "ts_utc"]
    steps = (SPAN_S / pl.col("interval_s")).round().clip(lower_bound=1)
    lag = pl.duration(seconds=(steps * pl.col("interval_s")).cast(pl.Int64))
    bends = rows.select(*own, *MOVED)
    for name, way in (("before", -1), ("after", 1)):
        other = rows.select(*own[:2], ts_utc=pl.col("ts_utc") - way * lag, volts="volts", power="power")
        bends = bends.join(other, on=own, suffix=f"_{name}")
    told = bends.with_columns(
        (pl.col(f"{name}_before") - 2 * pl.col(name) + pl.col(f"{name}_after")).alias(name) for name in MOVED
    ).filter((pl.col("volts").abs() > MIN_VOLTAGE_RATIO) & (pl.col("power").abs() > MIN_POWER_RATIO))
    each = (pl.col("interval_s") / SPAN_S).cast(pl.Float64)
    made = told.group_by("unit").agg(
        changes=each.sum(), against_changes=each.filter(pl.col("volts") * pl.col("power") < 0).sum()
    )
    return units_of(rows).join(made, on="unit").select(SCHEMA.names()).cast(SCHEMA).sort(BY)
