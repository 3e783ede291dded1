"""Corrections of sites' clocks: those in force, and the segments of stamps that they move."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import polars as pl

from pipeline.store.connection import Store
from pipeline.store.history import mark_site_dirty
from pipeline.store.register import timezone
from pipeline.timezones.local_time import day_start

FOREVER = datetime(2200, 1, 1, tzinfo=UTC)


def apply(store: Store, site_id: str, first: date, last: date | None) -> None:
    """Makes the spans of the site anew from its corrections in force, and marks the days concerned."""
    zone = timezone(store, site_id)
    rows = store.con.execute(
        "SELECT shift_min, from_day, to_day FROM clock_shift WHERE site_id = ? AND undone_at IS NULL", [site_id]
    ).fetchall()
    edges = [
        (day_start(zone, a), day_start(zone, b + timedelta(days=1)) if b else FOREVER, minutes)
        for minutes, a, b in rows
    ]
    store.con.execute("DELETE FROM clock_shift_span WHERE site_id = ?", [site_id])
    for start, end, minutes in spans(edges):
        store.con.execute("INSERT INTO clock_shift_span VALUES (?, ?, ?, ?)", [site_id, start, end, minutes])
    mark_site_dirty(store, site_id, first, last or date.max)


def spans(edges: Sequence[tuple[datetime, datetime, float]]) -> list[tuple[datetime, datetime, float]]:
    """Segments that do not overlap, each with the sum of the corrections that hold in it."""
    cuts = sorted({instant for start, end, _ in edges for instant in (start, end)})
    result = []
    for start, end in pairwise(cuts):
        total = sum(minutes for a, b, minutes in edges if a <= start and end <= b)
        if total:
            result.append((start, end, total))
    return result


def in_force(store: Store, site_id: str, first: date, last: date | None) -> float | None:
    """The minutes of the correction of just this span, or None."""
    found = store.value(
        """
        SELECT shift_min FROM clock_shift
        WHERE site_id = ? AND undone_at IS NULL AND from_day = ? AND to_day IS NOT DISTINCT FROM ?
        """,
        [site_id, first, last],
    )
    return None if found is None else float(found)


def add(store: Store, site_id: str, shift_min: float, first: date, last: date | None, *, note: str) -> int:
    """The number of a new correction, which `apply` puts in force."""
    shift_id = int(store.value("SELECT nextval('clock_shift_number')"))
    store.con.execute(
        """
        INSERT INTO clock_shift (shift_id, site_id, shift_min, from_day, to_day, made_at, note)
        VALUES (?, ?, ?, ?, ?, ?, ?)
        """,
        [shift_id, site_id, shift_min, first, last, datetime.now(UTC), note],
    )
    return shift_id


def take_back(store: Store, shift_id: int) -> None:
    """Notes the correction as undone now; `apply` then takes it out of force."""
    store.con.execute("UPDATE clock_shift SET undone_at = ? WHERE shift_id = ?", [datetime.now(UTC), shift_id])


def of_site(store: Store, site_id: str) -> pl.DataFrame:
    """The site's corrections, those taken back among them, in the order in which they were made."""
    return store.frame("SELECT * FROM clock_shift WHERE site_id = ? ORDER BY shift_id", [site_id])


def fitting(
    store: Store, site_id: str, *, shift_min: float | None, first: date | None, last: date | None
) -> pl.DataFrame:
    """The site's corrections of these minutes and days (None: whatever they are), the last touched first."""
    return store.frame(
        """
        SELECT * FROM clock_shift WHERE site_id = $site
          AND ($shift IS NULL OR shift_min = $shift)
          AND ($first IS NULL OR from_day = $first) AND ($last IS NULL OR to_day = $last)
        ORDER BY coalesce(undone_at, made_at) DESC, shift_id DESC
        """,
        {"site": site_id, "shift": shift_min, "first": first, "last": last},
    )
