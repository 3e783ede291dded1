"""What is learned of each roof, from days before the judged one alone, on a schedule."""

from datetime import date

import polars as pl

from detectors.stats.rows import last_rows
from detectors.yields import common_level, records, roof_model, roofs

NAME = "roof_model"
VERSION = 7
SCHEMA = roof_model.ROOF_MODEL
WINDOW_DAYS = 60  # ours: models are a fortnight old at most, but for sites that were silent for weeks


def make(
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    past_yield_half_hours: pl.DataFrame,
    past_yield_residual: pl.DataFrame,
    past_yield_odds: pl.DataFrame,
    past: pl.DataFrame,
    day: date,
) -> pl.DataFrame:
    """SCHEMA, one row per site whose turn it is on `day`."""
    ids = sites.sort("site_id")["site_id"]
    first = past_yield_residual.group_by("site_id").agg(first=pl.col("day").min())
    age = (
        pl.DataFrame({"site_id": ids})
        .join(first, on="site_id", how="left", maintain_order="left")
        .select((pl.lit(day) - pl.col("first")).dt.total_days().cast(pl.Float64).fill_null(float("nan")))
        .to_series()
        .to_numpy()
    )
    is_due = roof_model.is_due(ids.to_list(), age, day)
    due = sites.sort("site_id").filter(pl.Series(is_due))
    if due.is_empty():
        return SCHEMA.to_frame()

    def mine(rows: pl.DataFrame) -> pl.DataFrame:
        return rows.join(due.select("site_id"), on="site_id", how="semi", maintain_order="left")

    is_any_young = bool((age[is_due] <= roof_model.YOUNG_DAYS).any())
    seen = records.lay(
        mine(past_yield_residual), mine(past_yield_odds), due["site_id"], day, roof_model.YOUNG_DAYS,
        (past_yield_odds, past) if is_any_young else None,
    )  # fmt: skip
    before = last_rows(mine(past))
    return roof_model.learn(
        due, roofs.registered(due, planes), mine(past_yield_half_hours), seen, before, age[is_due], day,
        common_level.around(sites.sort("site_id"), past, past_yield_odds)[is_due],
    )  # fmt: skip
