"""Generation lost because the voltage was at its limit: it drops to nothing with the sun out, and comes back.

Where the street runs high, inverters disconnect and wait. The voltage at which they do is a setting of the country's
rules (a 10-minute moving mean of 1.10 Un by VDE-AR-N 4105:2018 and EN 50549-1:2019, 258 V by AS/NZS 4777.2), so it is
learned here as the voltage just before the drops, and only looked for near the upper end of the band.
"""

import polars as pl

from detectors.frames import VOLTAGE_CHANNELS
from detectors.grid.meter import RATING_W, highest_sun_deg
from detectors.stats.curtailment import is_near_target
from detectors.stats.interval_weights import J_PER_KWH
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units

NEAR_LIMIT_RATIO = 1.08  # ours: of nominal; a mean of some minutes lies 1-2 % below the peak that disconnects
HIGH_SUN_DEG = 10.0  # ours: lower down a drop to nothing may be the evening, or a wall
BEFORE_SHARE = 0.20  # ours: of the rating, before the drop; less moves the voltage by less than loads do
GONE_SHARE = 0.03  # ours: of the rating; under the darkest cloud a roof still gives 5 %
BACK_SHARE = 0.10  # ours: of the rating, when it comes back; the ramp after a disconnection takes minutes
LONGEST_H = 3.0  # ours: longer is a fault or an evening, not a wait for the voltage to fall
LONGEST_INTERVAL_S = 900  # ours: coarser means blur a wait of minutes into a cloud
BY = ["site_id", "day"]
RISES = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "trips_count": pl.Int64(),
        "lost_kwh": pl.Float64(),
        "trip_voltage_v": pl.Float64(),  # median of the means just before the drops
    }
)


def rises(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """RISES of the site-days that have drops near the voltage's limit."""
    known = sites.select(
        "site_id", "latitude", "longitude", "nominal_voltage_v", "installed_kwp", "inverter_kw", "feed_in_limit_kw",
        "feed_in_buffer_w", rating_w=RATING_W,
    )  # fmt: skip
    volts = pl.max_horizontal(VOLTAGE_CHANNELS)
    fine = pl.col("interval_s") <= LONGEST_INTERVAL_S
    rows = in_units(readings).select(
        "site_id", "day", "unit", "ts_utc", "interval_s", "pv_w", "grid_w", volts=volts
    ).filter(pl.col("pv_w").is_not_null() & pl.col("volts").is_not_null() & fine)  # fmt: skip
    rows = with_sites(rows, known)
    # Before each drop the voltage is near its limit: on most days it never is.
    is_near = (pl.col("volts") >= NEAR_LIMIT_RATIO * pl.col("nominal_voltage_v")).any().over("unit")
    rows = rows.filter(is_near.fill_null(False))
    if rows.is_empty():
        return RISES.to_frame()
    rows = rows.with_columns(highest_sun_deg(rows))
    # At a site that may not feed in, an idle house takes next to nothing: the roof is curtailed, not disconnected.
    is_idle = ((pl.col("feed_in_limit_kw") == 0) & is_near_target(["unit"])).fill_null(False)
    is_low = (pl.col("pv_w") <= GONE_SHARE * pl.col("rating_w")) & (pl.col("sun_deg") >= HIGH_SUN_DEG)
    rows = rows.with_columns(is_gone=is_low & ~is_idle)
    turn = (pl.col("is_gone") != pl.col("is_gone").shift(1)).fill_null(True)
    runs = (
        rows.with_columns(run=turn.cum_sum().over(BY))
        .group_by(*BY, "run", "is_gone")
        .agg(
            first_w=pl.col("pv_w").sort_by("ts_utc").first(),
            last_w=pl.col("pv_w").sort_by("ts_utc").last(),
            last_v=pl.col("volts").sort_by("ts_utc").last(),
            hours=pl.col("interval_s").sum() / 3600,
            kwh=(pl.col("pv_w") * pl.col("interval_s")).sum() / J_PER_KWH,
            rating_w=pl.col("rating_w").first(),
            nominal_v=pl.col("nominal_voltage_v").first(),
        )
        .sort(*BY, "run")
        .with_columns(
            before_w=pl.col("last_w").shift(1).over(BY),
            before_v=pl.col("last_v").shift(1).over(BY),
            back_w=pl.col("first_w").shift(-1).over(BY),
        )
    )
    trips = runs.filter(
        pl.col("is_gone")
        & (pl.col("hours") <= LONGEST_H)
        & (pl.col("before_w") >= BEFORE_SHARE * pl.col("rating_w"))
        & (pl.col("back_w") >= BACK_SHARE * pl.col("rating_w"))
        & (pl.col("before_v") >= NEAR_LIMIT_RATIO * pl.col("nominal_v"))
    )
    # What comes back may still be on its ramp, so what was there before stands for what was to be had.
    lost = (pl.col("before_w") * pl.col("hours") / 1000 - pl.col("kwh")).clip(lower_bound=0.0)
    sums = trips.group_by(BY).agg(
        trips_count=pl.len().cast(pl.Int64), lost_kwh=lost.sum(), trip_voltage_v=pl.col("before_v").median()
    )
    return sums.select(RISES.names()).cast(RISES)
