"""Rows in order, sorted or left as they stand."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from detectors.stats.order import ordered

T0 = datetime(2026, 6, 1, tzinfo=UTC)


def rows(*keys: tuple[str | None, int | None]) -> pl.DataFrame:
    """Rows of (site, minute), numbered as given."""
    at = [None if minute is None else T0 + timedelta(minutes=minute) for _, minute in keys]
    return pl.DataFrame(
        {"site_id": [site for site, _ in keys], "ts_utc": at, "number": range(len(keys))},
        schema_overrides={"site_id": pl.String, "ts_utc": pl.Datetime("us", "UTC")},
    )


@pytest.mark.parametrize(
    "given",
    [
        [],
        [("A", 0)],
        [("A", 0), ("A", 5), ("B", 0), ("B", 5)],
        [("A", 5), ("A", 0), ("B", 0)],
        [("B", 0), ("A", 5)],
        [("A", 0), ("B", 5), ("A", 5), ("B", 0)],
        [("A", 0), ("A", 0), ("A", 5)],
        [("A", 5), (None, 0), ("A", 0)],
        [("A", 0), ("A", None), ("A", 5)],
        [("A", 9), ("B", 5), ("B", 4)],
    ],
)
def test_rows_come_as_a_stable_sort_has_them(given: list[tuple[str | None, int | None]]) -> None:
    frame = rows(*given)
    assert ordered(frame, "site_id", "ts_utc").equals(frame.sort("site_id", "ts_utc", maintain_order=True))


def test_what_stands_in_order_is_not_copied() -> None:
    frame = rows(("A", 0), ("A", 5), ("B", 0))
    assert ordered(frame, "site_id", "ts_utc") is frame
