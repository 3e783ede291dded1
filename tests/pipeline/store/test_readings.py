"""Rows into the history, held to a plain model that takes one row after the other."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.frames import ROWS
from pipeline.store import Store, readings

START = datetime(2026, 3, 10, tzinfo=UTC)
VALUE = st.sampled_from([None, 0.0, 1.0, 2.0])
ROW = st.tuples(
    st.sampled_from(["S1", "S2"]), st.integers(0, 2), st.sampled_from([300, 900]), VALUE, VALUE, st.sampled_from([1, 3])
)
BATCHES = st.lists(st.lists(ROW, min_size=1, max_size=8), min_size=1, max_size=4)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with Store(tmp_path_factory.mktemp("store") / "history.duckdb") as opened:
        yield opened


def rows_of(batch: list[tuple], export_id: int) -> pl.DataFrame:
    """As normalise gives them, numbered; every second row is of the next export."""
    columns = {
        "site_id": [row[0] for row in batch],
        "ts_utc": [START + timedelta(minutes=15 * row[1]) for row in batch],
        "interval_s": [row[2] for row in batch],
        "pv_w": [row[3] for row in batch],
        "grid_w": [row[4] for row in batch],
        "rows": [row[5] for row in batch],
        "ts_export": [f"{export_id}:{n}" for n in range(len(batch))],
        "marks": ["start"] * len(batch),
        "device_id": [""] * len(batch),
    }
    full = {name: pl.Series(columns.get(name, [None] * len(batch)), dtype=kind) for name, kind in ROWS.items()}
    numbers = pl.Series("export_id", [export_id + n % 2 for n in range(len(batch))], dtype=pl.Int64)
    return pl.DataFrame(full).with_columns(numbers)


class Plain:
    """The law, row by row: fill what was unknown, correct what was known, let be what is not reported."""

    def __init__(self) -> None:
        self.held: dict[tuple, dict[str, Any]] = {}
        self.counts: Counter[tuple[int, str]] = Counter()

    def take(self, row: dict[str, Any]) -> None:
        key, told = (row["site_id"], row["ts_utc"]), {name: row[name] for name in ("pv_w", "grid_w")}
        before = self.held.get(key)
        if before is None:
            self.held[key], outcome = dict(row), "stored"
        else:
            news = {name: value for name, value in told.items() if value is not None and value != before[name]}
            if row["interval_s"] > before["interval_s"]:
                news["interval_s"] = row["interval_s"]
            outcome = "replaced" if news else "unchanged"
            if news:
                before |= news | {"export_id": row["export_id"], "ts_export": row["ts_export"]}
        self.counts[row["export_id"], outcome] += row["rows"]


@pytest.mark.slow
@given(BATCHES)
@settings(
    max_examples=60,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_a_batch_is_as_if_its_rows_had_come_in_turn(store: Store, batches: list[list[tuple]]) -> None:
    store.con.execute("DELETE FROM reading_raw")
    plain = Plain()
    for number, batch in enumerate(batches):
        rows = rows_of(batch, 10 * number + 1)
        counted = readings.upsert(store, rows)
        mine = Counter({
            (export_id, outcome): n
            for export_id, *counts in counted.select("export_id", "stored", "unchanged", "replaced").iter_rows()
            for outcome, n in zip(("stored", "unchanged", "replaced"), counts, strict=True)
        })  # fmt: skip
        plain.counts.clear()
        for row in rows.iter_rows(named=True):
            plain.take(row)
        assert +mine == +plain.counts
    names = ["site_id", "ts_utc", "interval_s", "pv_w", "grid_w", "export_id", "ts_export"]
    held = store.frame(f"SELECT {', '.join(names)} FROM reading_raw ORDER BY site_id, ts_utc").rows()
    assert held == [tuple(row[name] for name in names) for _, row in sorted(plain.held.items())]


def test_rows_far_apart_leave_what_lies_between_alone(store: Store) -> None:
    store.con.execute("DELETE FROM reading_raw")
    readings.upsert(store, rows_of([("S1", n, 900, 1.0, None, 1) for n in range(3)], 1))
    counted = readings.upsert(store, rows_of([("S1", 0, 900, 5.0, None, 1), ("S1", 2, 900, 6.0, None, 1)], 2))
    assert counted["replaced"].sum() == 2
    assert store.frame("SELECT pv_w FROM reading_raw ORDER BY ts_utc")["pv_w"].to_list() == [5.0, 1.0, 6.0]


def test_a_transaction_that_fails_leaves_nothing(tmp_path: Path) -> None:
    with Store(tmp_path / "h.duckdb") as store:
        with pytest.raises(ZeroDivisionError), store.transaction():
            readings.upsert(store, rows_of([("S1", 0, 900, 1.0, None, 1)], 1))
            raise ZeroDivisionError
        assert store.value("SELECT count(*) FROM reading_raw") == 0
