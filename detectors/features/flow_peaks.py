"""The usual peaks of a site's generation, load and grid flow, day by day."""

import polars as pl

from detectors.frames import PHASE_CHANNELS
from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import in_units

NAME = "flow_peaks"
VERSION = 4
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "load_peak_w": pl.Float64,  # the highest size that readings in a row keep up: stray values do not lift it
        "grid_peak_w": pl.Float64,
        "pv_peak_w": pl.Float64,  # the highest generation that is kept up for an hour
        "load_top_w": pl.Float64,  # the largest size of the day, stray or not
        "grid_top_w": pl.Float64,  # ... of the grid flow and its phases
    }
)
WINDOW_DAYS = 90  # ours: three months hold a season's habits, and a week of absence does not count
FINE_S, IN_A_ROW, COARSE_IN_A_ROW = 1800, 3, 2  # as where values beyond a rating support each other
LIT_S = 3600  # ours: where one reading in twenty is wrong, three in a row come up on some days, twelve never


def make(raw_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: each site-day's peaks of generation, load and grid flow, as reported."""
    own = ["site_id", "day"]
    channels = ["load_w", "grid_w", "pv_w", *PHASE_CHANNELS]
    rows = in_units(raw_readings).select("site_id", "day", "unit", "interval_s", *channels)
    rows = with_sites(rows, sites.select("site_id"))
    rows = with_units(rows, rows.group_by("unit").agg(step_s=pl.col("interval_s").mode().min()))
    found = [SCHEMA.to_frame()]
    for step_s in rows["step_s"].unique().sort():
        mine = rows.filter(pl.col("step_s") == step_s)
        count = IN_A_ROW if step_s < FINE_S else COARSE_IN_A_ROW
        hour = max(LIT_S // max(step_s, 1), count)
        found.append(
            mine.group_by("unit", maintain_order=True)
            .agg(
                pl.col(own).first(),
                load_peak_w=_sustained("load_w", count),
                grid_peak_w=_sustained("grid_w", count),
                pv_peak_w=_sustained("pv_w", hour),
                load_top_w=pl.col("load_w").abs().max(),
                grid_top_w=pl.max_horizontal(pl.col("grid_w", *PHASE_CHANNELS).abs().max()),
            )
            .select(SCHEMA.names())
            .cast(SCHEMA)
        )
    return pl.concat(found).sort(own)


def _sustained(name: str, count: int) -> pl.Expr:
    """The highest of the least of so many known values in a row."""
    value = pl.col(name).drop_nulls()
    return (value if name == "pv_w" else value.abs()).rolling_min(count).max()
