"""Readings whose stamps cannot be right and that are in the history all the same: they came before there was the rule.

What the rule rejects today is rejected when the history is made again; here they are found, so that this is said.
"""

from typing import NamedTuple

from pipeline.store import older
from pipeline.store.connection import Store
from pipeline.timezones.local_time import local_day_span


class Stray(NamedTuple):
    """Some readings of a site far from all others of their export."""

    site_id: str
    first_day: str
    last_day: str
    readings: int


def stray_readings(store: Store, *, apart_days: int, share: float) -> list[Stray]:
    """Spans of days, more than `apart_days` from any other of their site, of exports that speak of another time.

    An export speaks of the time of most of its rows of the site: a span that holds less than `share` of them is stray.
    """
    spans = store.con.execute(
        """
        WITH with_pause AS (  -- most sites lack no such number of days, and theirs need not be put in order
            SELECT site_id FROM site_day WHERE readings > 0
            GROUP BY site_id HAVING max(day) - min(day) + 1 - count(*) >= $apart
        ), day_with_readings AS (
            SELECT site_id, day,
                coalesce(day - lag(day) OVER (PARTITION BY site_id ORDER BY day) > $apart, false) AS begins
            FROM site_day SEMI JOIN with_pause USING (site_id) WHERE readings > 0
        ), numbered AS (
            SELECT *, sum(CAST(begins AS INTEGER)) OVER (PARTITION BY site_id ORDER BY day) AS span
            FROM day_with_readings
        )
        SELECT site_id, min(day), max(day), count(*) OVER (PARTITION BY site_id) AS spans
        FROM numbered GROUP BY site_id, span QUALIFY spans > 1 ORDER BY site_id, min(day)
        """,
        {"apart": apart_days},
    ).fetchall()
    found = []
    for site_id, first, last, _ in spans:
        lo, hi = local_day_span(first, last)
        count = store.value(
            f"""
            WITH here AS (
                SELECT export_id, count(*) AS rows_here FROM {older.source(store, lo, hi)}
                WHERE site_id = ? AND ts_utc BETWEEN ? AND ? GROUP BY export_id
            ), whole AS (
                SELECT export_id, count(*) AS rows_in_all FROM {older.source(store)}
                WHERE site_id = ? AND export_id IN (SELECT export_id FROM here) GROUP BY export_id
            )
            SELECT CAST(sum(rows_here) AS BIGINT) FROM here JOIN whole USING (export_id)
            WHERE rows_here < ? * rows_in_all
            """,
            [site_id, lo, hi, site_id, share],
        )
        if count:
            found.append(Stray(site_id, str(first), str(last), int(count)))
    return found
