"""Features' tables: what is written comes back by site and day, and a history of before keeps what it remembered."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from detectors.features import Feature
from pipeline.detection import resolver
from pipeline.store import Store, features
from pipeline.workspace import resources

DAY = date(2026, 5, 4)
SCHEMA = pl.Schema(
    {"site_id": pl.String, "day": pl.Date, "order": pl.Int32, "values": pl.List(pl.Float64), "is_it": pl.Boolean}
)
TOY = Feature("toy", version=1, schema=SCHEMA, window_days=3, make=SCHEMA.to_frame, wants=("readings",))
NIGHTLY = Feature("toy_night", version=1, schema=SCHEMA, window_days=3, make=SCHEMA.to_frame, wants=("day",))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "history.duckdb") as opened:
        features.prepare(opened, [TOY, NIGHTLY])
        yield opened


def _rows(*keys: tuple[str, int], order: int = 1) -> pl.DataFrame:
    rows = [
        {"site_id": site, "day": DAY + timedelta(days=n), "order": order, "values": [1.0, None], "is_it": None}
        for site, n in keys
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def test_rows_come_back_by_site_and_day_with_every_type(store: Store) -> None:
    rows = _rows(("b", 0), ("a", 1), ("a", 0))
    features.write_days(store, {TOY: rows}, rows.select("site_id", "day"))
    assert features.read(store, TOY, DAY, DAY).equals(rows.filter(pl.col("day") == DAY).sort("site_id"))
    assert features.read(store, TOY, DAY, DAY + timedelta(days=9)).equals(rows.sort("site_id", "day"))


def test_tables_without_rows_are_known_and_not_amid_a_transaction(store: Store) -> None:
    rows = _rows(("a", 0))
    assert {"toy", "toy_night"} <= features.without_rows(store)
    with store.transaction():
        features.write_days(store, {TOY: rows}, rows.select("site_id", "day"))
        assert features.without_rows(store) == set()
    assert "toy" not in features.without_rows(store) and "toy_night" in features.without_rows(store)


def test_only_the_days_done_are_replaced_also_by_nothing(store: Store) -> None:
    rows = _rows(("a", 0), ("a", 1), ("b", 0))
    features.write_days(store, {TOY: rows}, rows.select("site_id", "day"))
    features.write_days(store, {TOY: _rows(("a", 0), order=2)}, _rows(("a", 0), ("b", 0)).select("site_id", "day"))
    held = features.read(store, TOY, DAY, DAY + timedelta(days=1)).select("site_id", "day", "order").rows()
    assert held == [("a", DAY, 2), ("a", DAY + timedelta(days=1), 1)]


def test_a_night_replaces_its_day_alone(store: Store) -> None:
    for n in (0, 1):
        features.write_night(store, {NIGHTLY: _rows(("a", n), ("b", n))}, DAY + timedelta(days=n))
    features.write_night(store, {NIGHTLY: _rows(("a", 1), order=2)}, DAY + timedelta(days=1))
    held = features.read(store, NIGHTLY, DAY, DAY + timedelta(days=1)).select("site_id", "order").rows()
    assert held == [("a", 1), ("a", 2), ("b", 1)]


def test_some_sites_alone_are_read_and_the_newest_row_of_each(store: Store) -> None:
    rows = _rows(("a", 0), ("a", 2), ("b", 1), ("c", 2))
    features.write_days(store, {TOY: rows}, rows.select("site_id", "day"))
    last = DAY + timedelta(days=9)
    held = features.read_of(store, TOY, DAY, last, ["a", "b", "unknown"], ("site_id", "day"))
    assert held.rows() == [("a", DAY), ("a", DAY + timedelta(days=2)), ("b", DAY + timedelta(days=1))]
    assert features.read_of(store, TOY, DAY, last, ["a", "b", "c"]).equals(features.read(store, TOY, DAY, last))
    newest = features.newest_of(store, TOY, DAY, last, ["a", "b"])
    assert newest.schema == SCHEMA
    assert newest.select("site_id", "day").rows() == [("a", DAY + timedelta(days=2)), ("b", DAY + timedelta(days=1))]
    assert features.newest_of(store, TOY, DAY, DAY, ["b"]).is_empty()


def test_a_history_of_before_keeps_generation_onsets(tmp_path: Path) -> None:
    """Readings may be too old to make onsets from again, so they move with their table; models are learned anew."""
    place = tmp_path / "history.duckdb"
    before = [file for file in sorted(resources.folder("sql").glob("0*.sql")) if file.stem < "035"]
    old = Store.__new__(Store)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Store, "_migrate", lambda _: None)
        old.__init__(place)  # type: ignore[misc]
    for file in before:
        old.con.execute(file.read_text(encoding="utf-8"))
        old.con.execute("INSERT INTO schema_log VALUES (?, ?)", [file.stem, datetime.now(UTC)])
    old.con.execute("CREATE TABLE kept_site_silent (site_id VARCHAR, day DATE)")
    old.con.execute("INSERT INTO site_model (site_id, day, tilt_deg) VALUES ('a', ?, 30)", [DAY])
    old.con.execute("INSERT INTO light_day (site_id, device_id, day) VALUES ('a', '', ?)", [DAY])
    old.con.execute("INSERT INTO site_day (site_id, day, readings) VALUES ('a', ?, 96)", [DAY])
    old.close()
    with Store(place) as store:
        resolver.prepare(store)
        assert store.value("SELECT count(*) FROM feature_daylight") == 1
        assert store.frame("SELECT DISTINCT site_id, day FROM dirty_day").rows() == [("a", DAY)]
        assert not store.value("SELECT count(*) FROM duckdb_tables() WHERE starts_with(table_name, 'kept_')")
