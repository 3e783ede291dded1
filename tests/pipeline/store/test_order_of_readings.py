"""Readings come in the order of their key, however they lie in the history: as Polars' own sort puts them."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.store.readings import KEY, _by_key

START = datetime(2025, 6, 10, tzinfo=UTC)


def _run(site_id: str, device_id: str, first: int, count: int) -> pl.DataFrame:
    stamps = [START + timedelta(minutes=5 * (first + n)) for n in range(count)]
    own = {"site_id": [site_id] * count, "device_id": [device_id] * count, "ts_utc": stamps}
    return pl.DataFrame({**own, "pv_w": [float(first + n) for n in range(count)]})


@pytest.mark.parametrize(
    "runs",
    [
        [("a", "", 0, 50), ("b", "", 0, 50)],  # in order
        [("b", "", 0, 50), ("a", "", 0, 50), ("b", "", 50, 50), ("a", "", 50, 50)],  # a day after the other
        [("a", "2", 0, 40), ("a", "1", 0, 40)],
        [("a", "", 50, 50), ("a", "", 0, 50)],  # what is earlier came later
        [("a", "", n, 1) for n in (5, 3, 4, 1, 0, 2)],  # one by one
    ],
)
def test_runs_are_laid_in_a_row(runs: list[tuple[str, str, int, int]]) -> None:
    rows = pl.concat(_run(*one) for one in runs)
    assert _by_key(rows).equals(rows.sort(KEY))


def test_runs_that_lie_within_one_another_are_sorted() -> None:
    every = _run("a", "", 0, 100)
    rows = pl.concat([every.gather_every(2), every.gather_every(2, 1)])
    assert _by_key(rows).equals(every)
    assert _by_key(every.clear()).is_empty()
