"""Which changes of the register have a site's past days summed up and judged again."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from detectors.frames import PLANES
from pipeline.store import Store, history, register
from tests.support import build


@pytest.fixture
def write(tmp_path):
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def told(**cells: float | None) -> list[str]:
            rows = {"site_id": "a", "installed_kwp": 8.0} | cells
            return register.write_register(store, build.sites(rows), PLANES.to_frame(), *none)

        yield told


@pytest.mark.parametrize(
    ("before", "after", "is_judged_again"),
    [
        ({"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0}, {}, False),  # lifted, with all that it kept up
        ({"feed_in_limit_kw": 3.0}, {"feed_in_limit_kw": 5.0}, False),  # raised
        ({"feed_in_limit_kw": 5.0}, {"feed_in_limit_kw": 3.0}, True),
        ({}, {"feed_in_limit_kw": 0.0}, True),  # nobody had entered it: the past looked like a fault
        (
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0},
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 20.0},
            True,
        ),
        ({"feed_in_limit_kw": 0.0}, {"installed_kwp": 9.0}, True),
        ({}, {"installed_kwp": 9.0}, True),
        ({}, {"import_price": 0.4}, False),
    ],
)
def test_a_limit_that_is_lifted_leaves_the_days_that_it_curtailed_as_they_were_judged(
    write, before, after, is_judged_again
):
    write(**before)
    assert write(**after) == (["a"] if is_judged_again else [])


def test_the_days_of_several_sites_that_changed_are_due_and_no_others(tmp_path):
    """Days with readings and two on either side of them: a clock's correction may move a reading so far."""
    first = {"a": date(2026, 5, 10), "b": date(2026, 5, 20), "c": date(2026, 5, 10)}
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]
        for kwp in (8.0, 9.0):
            sites = [{"site_id": name, "installed_kwp": 8.0 if name == "c" else kwp} for name in first]
            register.write_register(store, build.sites(*sites), PLANES.to_frame(), *none)
            if kwp == 8.0:
                noon = [datetime(day.year, day.month, day.day, 12, tzinfo=UTC) for day in first.values()]
                fixed = {"device_id": "", "interval_s": 300, "marks": "start", "ts_export": "", "export_id": 1}
                rows = pl.DataFrame(
                    [{"site_id": name, "ts_utc": at, **fixed} for name, at in zip(first, noon, strict=True)]
                )
                store.insert("reading_raw", rows.with_columns(pl.col("ts_utc").cast(pl.Datetime("us", "UTC"))))
        dirty = history.dirty_days(store).sort("site_id", "day")
    around = [(name, first[name] + timedelta(days=by)) for name in ("a", "b") for by in range(-2, 3)]
    assert dirty.rows() == around
