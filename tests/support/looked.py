"""The yield detectors' shared view of a fleet, for tests that say what they need and no more."""

from datetime import date

import polars as pl

from detectors.features.expected import of_window
from detectors.yields import fleet_yields, hourly
from detectors.yields.site_model import MODEL
from tests.support import build


def looked(
    days: pl.DataFrame,
    sites: pl.DataFrame,
    *,
    planes: pl.DataFrame | None = None,
    kept: pl.DataFrame | None = None,
    models: pl.DataFrame | None = None,
    earlier: pl.DataFrame | None = None,
    day: date = build.DAY,
) -> fleet_yields.Yields:
    """`yields.look` with empty frames for what is not given; days after `day` are left out, as the runner does."""
    rows = hourly.KEPT.to_frame() if kept is None else kept
    return fleet_yields.look(
        rows.filter(pl.col("day") <= day),
        days.filter(pl.col("day") <= day),
        sites,
        build.planes() if planes is None else planes,
        MODEL.to_frame() if models is None else models,
        build.earlier() if earlier is None else earlier,
        day,
    )


def expected(
    days: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, earlier: pl.DataFrame | None = None
) -> pl.DataFrame:
    """What the site-days up to the last of `days` should hold."""
    last = days["day"].max() or build.DAY
    assert isinstance(last, date)
    return of_window(looked(days, sites, planes=planes, earlier=earlier, day=last), days)
