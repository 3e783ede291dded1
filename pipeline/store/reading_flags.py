"""Spans of readings that are not good, or of which something is to be known: written, and checked again."""

import polars as pl

from detectors.frames import NOT_GOOD
from pipeline.store.connection import Store
from pipeline.store.reader import mark_due


def write_days(store: Store, flags: pl.DataFrame, done: pl.DataFrame) -> None:
    """Replaces the flags of `done` [site_id, day]. To be called in a transaction."""
    with store.offered(flagged=done):
        same = "reading_flag.site_id = flagged.site_id AND reading_flag.day = flagged.day"
        before = store.frame(f"SELECT reading_flag.* FROM reading_flag, flagged WHERE {same}")
        if not before.is_empty():
            store.con.execute(f"DELETE FROM reading_flag USING flagged WHERE {same}")
    store.insert("reading_flag", flags)
    both = pl.concat([before.select(flags.columns).cast(flags.schema), flags])
    changed = both.filter(~pl.struct(pl.all()).is_duplicated())
    mark_due(store, ["reading_flag"], changed["day"])
    # Values that are not good are left out of readings; what is only to be known of them changes none.
    bad = changed.filter(pl.col("flag").is_in(NOT_GOOD))
    mark_due(store, ("reading", "device_reading"), {*bad["from_utc"].dt.date(), *bad["to_utc"].dt.date()})


def note_to_check(store: Store, dirty: pl.DataFrame, window_days: int) -> None:
    """Notes the summed-up days after changed ones, whose flags look back on these."""
    with store.offered(changed=dirty):
        store.con.execute(
            """
            INSERT INTO flag_due
            SELECT DISTINCT d.site_id, d.day FROM site_day AS d
            JOIN (SELECT site_id, min(day) AS first, max(day) AS last FROM changed GROUP BY site_id) AS c
                ON c.site_id = d.site_id AND d.day > c.first AND d.day <= c.last + CAST(? AS INTEGER)
            ANTI JOIN changed AS n ON n.site_id = d.site_id AND n.day = d.day
            ANTI JOIN flag_due AS f ON f.site_id = d.site_id AND f.day = d.day
            """,
            [window_days],
        )


def to_check(store: Store) -> pl.DataFrame:
    """[site_id, day] whose flags may have changed with the days before them."""
    return store.frame("SELECT DISTINCT site_id, day FROM flag_due ORDER BY day, site_id")


def end_check(store: Store, changed: pl.DataFrame) -> None:
    """The days that were noted are checked; those whose flags changed are to be summed up again."""
    with store.transaction():
        store.insert("dirty_day", changed.select("site_id", "day"))
        store.con.execute("DELETE FROM flag_due")
