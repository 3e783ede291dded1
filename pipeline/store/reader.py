"""What analysts open: Parquet parts and a small database of views, both replaced by atomic rename.

Nobody but the pipeline opens the history itself, since a DuckDB file has one writer or many readers. Parts are never
changed once written: a new part gets a new name, and the old one stays until sessions that knew it have ended.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline.store import answers, parts
from pipeline.store.answers import DATABASE as DATABASE
from pipeline.store.answers import Parameters
from pipeline.store.connection import Store, in_utc
from pipeline.store.parts import DAILY
from pipeline.store.reader_database import write_database


def mark_due(store: Store, relations: Iterable[str], days: Iterable[date]) -> None:
    """Notes that what the reader holds of these days in these relations is out of date."""
    by_day = sorted({day.isoformat() for day in days})
    by_month = sorted({day[:7] for day in by_day})
    due = [(name, period) for name in relations for period in (by_day if name in DAILY else by_month)]
    store.insert("reader_due", pl.DataFrame(due, schema={"relation": pl.String, "period": pl.String}, orient="row"))


def publish(store: Store, folder: Path, *, keep_h: float) -> int:
    """How many parts were written anew; the reader then shows the history as it stands."""
    folder.mkdir(parents=True, exist_ok=True)
    parts.mark_damaged_due(store, folder)
    written = parts.write_due(store, folder)
    try:
        parts.join_old_months(store, folder)
        write_database(store, folder)
    except (duckdb.BinderException, duckdb.IOException):
        # Parts in force lack a column of this release, or somebody removed them: the history can give them all again.
        store.con.execute(
            "INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part WHERE superseded_at IS NULL"
        )
        parts.remove_empty(folder)
        written += parts.write_due(store, folder)
        write_database(store, folder)
    parts.remove_superseded(store, folder, keep_h)
    return written


def forget(store: Store) -> None:
    """Every part is out of date: what is published next is written anew."""
    with store.transaction():
        store.con.execute("UPDATE reader_part SET superseded_at = ? WHERE superseded_at IS NULL", [datetime.now(UTC)])
        store.con.execute("DELETE FROM reader_due")


def ask(folder: Path, sql: str, parameters: Parameters = ()) -> pl.DataFrame:
    """The result of one query as a frame; what a frame does not hold (intervals, unions) is text.

    Raises QueryError as `answers.answered` does.
    """
    with answers.answered(folder, sql, parameters) as relation:
        return pl.DataFrame() if relation is None else in_utc(answers.for_frames(relation).pl())
