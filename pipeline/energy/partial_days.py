"""Site-days on which some of a site's devices were silent: the energies of what arrived, told as a part.

A part is not the whole: its specific yield and its performance are not known, and the coverage stays that of the
whole, so that nothing judges it.
"""

import polars as pl

from detectors.frames import DAYS
from pipeline.energy.site_days import to_site_days

ENERGIES = ("pv_kwh", "load_kwh", "import_kwh", "feed_in_kwh", "charge_kwh", "discharge_kwh")
DEVICE_SEPARATOR = "/"  # no site's id has it


def sums(devices: pl.DataFrame, partial: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, readings, interval_s, soc_min_pct, soc_max_pct, ENERGIES] of `partial` [site_id, day].

    `devices`: rows as `to_site_days` takes them, with device_id. Each device is summed up for itself, so that its
    stamps and its gaps are its own.
    """
    own = devices.filter(pl.col("device_id") != "").with_columns(day=pl.col("ts_local").dt.date())
    own = own.join(partial, on=["site_id", "day"], how="semi").drop("day")
    unit_id = pl.concat_str("site_id", "device_id", separator=DEVICE_SEPARATOR)
    units = own.select("site_id", unit_id=unit_id).unique()
    as_sites = sites.join(units, on="site_id").with_columns(site_id="unit_id").drop("unit_id")
    of_each = to_site_days(own.with_columns(site_id=unit_id).drop("device_id"), as_sites)
    return (
        of_each.with_columns(site_id=pl.col("site_id").str.split(DEVICE_SEPARATOR).list.first())
        .group_by("site_id", "day")
        .agg(
            pl.col("readings", "interval_s").max(),
            pl.col("soc_min_pct").min(),
            pl.col("soc_max_pct").max(),
            *(pl.when(pl.col(kwh).count() > 0).then(pl.col(kwh).sum()).alias(kwh) for kwh in ENERGIES),
        )
    )


def filled_in(days: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """DAYS, those of `parts` with what arrived instead of what the site's sum knows."""
    if parts.is_empty():
        return days
    whole = days.join(parts.select("site_id", "day"), on=["site_id", "day"], how="semi")
    of_whole = whole.select("site_id", "day", "coverage_pct", "pv_coverage_pct", "soc_first_pct")
    mixed = parts.join(of_whole, on=["site_id", "day"], how="left").with_columns(
        pl.col("coverage_pct", "pv_coverage_pct").fill_null(0.0), is_partial=pl.lit(True)
    )
    others = days.join(parts, on=["site_id", "day"], how="anti")
    return pl.concat([others, mixed.cast({"readings": pl.Int32})], how="diagonal").select(DAYS.names()).cast(DAYS).sort(
        "site_id", "day"
    )  # fmt: skip
