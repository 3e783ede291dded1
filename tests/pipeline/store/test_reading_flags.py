"""Which parts of the reader a day's flags put out of date: those whose values come or go with them, and no others."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from detectors.frames import READING_FLAGS
from pipeline.store import Store, reading_flags

DAY = date(2026, 5, 4)
DONE = pl.DataFrame({"site_id": ["A"], "day": [DAY]})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "history.duckdb") as opened:
        yield opened


def _flags(flag: str, hour: int, hours: int = 1) -> pl.DataFrame:
    begin = datetime(DAY.year, DAY.month, DAY.day, tzinfo=UTC) + timedelta(hours=hour)
    span = {
        "site_id": "A", "device_id": "", "day": DAY, "channel": "pv_w", "flag": flag, "reason": "", "rule": "",
        "readings": 4, "from_utc": begin, "to_utc": begin + timedelta(hours=hours),
    }  # fmt: skip
    return pl.DataFrame([span], schema=READING_FLAGS, orient="row")


def _due(store: Store, flags: pl.DataFrame) -> list[tuple[str, str]]:
    """What is out of date once these are the day's flags."""
    store.con.execute("DELETE FROM reader_due")
    with store.transaction():
        reading_flags.write_days(store, flags, DONE)
    return store.con.execute("SELECT DISTINCT relation, period FROM reader_due ORDER BY ALL").fetchall()


def test_values_that_are_not_good_are_left_out_of_the_days_they_lie_in(store: Store) -> None:
    both = [(relation, "2026-05-04") for relation in ("device_reading", "reading")]
    assert _due(store, _flags("frozen", 10)) == [*both, ("reading_flag", "2026-05")]
    assert _due(store, _flags("frozen", 10)) == []  # the day was summed up again, and says the same
    assert _due(store, _flags("frozen", 11)) == [*both, ("reading_flag", "2026-05")]
    assert _due(store, READING_FLAGS.to_frame()) == [*both, ("reading_flag", "2026-05")]  # the values are back


def test_a_local_day_reaches_into_the_utc_days_around_it(store: Store) -> None:
    due = _due(store, _flags("frozen", -2, hours=3))
    assert [period for relation, period in due if relation == "reading"] == ["2026-05-03", "2026-05-04"]


def test_what_is_only_to_be_known_of_values_changes_no_reading(store: Store) -> None:
    assert _due(store, _flags("clipped", 10)) == [("reading_flag", "2026-05")]
