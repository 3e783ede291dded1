"""Rows in order and of those asked for, sorted and chosen or left as they stand."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from detectors.stats.rows import among, last_rows, ordered

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


@pytest.mark.parametrize("wanted", [["A", "B", "C"], ["B"], ["C"], []])
def test_rows_are_those_asked_for_in_their_order(wanted: list[str]) -> None:
    frame = rows(("B", 5), ("A", 0), ("B", 0))
    asked = pl.DataFrame({"site_id": wanted}, schema={"site_id": pl.String})
    assert among(frame, asked).equals(frame.filter(pl.col("site_id").is_in(wanted)))


def test_rows_are_asked_for_by_all_columns_together() -> None:
    frame = rows(("A", 0), ("A", 5), ("B", 0))
    asked = frame.select("site_id", "ts_utc").gather([1, 2]).vstack(rows(("B", 5)).select("site_id", "ts_utc"))
    assert among(frame, asked)["number"].to_list() == [1, 2]


def test_rows_that_are_all_asked_for_are_not_copied() -> None:
    frame = rows(("A", 0), ("A", 5), ("B", 0))
    assert among(frame, frame.select("site_id", "ts_utc")) is frame


def test_the_last_day_of_each_site_is_picked_however_the_rows_stand() -> None:
    days = [("B", 3), ("A", 1), ("A", 9), ("B", 2), ("A", 4), ("C", 5)]
    frame = pl.DataFrame(
        {"site_id": [site for site, _ in days], "day": [T0.date() + timedelta(days=n) for _, n in days]}
    )
    last = last_rows(frame)
    assert last.rows() == [(site, T0.date() + timedelta(days=n)) for site, n in (("A", 9), ("B", 3), ("C", 5))]
    assert last_rows(frame.clear()).is_empty()
