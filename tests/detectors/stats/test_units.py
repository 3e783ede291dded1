"""Rows in units, and what is said of rows that stand together, against Polars' own windows, groups and joins."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import begins, beside, in_units, run_means, units_of


def _readings(
    *hours_local: int, site_id: str = "a", start: datetime = datetime(2025, 6, 10, tzinfo=UTC)
) -> pl.DataFrame:
    """Hourly readings whose clock stands so many hours from UTC."""
    stamps = [start + timedelta(hours=n) for n in range(len(hours_local))]
    local = [one.replace(tzinfo=None) + timedelta(hours=by) for one, by in zip(stamps, hours_local, strict=True)]
    return pl.DataFrame({"site_id": [site_id] * len(stamps), "ts_utc": stamps, "ts_local": local})


def test_days_are_numbered_in_the_order_of_sites_and_time_whatever_order_they_came_in() -> None:
    readings = pl.concat([_readings(*[2] * 48, site_id=site_id) for site_id in ("b", "a")])
    rows = in_units(readings.sample(fraction=1.0, shuffle=True, seed=1))
    told = units_of(rows)
    assert told.select("unit", "site_id").rows() == [(0, "a"), (1, "a"), (2, "a"), (3, "b"), (4, "b"), (5, "b")]
    assert rows.group_by("unit", maintain_order=True).len()["len"].to_list() == [22, 24, 2] * 2
    assert rows.equals(rows.sort("site_id", "day", "ts_utc"))
    assert in_units(rows).equals(rows)


def test_a_day_is_one_unit_where_the_clock_is_put_back_after_midnight() -> None:
    """It shows 00:30 of the 11th, then 23:30 of the 10th once more, and 00:30 again."""
    rows = in_units(_readings(2, 0, 0, start=datetime(2025, 6, 10, 22, 30, tzinfo=UTC)))
    assert rows["day"].dt.day().to_list() == [10, 11, 11]
    assert rows["unit"].to_list() == [0, 1, 1]


@pytest.mark.parametrize("way", [1, -1])
def test_the_nearest_known_row_of_the_same_day_is_found(way: int) -> None:
    rng = np.random.default_rng(4)
    value = pl.Series("value", rng.normal(size=96)).set(pl.Series(rng.random(96) < 0.4), None)
    rows = in_units(pl.concat([_readings(*[2] * 48, site_id=one) for one in "ab"]).with_columns(value))
    filled = pl.col("value").shift(way)
    window = (filled.forward_fill() if way > 0 else filled.backward_fill()).over("site_id", "day")
    found = rows.select(here=beside(pl.col("value"), pl.col("value").is_not_null(), way), there=window)
    assert found["here"].equals(found["there"], check_names=False)
    assert found["here"].null_count() >= 6  # at the edge of each day nothing stands beside


def test_means_of_runs_leave_out_what_is_not_known() -> None:
    rows = pl.DataFrame(
        {"nth": [1, 1, 2, 2, 3], "s": [300, 600, 300, 300, 300], "w": [10.0, 40.0, None, 5.0, None], "v": [1.0] * 5}
    )
    told = run_means(rows, rows.select(begins("nth")).to_series(), ["w", "v"], "s")
    assert told.rows() == [(1, 900.0, 30.0, 1.0), (2, 600.0, 5.0, 1.0), (3, 300.0, None, 1.0)]
    assert run_means(rows.clear(), pl.Series([], dtype=pl.Boolean), ["w"], "s").is_empty()


def test_the_register_is_laid_beside_rows_as_a_join_would() -> None:
    about = pl.DataFrame({"site_id": ["c", "a"], "kwp": [3.0, None]})
    rows = pl.DataFrame({"site_id": ["a", "a", "b", "c", "a"], "n": range(5)})
    assert with_sites(rows, about).equals(rows.join(about, on="site_id", maintain_order="left"))
    assert with_sites(rows.clear(), about).is_empty()
    units = pl.DataFrame({"unit": [0, 0, 2, 3]})
    asked = pl.DataFrame({"unit": [3, 0], "step_w": [1.0, 2.0]})
    assert with_units(units, asked)["step_w"].to_list() == [2.0, 2.0, None, 1.0]
