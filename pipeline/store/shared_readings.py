"""Days whose readings are compared among sites, and the prints by which sites that report the same are found."""

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

from detectors.data_quality.copies import MIN_PRINTS, PRINTS
from detectors.data_quality.other_sites import PAIRS, RULE, SHARED_DAYS, STREAK_GAP_DAYS
from pipeline.store.connection import Store

LOOKED_BACK_DAYS = 35  # ours: a month and its gaps; who shares days for longer is looked at four times as far back


def note_due(store: Store, days: pl.Series) -> None:
    """Notes days as to be compared."""
    with store.offered(changed=pl.DataFrame({"day": days.unique().cast(pl.Date)})):
        store.con.execute("INSERT INTO shared_due SELECT day FROM changed ANTI JOIN shared_due USING (day)")


def due(store: Store) -> list[date]:
    """The days that are to be compared, oldest first."""
    return [day for (day,) in store.con.execute("SELECT DISTINCT day FROM shared_due ORDER BY day").fetchall()]


def end(store: Store) -> None:
    """The days were compared, and what that changed is summed up."""
    store.con.execute("DELETE FROM shared_due")


def prints(store: Store, days: Sequence[date]) -> pl.DataFrame:
    """PRINTS of these days that are found at several sites on one day: one hash of all, no site with each other."""
    with store.offered(asked=pl.DataFrame({"day": list(days)}, schema={"day": pl.Date})):
        found = store.frame(
            """
            WITH told AS (SELECT site_id, day, device_id, print FROM feature_row_prints SEMI JOIN asked USING (day)),
            several AS (SELECT day, print FROM told GROUP BY day, print HAVING min(site_id) < max(site_id))
            SELECT DISTINCT t.site_id, t.day, t.device_id, t.print FROM told AS t SEMI JOIN several USING (day, print)
            ORDER BY ALL
            """
        )
    return found.select(PRINTS.names()).cast(PRINTS)


def repeating(store: Store, told: pl.DataFrame, done: pl.DataFrame, window_days: int) -> pl.DataFrame:
    """[site_id, device_id] of the devices of which a print of `told` (PRINTS) comes twice, or came on days before.

    `told`: of the days `done` [site_id, day], of which those that are held do not count.
    Most nights it is none: those of the days before, many times as many, are looked through and not read.
    """
    twice = told.filter(pl.struct("site_id", "device_id", "print").is_duplicated()).select("site_id", "device_id")
    since = done["day"].dt.offset_by(f"-{window_days}d").min()
    with store.offered(told=told.select("site_id", "device_id", "print"), done=done.select("site_id", "day")):
        before = store.frame(
            """
            SELECT DISTINCT site_id, device_id
            FROM (SELECT * FROM feature_row_prints WHERE day BETWEEN $since AND $last) AS p
            SEMI JOIN told USING (site_id, device_id, print) ANTI JOIN done USING (site_id, day)
            """,
            {"since": since, "last": done["day"].max()},
        )
    return pl.concat([twice, before]).unique()


def shared_days(store: Store, pairs: pl.DataFrame, last: date) -> pl.DataFrame:
    """SHARED_DAYS up to `last` of the sites of `pairs` (PAIRS): all that lead up to its days without a long gap.

    Most share none before: no more of the past is gone through than where one of them may go on.
    """
    first = pairs["day"].min()
    assert isinstance(first, date)
    back = LOOKED_BACK_DAYS
    while True:
        since = first - timedelta(days=back)
        found = _shared_since(store, pairs, since, last)
        goes_on = found.filter(pl.col("day") < since + timedelta(days=STREAK_GAP_DAYS))
        if goes_on.is_empty():
            return found
        back *= 4


def _shared_since(store: Store, pairs: pl.DataFrame, since: date, last: date) -> pl.DataFrame:
    with store.offered(paired=pairs.select("site_id", "other_id").unique()):
        found = store.frame(
            """
            WITH mine AS (SELECT DISTINCT site_id, day, print FROM feature_row_prints
                WHERE day BETWEEN $since AND $last
                  AND site_id IN (SELECT site_id FROM paired UNION SELECT other_id FROM paired))
            SELECT b.site_id, b.other_id, m.day FROM paired AS b
            JOIN mine AS m ON m.site_id = b.site_id
            JOIN mine AS t ON t.site_id = b.other_id AND t.day = m.day AND t.print = m.print
            GROUP BY ALL HAVING count(*) >= $enough ORDER BY ALL
            """,
            {"since": since, "last": last, "enough": MIN_PRINTS},
        )
    return found.select(SHARED_DAYS.names()).cast(SHARED_DAYS)


def flagged(store: Store, days: Sequence[date]) -> pl.DataFrame:
    """[site_id, day] of these days with readings that are flagged as those of another site."""
    with store.offered(asked=pl.DataFrame({"day": list(days)}, schema={"day": pl.Date})):
        found = store.frame(
            "SELECT DISTINCT site_id, day FROM reading_flag SEMI JOIN asked USING (day) WHERE rule = ? ORDER BY ALL",
            [RULE],
        )
    return found.select("site_id", "day").cast({name: PAIRS[name] for name in ("site_id", "day")})
