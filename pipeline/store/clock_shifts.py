"""Corrections of sites' clocks: those in force, and the stretches of stamps that they move."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from pipeline.store.connection import Store
from pipeline.store.history import mark_site_dirty
from pipeline.timezones.local_time import day_start

FOREVER = datetime(2200, 1, 1, tzinfo=UTC)


def apply(store: Store, site_id: str, first: date, last: date | None) -> None:
    """Makes the spans of the site anew from its corrections in force, and marks the days concerned."""
    zone = store.value("SELECT timezone FROM site WHERE site_id = ?", [site_id])
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
    """Stretches that do not overlap, each with the sum of the corrections that hold in it."""
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
