"""The features' tables: one each, made from its SCHEMA, and remade when that or its VERSION changes."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import polars as pl

from detectors.features import Feature
from detectors.stats.rows import ordered
from pipeline.store.connection import ASKED, Store

TYPES: dict[type[pl.DataType], str] = {
    pl.String: "VARCHAR", pl.Date: "DATE", pl.Float64: "DOUBLE", pl.Boolean: "BOOLEAN", pl.Int32: "INTEGER",
    pl.Int64: "BIGINT", pl.Datetime: "TIMESTAMP",
}  # fmt: skip

OF_ASKED = f"site_id IN {ASKED}"


def table_of(feature: Feature) -> str:
    """The name of the feature's table."""
    return f"feature_{feature.name}"


def prepare(store: Store, features: Iterable[Feature]) -> None:
    """Every stored feature's table is there, with today's columns and version.

    A table that is new, or made by another version, is emptied, and the site-days of its window are noted: to be
    summed up again for a feature of readings, to be judged again for a nightly one.
    """
    held: dict[str, list[tuple[str, str]]] = {}
    for table, column, kind in store.con.execute(
        """
        SELECT table_name, column_name, data_type FROM duckdb_columns()
        WHERE database_name = 'history' AND starts_with(table_name, 'feature_') ORDER BY table_name, column_index
        """
    ).fetchall():
        held.setdefault(table, []).append((column, kind))
    versions = dict(store.con.execute("SELECT name, version FROM feature_version").fetchall())
    with store.transaction():
        for feature in features:
            if feature.schema is not None:
                wanted = [(name, _type(kind)) for name, kind in feature.schema.items()]
                if held.get(table_of(feature)) != wanted or versions.get(feature.name) != feature.version:
                    _make_anew(store, feature, wanted)


def _make_anew(store: Store, feature: Feature, columns: list[tuple[str, str]]) -> None:
    """To be called in a transaction."""
    listed = ", ".join(f'"{name}" {kind}' for name, kind in columns)
    store.con.execute(f"CREATE OR REPLACE TABLE {table_of(feature)} ({listed})")
    store.con.execute("DELETE FROM feature_version WHERE name = ?", [feature.name])
    store.con.execute("INSERT INTO feature_version VALUES (?, ?)", [feature.name, feature.version])
    last = store.value("SELECT max(day) FROM site_day")
    if isinstance(last, date):
        first = last - timedelta(days=feature.window_days)
        if feature.is_nightly:
            store.con.execute(
                "INSERT INTO due_day SELECT DISTINCT day FROM judged ANTI JOIN due_day USING (day) WHERE day >= ?",
                [first],
            )
        else:
            store.con.execute("INSERT INTO dirty_day SELECT site_id, day FROM site_day WHERE day >= ?", [first])


def _type(kind: pl.DataType) -> str:
    if isinstance(kind, pl.List):
        inner = kind.inner
        return f"{_type(inner if isinstance(inner, pl.DataType) else inner())}[]"
    return TYPES[type(kind)]


def write_days(store: Store, rows: Mapping[Feature, pl.DataFrame], done: pl.DataFrame) -> None:
    """Replaces the rows of `done` [site_id, day] of each feature given. To be called in a transaction."""
    tables = [table_of(feature) for feature in rows]
    with store.offered(finished=done):
        for table in _having(store, tables, "SEMI JOIN finished USING (site_id, day)"):
            same = f"{table}.site_id = finished.site_id AND {table}.day = finished.day"
            store.con.execute(f"DELETE FROM {table} USING finished WHERE {same}")
    for feature, made in rows.items():
        store.insert(table_of(feature), made)


def without_rows(store: Store) -> set[str]:
    """The names of features whose tables hold nothing, as far as that is known without looking into them."""
    if store.is_inside:  # what a transaction wrote is not counted yet
        return set()
    rows = store.con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = 'history' AND estimated_size = 0"
    ).fetchall()
    return {table.removeprefix("feature_") for (table,) in rows if table.startswith("feature_")}


def _having(store: Store, tables: list[str], rows: str, parameters: dict[str, date] | None = None) -> list[str]:
    """Those of the tables that have such rows: of a new day, as most are, none has."""
    asked = " UNION ALL ".join(f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM {table} {rows})" for table in tables)
    return [table for (table,) in store.con.execute(asked, parameters).fetchall()] if tables else []


def write_night(store: Store, rows: Mapping[Feature, pl.DataFrame], day: date) -> None:
    """Replaces the rows of one judged day of each nightly feature given."""
    tables = [table_of(feature) for feature in rows]
    with store.transaction():
        for table in _having(store, tables, "WHERE day = $day", {"day": day}):
            store.con.execute(f"DELETE FROM {table} WHERE day = ?", [day])
        for feature, made in rows.items():
            store.insert(table_of(feature), made)


def read(store: Store, feature: Feature, first: date, last: date) -> pl.DataFrame:
    """The feature's rows (SCHEMA) between two days, both included, by site, day and device."""
    return _read(store, feature, first, last)


def read_of(
    store: Store, feature: Feature, first: date, last: date, sites: Sequence[str], columns: Sequence[str] = ()
) -> pl.DataFrame:
    """The same of some sites alone; `columns`: those of SCHEMA that are wanted, if not all."""
    return _read(store, feature, first, last, OF_ASKED, columns, {"asked": list(sites)})


def newest_of(store: Store, feature: Feature, first: date, last: date, sites: Sequence[str]) -> pl.DataFrame:
    """The newest of these rows of each site."""
    is_newest = f"{OF_ASKED} QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1"
    return _read(store, feature, first, last, is_newest, given={"asked": list(sites)})


def _read(
    store: Store,
    feature: Feature,
    first: date,
    last: date,
    which: str = "true",
    columns: Sequence[str] = (),
    given: Mapping[str, Any] | None = None,
) -> pl.DataFrame:
    assert feature.schema is not None
    schema = pl.Schema({name: kind for name, kind in feature.schema.items() if not columns or name in columns})
    order = [name for name in ("site_id", "day", "device_id") if name in schema]
    listed = ", ".join(f'"{name}"' for name in schema)
    frame = store.frame(
        f"SELECT {listed} FROM {table_of(feature)} WHERE day BETWEEN $first AND $last AND {which}",
        {"first": first, "last": last, **(given or {})},
    )
    rows = frame if frame.schema == schema else frame.cast(schema)
    return ordered(rows, *order)  # DuckDB takes half as long again to order them
