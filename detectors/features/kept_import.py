"""The lowest import of each lit day of a site that may not feed in: what its inverter keeps up, or a little more."""

import polars as pl

from detectors.stats.curtailment import lowest_import_w
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units
from detectors.yields.free_intervals import LOWEST_IMPORT

NAME = "kept_import"
VERSION = 1
SCHEMA = LOWEST_IMPORT
WINDOW_DAYS = 60  # ours: long enough to know it through weeks without sun, or of a dead roof


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per lit local day of the sites that may not feed in and whose register names no buffer."""
    silent = sites.filter(pl.col("feed_in_limit_kw") == 0, pl.col("feed_in_buffer_w").is_null())
    rows = in_units(readings).select("site_id", "day", "unit", "pv_w", "grid_w")
    rows = with_sites(rows, silent.select("site_id", "installed_kwp"))
    imports = rows.group_by("unit").agg(pl.col("site_id", "day").first(), kept_w=lowest_import_w())
    return imports.drop_nulls().select(SCHEMA.names()).cast(SCHEMA).sort("site_id", "day")
