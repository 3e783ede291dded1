"""Which devices' rows come a second time: on the same day, or on a day before that the history holds."""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from detectors.data_quality.copies import PRINTS
from pipeline.detection import resolver
from pipeline.store import Store, shared_readings

DAY, WINDOW_DAYS = date(2026, 5, 4), 30


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "history.duckdb") as opened:
        resolver.prepare(opened)
        yield opened


def _prints(days_ago: int, *printed: int, site_id: str = "a", device_id: str = "") -> pl.DataFrame:
    row = {
        "site_id": site_id, "device_id": device_id, "day": DAY - timedelta(days=days_ago),
    }  # fmt: skip
    return pl.DataFrame([row | {"print": one} for one in printed], schema=PRINTS, orient="row")


def _repeating(store: Store, told: pl.DataFrame) -> list[tuple[str, ...]]:
    done = told.select("site_id", "day").unique()
    return shared_readings.repeating(store, told, done, WINDOW_DAYS).sort("site_id", "device_id").rows()


def test_rows_of_a_day_before_are_found_of_the_same_device_alone(store: Store) -> None:
    store.insert("feature_row_prints", pl.concat([_prints(5, 7, 8), _prints(3, 9, device_id="2")]))
    assert _repeating(store, _prints(0, 8, 10)) == [("a", "")]
    assert _repeating(store, _prints(0, 9)) == []
    assert _repeating(store, pl.concat([_prints(0, 8), _prints(0, 9, device_id="2")])) == [("a", ""), ("a", "2")]
    assert _repeating(store, _prints(0, 8, site_id="b")) == []


def test_what_lies_before_the_window_or_on_the_day_itself_does_not_count(store: Store) -> None:
    store.insert("feature_row_prints", pl.concat([_prints(WINDOW_DAYS + 1, 7), _prints(0, 8)]))
    assert _repeating(store, _prints(0, 7, 8)) == []  # the day is summed up once more


def test_days_that_are_told_together_repeat_each_other(store: Store) -> None:
    assert _repeating(store, pl.concat([_prints(0, 7), _prints(1, 7)])) == [("a", "")]
