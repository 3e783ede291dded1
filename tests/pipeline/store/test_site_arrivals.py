"""When readings came in: the first of a day that brought newer ones, and what was the newest before it."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.store import Store
from pipeline.store.site_arrivals import arrivals, note_arrivals
from tests.support import build

MIDNIGHT = datetime(2026, 3, 10, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "history.duckdb") as made:
        made.insert("site", build.sites({"site_id": "S1", "timezone": "Europe/Berlin"}).with_columns(
            external_id=pl.lit("S1")
        ))  # fmt: skip
        yield made


def note(store: Store, came_h: float, newest_h: float) -> None:
    """An export that came so many hours after MIDNIGHT, with readings up to another such hour."""
    rows = pl.DataFrame(
        {
            "site_id": ["S1", "S1"],
            "ts_utc": [MIDNIGHT + timedelta(hours=newest_h - 24), MIDNIGHT + timedelta(hours=newest_h)],
            "taken_in_at": [MIDNIGHT + timedelta(hours=came_h)] * 2,
        }
    ).with_columns(pl.col("ts_utc", "taken_in_at").cast(pl.Datetime("us", "UTC")))
    note_arrivals(store, rows)


def told(store: Store, day: date) -> list[tuple]:
    return arrivals(store, day).rows()


def test_each_day_s_first_newer_delivery_is_told_with_what_was_there_before(store: Store) -> None:
    note(store, 6, -0.25)  # the first of all: nothing was there before
    note(store, 30, 23.75)
    note(store, 31, 24.5)  # the same day's second
    note(store, 32, 2)  # older than what is known
    note(store, 78.5, 47.75)  # a day late, at 07:30 in Berlin
    assert told(store, date(2026, 3, 13)) == [
        ("S1", date(2026, 3, 11), 7.0, date(2026, 3, 10)),
        ("S1", date(2026, 3, 13), 7.5, date(2026, 3, 11)),
    ]


def test_a_day_knows_nothing_of_what_came_after_it(store: Store) -> None:
    note(store, 6, -0.25)
    note(store, 30, 23.75)
    note(store, 78.5, 47.75)
    assert [row[1] for row in told(store, date(2026, 3, 12))] == [date(2026, 3, 11)]
    assert told(store, date(2026, 3, 10)) == []
