"""Corrections of sites' clocks: those in force, and the segments of stamps that they move."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

import polars as pl

from pipeline.store.connection import Store
from pipeline.store.history import mark_sites_dirty
from pipeline.store.register import timezone
from pipeline.timezones.local_time import day_start
from pipeline.timezones.zones import tzinfo_of

FOREVER = datetime(2200, 1, 1, tzinfo=UTC)
LAST_DAY = date(2199, 12, 31)
DAY_S = 86_400.0


class Correction(NamedTuple):
    """What is added to a site's stamps, and to which of them."""

    shift_min: float
    first: date | datetime  # local day as stamped, or an instant with its zone
    last: date | datetime | None = None  # the last local day, or the first instant that is corrected no more
    rate_s_per_day: float = 0.0  # more for each day since the first instant

    @property
    def says(self) -> str:
        """What it adds, in words."""
        parts = [f"{self.shift_min:g} min"] if self.shift_min or not self.rate_s_per_day else []
        return " and ".join([*parts, *([f"{self.rate_s_per_day:g} s a day"] if self.rate_s_per_day else [])])


class Span(NamedTuple):
    """Instants as stamped, and what is added to them: minutes, and seconds for each day since `start`."""

    start: datetime
    end: datetime
    minutes: float
    rate_s_per_day: float = 0.0


class Place(NamedTuple):
    """Where a correction begins and ends, as the history holds it; null instants are those of the days."""

    from_day: date
    to_day: date | None
    from_utc: datetime | None
    until_utc: datetime | None


def place_of(store: Store, site_id: str, correction: Correction) -> Place:
    """Its local days, and its instants where it was given by them."""
    zone = tzinfo_of(timezone(store, site_id))
    first, last = correction.first, correction.last
    from_utc = first.astimezone(UTC) if isinstance(first, datetime) else None
    until_utc = last.astimezone(UTC) if isinstance(last, datetime) else None
    from_day = first.astimezone(zone).date() if isinstance(first, datetime) else first
    to_day = (last - timedelta(microseconds=1)).astimezone(zone).date() if isinstance(last, datetime) else last
    return Place(from_day, to_day, from_utc, until_utc)


def apply(store: Store, site_id: str, first: date, last: date | None) -> None:
    """Makes the spans of the site anew from its corrections in force, and marks the days concerned."""
    zone = timezone(store, site_id)
    rows = store.con.execute(
        """
        SELECT shift_min, rate_s_per_day, from_day, to_day, from_utc, until_utc FROM clock_shift
        WHERE site_id = ? AND undone_at IS NULL
        """,
        [site_id],
    ).fetchall()
    edges = [
        Span(
            from_utc or day_start(zone, a),
            until_utc or (day_start(zone, b + timedelta(days=1)) if b else FOREVER),
            minutes,
            rate or 0.0,
        )
        for minutes, rate, a, b, from_utc, until_utc in rows
    ]
    store.con.execute("DELETE FROM clock_shift_span WHERE site_id = ?", [site_id])
    for span in spans(edges):
        store.con.execute(
            """
            INSERT INTO clock_shift_span (site_id, from_utc, until_utc, shift_min, rate_s_per_day)
            VALUES (?, ?, ?, ?, ?)
            """,
            [site_id, *span],
        )
    mark_sites_dirty(store, [site_id], first, last or date.max)


def spans(edges: Sequence[Span]) -> list[Span]:
    """Segments that do not overlap, each with the sum of the corrections that hold in it."""
    cuts = sorted({instant for edge in edges for instant in (edge.start, edge.end)})
    result = []
    for start, end in pairwise(cuts):
        mine = [edge for edge in edges if edge.start <= start and end <= edge.end]
        rate = sum(edge.rate_s_per_day for edge in mine)
        grown_s = sum(edge.rate_s_per_day * (start - edge.start).total_seconds() / DAY_S for edge in mine)
        minutes = sum(edge.minutes for edge in mine) + grown_s / 60
        if minutes or rate:
            result.append(Span(start, end, minutes, rate))
    return result


def in_force(store: Store, site_id: str, correction: Correction) -> Correction | None:
    """The correction of just this span, or None."""
    row = store.con.execute(
        """
        SELECT shift_min, rate_s_per_day FROM clock_shift
        WHERE site_id = ? AND undone_at IS NULL AND from_day = ? AND to_day IS NOT DISTINCT FROM ?
          AND from_utc IS NOT DISTINCT FROM ? AND until_utc IS NOT DISTINCT FROM ?
        """,
        [site_id, *place_of(store, site_id, correction)],
    ).fetchone()
    return None if row is None else correction._replace(shift_min=float(row[0]), rate_s_per_day=float(row[1] or 0.0))


def add(store: Store, site_id: str, correction: Correction, *, note: str) -> int:
    """The number of a new correction, which `apply` puts in force."""
    shift_id = int(store.value("SELECT nextval('clock_shift_number')"))
    place = place_of(store, site_id, correction)
    store.con.execute(
        """
        INSERT INTO clock_shift (
            shift_id, site_id, shift_min, rate_s_per_day, made_at, note, from_day, to_day, from_utc, until_utc)
        VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
        """,
        [shift_id, site_id, correction.shift_min, correction.rate_s_per_day, datetime.now(UTC), note, *place],
    )
    return shift_id


def take_back(store: Store, shift_id: int) -> None:
    """Notes the correction as undone now; `apply` then takes it out of force."""
    store.con.execute("UPDATE clock_shift SET undone_at = ? WHERE shift_id = ?", [datetime.now(UTC), shift_id])


def of_site(store: Store, site_id: str) -> pl.DataFrame:
    """The site's corrections, those taken back among them, in the order in which they were made."""
    return store.frame("SELECT * FROM clock_shift WHERE site_id = ? ORDER BY shift_id", [site_id])


def fitting(
    store: Store,
    site_id: str,
    *,
    shift_min: float | None,
    rate_s_per_day: float | None,
    first: date | datetime | None,
    last: date | datetime | None,
) -> pl.DataFrame:
    """The site's corrections of these figures and days (None: whatever they are), the last touched first."""
    wanted = Correction(0.0, first or date.min, last)
    place = place_of(store, site_id, wanted)
    return store.frame(
        """
        SELECT * FROM clock_shift WHERE site_id = $site
          AND ($shift IS NULL OR shift_min = $shift) AND ($rate IS NULL OR rate_s_per_day = $rate)
          AND ($from_day IS NULL OR from_day = $from_day) AND ($to_day IS NULL OR to_day = $to_day)
          AND ($from_utc IS NULL OR from_utc = $from_utc) AND ($until_utc IS NULL OR until_utc = $until_utc)
        ORDER BY coalesce(undone_at, made_at) DESC, shift_id DESC
        """,
        {"site": site_id, "shift": shift_min, "rate": rate_s_per_day}
        | place._asdict()
        | ({"from_day": None} if first is None else {}),
    )


def collisions(store: Store, site_id: str, first: date, last: date | None) -> int:
    """How many readings fall on an instant that another reading of the same device has, once corrected."""
    near = timedelta(days=2)  # a correction of at most 26 hours
    span = {"site": site_id, "first": first - near, "last": (last or LAST_DAY) + near}
    return int(store.query("collided_readings", span).item())
