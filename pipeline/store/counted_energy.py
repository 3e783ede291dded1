"""The energy of each reading by its counters: the differences between readings, kept beside them."""

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from pipeline.energy.counters import difference
from pipeline.store import older, readings
from pipeline.store.connection import Store

AROUND_DAYS = 4  # a counter's energy hangs on neighbours of up to 1.5 intervals, of at most a day, or of the same day
NOTICED_KWH = 0.001  # a counter's energy that changes by less than 1 Wh makes no day dirty


def count_energy(store: Store, rows: pl.DataFrame, kinds: Mapping[str, str]) -> pl.DataFrame:
    """Differences the counters anew around the rows of a batch; [site_id, ts_utc] whose energy changed."""
    names = [name.replace("_kwh_total", "_counted_kwh") for name in kinds]
    touched = rows.group_by("site_id", "device_id").agg(lo=pl.col("ts_utc").min(), hi=pl.col("ts_utc").max())
    listed = ", ".join(f"r.{name}" for name in (*kinds, *names))
    # Months in between that were not brought back (a stray stamp of years ago spans them) hold neighbours all the same.
    first, last = rows["ts_utc"].min(), rows["ts_utc"].max()
    assert isinstance(first, datetime) and isinstance(last, datetime)
    held_at = older.source(store, first - timedelta(days=AROUND_DAYS), last + timedelta(days=AROUND_DAYS))
    with store.offered(touched=touched):
        held = store.frame(
            f"""
            SELECT r.site_id, r.device_id, r.ts_utc, r.interval_s, r.marks, {listed}, s.timezone,
                coalesce(d.inverter_kw, s.inverter_kw, s.installed_kwp) AS limit_kw, t.lo, t.hi
            FROM {held_at} AS r JOIN touched AS t USING (site_id, device_id) JOIN site AS s ON s.site_id = r.site_id
            LEFT JOIN device AS d ON d.site_id = r.site_id AND d.device_id = r.device_id
            WHERE r.ts_utc BETWEEN $first - INTERVAL {AROUND_DAYS} DAY AND $last + INTERVAL {AROUND_DAYS} DAY
              AND r.ts_utc BETWEEN t.lo - INTERVAL {AROUND_DAYS} DAY AND t.hi + INTERVAL {AROUND_DAYS} DAY
            """,
            {"first": first, "last": last},
        )
    counted = difference(held.drop("lo", "hi"), kinds)
    before = held.select(
        *readings.KEY, "lo", "hi", *(pl.col(name).alias(f"{name}_before") for name in names)
    )  # fmt: skip
    differs = pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name}_before")) for name in names)
    # The outermost rows of what was read lack a neighbour and would lose their energy: only the inner ones are told.
    reach = pl.duration(days=AROUND_DAYS / 2)
    is_inner = (pl.col("ts_utc") > pl.col("lo") - reach) & (pl.col("ts_utc") < pl.col("hi") + reach)
    changed = counted.join(before, on=list(readings.KEY)).filter(differs & is_inner)
    if changed.is_empty():
        return changed.select("site_id", "ts_utc")
    sets = ", ".join(f"{name} = told.{name}" for name in (*names, "counted_s"))
    with store.offered(told=changed.select(*readings.KEY, *names, "counted_s")):
        store.con.execute(
            f"""
            UPDATE reading_raw AS r SET {sets} FROM told
            WHERE r.site_id = told.site_id AND r.device_id = told.device_id AND r.ts_utc = told.ts_utc
            """
        )
    # Nothing counted and nothing known differ: a power that follows from a counter is there or is not.
    moved = pl.any_horizontal(
        ((pl.col(name) - pl.col(f"{name}_before")).abs() > NOTICED_KWH).fill_null(False)
        | (pl.col(name).is_null() != pl.col(f"{name}_before").is_null())
        for name in names
    )
    return changed.filter(moved).select("site_id", "ts_utc")
