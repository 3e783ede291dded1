"""How far back sites that report the same are compared: as far as they did so without a long gap."""

from datetime import date, timedelta

import polars as pl
import pytest

from detectors.data_quality.other_sites import PAIRS
from pipeline.detection import resolver
from pipeline.store import Store, shared_readings

LAST = date(2026, 6, 1)


@pytest.mark.parametrize(
    ("ago", "reached"),
    [
        ([0], 0),
        (range(0, 36), 35),
        (range(0, 400), 399),  # looked back three times
        (range(0, 400, 7), 399),  # an export that is down for a week is still the same one
    ],
)
def test_shared_days_are_found_as_far_back_as_they_go_on(tmp_path, ago, reached):
    assert _shared_ago(tmp_path, ago)[-1] == reached


def test_days_before_a_long_gap_are_not_looked_for(tmp_path):
    assert _shared_ago(tmp_path, [*range(0, 90), *range(400, 420)]) == list(range(0, 90))


def _shared_ago(folder, ago) -> list[int]:
    """How many days ago A and B are found to share readings, of those so many days ago on which they did."""
    days = [LAST - timedelta(days=one) for one in ago]
    rows = [(site, day, "", 10 * day.toordinal() + n) for site in ("A", "B") for day in days for n in range(2)]
    with Store(folder / "history.duckdb") as store:
        resolver.prepare(store)
        schema = {"site_id": pl.String, "day": pl.Date, "device_id": pl.String, "print": pl.Int32}
        store.insert("feature_row_prints", pl.DataFrame(rows, schema=schema, orient="row"))
        pair = pl.DataFrame([("A", "", LAST, "B", "")], schema=PAIRS, orient="row")
        found = shared_readings.shared_days(store, pair, LAST)
    return sorted((LAST - day).days for day in found["day"])
