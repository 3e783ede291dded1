"""When readings came in, site by site: the rhythm of its exports, which its readings do not show."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from detectors.frames import ARRIVALS
from pipeline.store.connection import Store
from pipeline.timezones.local_time import add_local

WINDOW_DAYS = 60  # ours: a rhythm of weeks shows in two months
MORNING = time(6)  # ours: by then the files of the night have come


def note_arrivals(store: Store, rows: pl.DataFrame, night: date | None = None) -> None:
    """Notes what came of each site, [site_id, ts_utc, taken_in_at]; older readings than known ones tell no rhythm.

    With `night`, a day that is lived through later, the morning after it stands for `taken_in_at` where the readings
    are older: a history that is played again in an hour shows the rhythm that it had.
    """
    if night is not None:
        zones = store.frame("SELECT site_id, timezone FROM site")
        rows = rows.join(_mornings(zones, night), on="site_id", how="left")
        rows = rows.with_columns(
            taken_in_at=pl.when(pl.col("ts_utc") < pl.col("came_at")).then("came_at").otherwise("taken_in_at")
        )
    by_day = (
        rows.group_by("site_id", arrived_on=pl.col("taken_in_at").dt.date())
        .agg(arrived_at=pl.col("taken_in_at").min(), newest_utc=pl.col("ts_utc").max())
        .sort("arrived_on", "site_id")
    )
    for (day,), arrivals in by_day.group_by("arrived_on", maintain_order=True):
        with store.offered(told=arrivals):
            known = store.frame(
                "SELECT site_id, max(newest_utc) AS before_utc, max(arrived_on) AS last_on FROM site_arrival "
                "SEMI JOIN told USING (site_id) GROUP BY site_id"
            )
        newer = arrivals.join(known, on="site_id", how="left").filter(
            pl.col("before_utc").is_null() | (pl.col("newest_utc") > pl.col("before_utc"))
        )
        is_first = pl.col("last_on").is_null() | (pl.col("last_on") < day)
        _update(store, newer.filter(~is_first))
        store.insert("site_arrival", newer.filter(is_first).drop("last_on"))


def _mornings(zones: pl.DataFrame, night: date) -> pl.DataFrame:
    """[site_id, came_at]: the morning after a local day at each site."""
    morning = datetime.combine(night + timedelta(days=1), MORNING)
    at = {zone: morning.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) for zone in zones["timezone"].unique()}
    came_at = pl.col("timezone").replace_strict(at, return_dtype=pl.Datetime("us", "UTC"))
    return zones.select("site_id", came_at=came_at)


def _update(store: Store, later: pl.DataFrame) -> None:
    if later.is_empty():
        return
    with store.offered(later=later):
        store.con.execute(
            "UPDATE site_arrival AS a SET newest_utc = later.newest_utc FROM later "
            "WHERE a.site_id = later.site_id AND a.arrived_on = later.last_on"
        )


def arrivals(store: Store, day: date) -> pl.DataFrame:
    """ARRIVALS of the window up to the local day."""
    rows = store.frame(
        """
        SELECT a.site_id, s.timezone, a.arrived_at, a.before_utc FROM site_arrival AS a JOIN site AS s USING (site_id)
        WHERE a.before_utc IS NOT NULL AND a.arrived_on BETWEEN ? AND ? ORDER BY a.site_id, a.arrived_on
        """,
        [day - timedelta(days=WINDOW_DAYS), day + timedelta(days=1)],
    )
    local = add_local(add_local(rows, instant="arrived_at", name="at"), instant="before_utc", name="before")
    found = local.select(
        "site_id",
        day=pl.col("at").dt.date(),
        hour=(pl.col("at").dt.hour() + pl.col("at").dt.minute() / 60).cast(pl.Float64),
        before_day=pl.col("before").dt.date(),
    )
    return found.filter(pl.col("day") <= day).cast(ARRIVALS)
