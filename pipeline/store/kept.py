"""What detectors keep of each day, so that a night reads the night's readings alone.

A detector that looks back further than a day declares `KEPT`, a schema with `site_id` and `day` among its columns, and
`keep`, which makes such rows from the readings of whole local days. The rows live in a table of the detector's own,
made from that schema. A schema that changed makes the table anew, and every day is summed up again.
"""

from collections.abc import Sequence
from datetime import date
from types import ModuleType

import polars as pl

import detectors
from pipeline.store.connection import Store

TYPES: dict[type[pl.DataType], str] = {
    pl.String: "VARCHAR", pl.Date: "DATE", pl.Float64: "DOUBLE", pl.Boolean: "BOOLEAN", pl.Int32: "INTEGER",
    pl.Int64: "BIGINT",
}  # fmt: skip


def keepers() -> list[ModuleType]:
    """The detectors that keep something of each day."""
    return [module for module in detectors.load() if hasattr(module, "KEPT")]


def table_of(module: ModuleType) -> str:
    return f"kept_{str(module.DETECTOR).replace('-', '_')}"


def prepare(store: Store) -> None:
    """Every keeper's table is there, with the columns that its schema has today."""
    held: dict[str, list[tuple[str, str]]] = {}
    for table, column, kind in store.con.execute(
        """
        SELECT table_name, column_name, data_type FROM duckdb_columns()
        WHERE database_name = 'history' AND starts_with(table_name, 'kept_') ORDER BY table_name, column_index
        """
    ).fetchall():
        held.setdefault(table, []).append((column, kind))
    for module in keepers():
        wanted = [(name, _type(kind)) for name, kind in module.KEPT.items()]
        if held.get(table_of(module)) != wanted:
            columns = ", ".join(f"{name} {kind}" for name, kind in wanted)
            with store.transaction():
                store.con.execute(f"CREATE OR REPLACE TABLE {table_of(module)} ({columns})")
                store.con.execute("INSERT INTO dirty_day SELECT site_id, day FROM site_day")


def _type(kind: pl.DataType) -> str:
    if isinstance(kind, pl.List):
        inner = kind.inner
        return f"{_type(inner if isinstance(inner, pl.DataType) else inner())}[]"
    return TYPES[type(kind)]


def write(store: Store, frames: dict[str, pl.DataFrame], done: pl.DataFrame) -> None:
    """Replaces the rows of `done` [site_id, day]. To be called in a transaction."""
    with store.offered(finished=done):
        for module in keepers():
            table = table_of(module)
            same = f"{table}.site_id = finished.site_id AND {table}.day = finished.day"
            store.con.execute(f"DELETE FROM {table} USING finished WHERE {same}")
    for module in keepers():
        if module.DETECTOR in frames:
            store.insert(table_of(module), frames[module.DETECTOR].select(module.KEPT.names()))


def read(store: Store, first: date, last: date, *, only: Sequence[str] = ()) -> dict[str, pl.DataFrame]:
    """Detector -> its rows between two days, both included; of all keepers, or of those named."""
    found = {}
    for module in (one for one in keepers() if not only or one.DETECTOR in only):
        columns: Sequence[str] = module.KEPT.names()
        frame = store.frame(
            f"SELECT {', '.join(columns)} FROM {table_of(module)} WHERE day BETWEEN ? AND ? ORDER BY site_id, day",
            [first, last],
        )
        found[module.DETECTOR] = frame.cast(module.KEPT)
    return found
