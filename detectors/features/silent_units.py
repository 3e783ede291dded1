"""Since when sites and devices that delivered nothing on a day are silent, carried from night to night.

The deliveries' own window forgets what fell silent before it; of a silent unit the last reading ever counts.
"""

from datetime import date, timedelta

import polars as pl

from detectors.data_quality.deliveries import ENDS_EARLY_H, fleet_first, known_deliveries
from detectors.features.deliveries import WINDOW_DAYS as DELIVERIES_DAYS
from detectors.frames import SILENT_UNITS

NAME = "silent_units"
VERSION = 1
SCHEMA = SILENT_UNITS
WINDOW_DAYS = 7  # ours: every night carries on what the last one said, a week bridges nights that were left out
UNIT = ["site_id", "device_id"]


def make(
    day: date,
    sites: pl.DataFrame,
    devices: pl.DataFrame,
    deliveries: pl.DataFrame,
    days: pl.DataFrame,
    past: pl.DataFrame,
) -> pl.DataFrame:
    """SCHEMA: a row for each unit without readings of `day`.

    A device that never reported is waited for from the first night on which the register names it, where its site had
    readings before; else, like a site, from its commissioning or the fleet's first day.
    """
    rows = known_deliveries(deliveries, days, sites, day)
    carried = past.sort("day").group_by(UNIT).last().drop("day")
    silent = _units(sites, devices).join(rows.filter(pl.col("day") == day), on=UNIT, how="anti")
    own = rows.join(silent, on=UNIT, how="semi").sort("day")
    newest = own.group_by(UNIT).agg(
        new_day=pl.col("day").last(),
        new_h=pl.col("last_h").last(),
        is_cut=pl.col("last_h").last() < pl.col("last_h").median() - ENDS_EARLY_H,
    )  # fmt: skip
    since = pl.max_horizontal(pl.col("commissioned_on"), pl.lit(fleet_first(rows, days, day)))
    is_same = (pl.col("new_day") == pl.col("last_day")) & (pl.col("new_h") == pl.col("last_h"))
    is_new = pl.col("new_day").is_not_null() & ~is_same.fill_null(False)
    # What the window would hold and does not was taken back, or was from before the site was commissioned.
    is_beyond = pl.col("last_day") < day - timedelta(days=DELIVERIES_DAYS)
    is_kept = (is_same | is_beyond).fill_null(False) & (
        pl.col("commissioned_on").is_null() | (pl.col("last_day") >= pl.col("commissioned_on"))
    )
    is_registered_later = (pl.col("device_id") != "") & pl.col("site_id").is_in(rows["site_id"].unique().to_list())
    missing_since = pl.col("new_day") + pl.duration(days=pl.when("is_cut").then(0).otherwise(1))
    return (
        silent.join(newest, on=UNIT, how="left")
        .join(carried, on=UNIT, how="left")
        .select(
            "site_id",
            pl.lit(day).alias("day"),
            "device_id",
            last_day=pl.when(is_new).then("new_day").when(is_kept).then("last_day"),
            last_h=pl.when(is_new).then("new_h").when(is_kept).then("last_h"),
            silent_since=pl.when(is_new)
            .then(pl.min_horizontal(missing_since, pl.lit(day)))
            .when(is_kept)
            .then("silent_since")
            .otherwise(
                pl.max_horizontal(
                    pl.col("silent_since").fill_null(pl.when(is_registered_later).then(pl.lit(day)).otherwise(since)),
                    pl.col("commissioned_on"),
                )
            ),
        )
        .sort(UNIT)
        .cast(SCHEMA)
    )


def _units(sites: pl.DataFrame, devices: pl.DataFrame) -> pl.DataFrame:
    """[site_id, device_id, commissioned_on] of the devices, and of sites without them."""
    since = sites.select("site_id", "commissioned_on")
    each = devices.select(UNIT).join(since, on="site_id", how="inner")
    alone = since.join(each, on="site_id", how="anti").select(
        "site_id", pl.lit("").alias("device_id"), "commissioned_on"
    )
    return pl.concat([alone, each])
