"""Readings in and out of the history."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from detectors.frames import CHANNELS, COUNTERS, READING_FLAGS
from detectors.stats.rows import among, ordered, with_sites
from pipeline.store import older
from pipeline.store.connection import ASKED, Store
from pipeline.store.reported_powers import with_powers
from pipeline.timezones.local_time import add_local, local_day_span
from pipeline.workspace import resources

KEY = ("site_id", "device_id", "ts_utc")
QUANTITIES = (*CHANNELS, *COUNTERS)
CLOCK_REACH = timedelta(days=2)  # a correction of a clock, of at most 26 h, can move a reading so far
KNOWN_DAYS, BEFORE_DAYS = 30, 2  # ours: a site of a month is known, and its past does not come as a few rows
FEW_RUNS = 16  # ours: rows of a run, on average; of shorter ones a sort costs no more
HELD_SHARE = 0.5  # ours: of the span; a logger sends again what was lost, not what arrived
# Joins with the sites asked for, all of their rows or those of a span of each.
OF_ASKED = f"SEMI JOIN {ASKED} AS a ON a.site_id = r.site_id"
IN_THEIR_SPANS = (
    "JOIN (SELECT unnest(CAST($asked AS VARCHAR[])) AS site_id, unnest(CAST($begins AS TIMESTAMPTZ[])) AS begins, "
    "unnest(CAST($ends AS TIMESTAMPTZ[])) AS ends) AS a "
    "ON a.site_id = r.site_id AND r.ts_utc >= a.begins AND r.ts_utc < a.ends"
)
COUNTED = ("pv", "import", "feed_in", "charge", "discharge", "load")
COUNTED_COLUMNS = tuple(f"{name}_counted_kwh" for name in COUNTED)


def upsert(store: Store, rows: pl.DataFrame) -> pl.DataFrame:
    """[export_id, stored, unchanged, replaced]: how many input rows of each export ended how.

    `rows`: KEY, interval_s, marks, ts_export, export_id, rows (input rows behind each), QUANTITIES; in the order of
    arrival. The result is as if the rows had been written one after the other: a row fills what was unknown and
    corrects what was known; what it does not report stays, and of two lengths of interval the longer one.
    """
    carried = [name for name in QUANTITIES if rows[name].null_count() < rows.height]
    columns = [*KEY, "interval_s", "marks", "ts_export", "export_id", *carried]
    older.bring_back(store, rows["ts_utc"])
    outcomes = []
    single = rows.select(*columns, "rows", is_reported=pl.lit(False))
    if _has_repeats(rows):
        is_repeated = pl.struct(KEY).is_duplicated()
        outcome, merged = _one_after_the_other(store, single.filter(is_repeated), carried)
        outcomes.append(outcome)
        single = pl.concat([single.filter(~is_repeated), merged])
    single = ordered(single, *KEY)
    is_later = _is_later(store, single)
    known, later = single.filter(~is_later), single.filter(is_later)
    if not known.is_empty():
        acted = _merge(store, known, columns, carried)
        known = known.join(acted, on=KEY, how="left").with_columns(pl.col("outcome").fill_null("unchanged"))
        outcomes.append(known.filter(~pl.col("is_reported")).select("export_id", "rows", "outcome"))
    store.insert("reading_raw", later.select(columns))
    outcomes.append(later.filter(~pl.col("is_reported")).select("export_id", "rows", outcome=pl.lit("stored")))
    return (
        pl.concat(outcomes)
        .group_by("export_id")
        .agg(
            pl.col("rows").filter(pl.col("outcome") == name).sum().alias(name)
            for name in ("stored", "unchanged", "replaced")
        )
    )


def _is_later(store: Store, rows: pl.DataFrame) -> pl.Series:
    """Whether each row lies behind all that the history holds of its device in their span: most rows of a night do."""
    held = store.frame(
        "SELECT site_id, device_id, max(ts_utc) AS until FROM reading_raw WHERE ts_utc BETWEEN ? AND ? GROUP BY ALL",
        [rows["ts_utc"].min(), rows["ts_utc"].max()],
    )
    until = rows.select(KEY).join(held, on=["site_id", "device_id"], how="left", maintain_order="left")
    return until.select((pl.col("ts_utc") > pl.col("until")).fill_null(True)).to_series()


def _has_repeats(rows: pl.DataFrame) -> bool:
    return rows.select(pl.struct(KEY).n_unique()).item() < rows.height


def _one_after_the_other(store: Store, rows: pl.DataFrame, carried: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What became of rows that share an instant, and the one row that each instant ends with.

    The state before a row is, channel by channel, the last value that was known; the history's own row, if there is
    one, stands before all of them.
    """
    asked = rows.select(KEY).unique()
    lowest, highest = asked["ts_utc"].min(), asked["ts_utc"].max()
    listed = ", ".join(f"r.{name}" for name in (*KEY, "interval_s", "marks", "ts_export", "export_id", *carried))
    with store.offered(asked=asked):
        held = store.frame(
            f"""
            SELECT {listed} FROM reading_raw AS r SEMI JOIN asked USING (site_id, device_id, ts_utc)
            WHERE r.ts_utc BETWEEN ? AND ?
            """,
            [lowest, highest],
        )
    before = held.cast({name: rows.schema[name] for name in held.columns if name != "marks"}).with_columns(
        pl.col("marks").cast(rows.schema["marks"]),
        rows=pl.lit(0, rows.schema["rows"]),
        is_reported=pl.lit(False),
    )
    line = pl.concat([before.select(rows.columns), rows]).with_columns(
        (pl.col(name).forward_fill().over(KEY).alias(f"{name}_after") for name in carried),
        interval_after=pl.col("interval_s").cum_max().over(KEY),
        place=pl.int_range(pl.len()).over(KEY),
    )
    grew = pl.col("interval_after") > pl.col("interval_after").shift(1).over(KEY)
    differs = pl.any_horizontal(
        grew, *(pl.col(f"{name}_after").ne_missing(pl.col(f"{name}_after").shift(1).over(KEY)) for name in carried)
    )
    line = line.with_columns(
        outcome=pl.when(pl.col("place") == 0)
        .then(pl.lit("stored"))
        .otherwise(pl.when(differs).then(pl.lit("replaced")).otherwise(pl.lit("unchanged")))
    )
    last_acted = pl.col("outcome") != "unchanged"
    merged = (
        line.group_by(KEY, maintain_order=True)
        .agg(
            pl.col("interval_after").last().alias("interval_s"),
            pl.col("marks").first(),
            *(pl.col(name).filter(last_acted).last() for name in ("ts_export", "export_id")),
            *(pl.col(f"{name}_after").last().alias(name) for name in carried),
            rows=pl.lit(0, rows.schema["rows"]),
            is_reported=pl.lit(True),
        )
        .select(rows.columns)
    )
    return line.filter(pl.col("rows") > 0).select("export_id", "rows", "outcome"), merged


def _merge(store: Store, rows: pl.DataFrame, columns: list[str], carried: list[str]) -> pl.DataFrame:
    """[KEY, outcome] of the rows, unique by KEY, that were new to the history or changed it."""
    listed = ", ".join(columns)
    differs = " OR ".join(f"(n.{name} IS NOT NULL AND r.{name} IS DISTINCT FROM n.{name})" for name in carried)
    sets = ", ".join(
        [f"{name} = coalesce(n.{name}, r.{name})" for name in carried]
        + ["interval_s = greatest(r.interval_s, n.interval_s)", "ts_export = n.ts_export", "export_id = n.export_id"]
    )
    lowest, highest = rows["ts_utc"].min(), rows["ts_utc"].max()
    with store.offered(incoming=rows.select(*columns, "is_reported")):
        acted = store.frame(
            f"""
            MERGE INTO reading_raw AS r USING incoming AS n
            ON r.ts_utc = n.ts_utc AND r.site_id = n.site_id AND r.device_id = n.device_id
               AND r.ts_utc BETWEEN TIMESTAMPTZ '{_literal(lowest)}' AND TIMESTAMPTZ '{_literal(highest)}'
            WHEN MATCHED AND (n.is_reported OR n.interval_s > r.interval_s OR {differs or "false"})
                THEN UPDATE SET {sets}
            WHEN NOT MATCHED THEN INSERT ({listed}) VALUES ({", ".join(f"n.{name}" for name in columns)})
            RETURNING site_id, device_id, ts_utc, merge_action
            """
        )
    outcome = pl.col("merge_action").replace_strict({"INSERT": "stored", "UPDATE": "replaced"}, return_dtype=pl.String)
    return acted.with_columns(outcome=outcome).drop("merge_action")


def _literal(instant: object) -> str:
    assert isinstance(instant, datetime)
    return instant.strftime("%Y-%m-%d %H:%M:%S.%f+00")


def speak_against(store: Store, site_id: str, device_id: str, first: datetime, last: datetime, in_order: bool) -> bool:
    """Whether a few rows of a site can hardly be of that span: it has its readings, or lies before the site's first.

    Of a site that is hardly known nothing is said; of rows that stand in order in their file, only the second is asked.
    """
    begins, ends = store.con.execute(
        "SELECT min(day), max(day) FROM site_day WHERE site_id = ? AND readings > 0", [site_id]
    ).fetchall()[0]
    if begins is None:
        return False
    if (ends - begins).days >= KNOWN_DAYS and last.date() < begins - timedelta(days=BEFORE_DAYS):
        return True
    if in_order:
        return False
    held_s = store.value(
        f"SELECT coalesce(sum(interval_s), 0) FROM {older.source(store, first, last)} "
        "WHERE site_id = ? AND device_id = ? AND ts_utc BETWEEN ? AND ?",
        [site_id, device_id, first, last],
    )
    return float(held_s) > HELD_SHARE * (last - first).total_seconds()


def read(
    store: Store,
    lo: datetime,
    hi: datetime,
    sites: Sequence[str] | None = None,
    stamped: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Readings of each device between two true instants: DEVICE_READINGS plus counters, counted energy and origin.

    `stamped`: `read_as_stamped` of the same, if it was read: where no clock is corrected, they are made of its rows.
    """
    if stamped is not None and not _is_corrected(store):
        return _completed(store, stamped)
    whose = "" if sites is None else OF_ASKED
    return _read(store, lo, hi, whose, whose, {} if sites is None else {"asked": list(sites)})


def read_days(store: Store, first: date, last: date, sites: Sequence[str] | None = None) -> pl.DataFrame:
    """`read` for local calendar days, both included, each site by its own clock."""
    asked = store.sites() if sites is None else among(store.sites(), pl.DataFrame({"site_id": sites}))
    spans = {zone: local_day_span(first, last, zone) for zone in asked["timezone"].unique()}
    if not spans:
        return read(store, *local_day_span(first, last), [])
    begins, ends = ([spans[zone][place] for zone in asked["timezone"]] for place in (0, 1))
    given = {"asked": asked["site_id"].to_list(), "begins": begins, "ends": ends}
    frame = _read(store, min(begins), max(ends), IN_THEIR_SPANS, OF_ASKED, given)
    is_inside = frame["ts_local"].dt.date().is_between(first, last)
    return frame if is_inside.all() else frame.filter(is_inside)


def read_as_stamped(store: Store, lo: datetime, hi: datetime, sites: Sequence[str]) -> pl.DataFrame:
    """The history's rows of some sites between two instants as stamped, by KEY: nothing corrected, nothing left out."""
    return _by_key(_rows(store, "readings", lo, hi, OF_ASKED, OF_ASKED, {"asked": list(sites)}))


def _is_corrected(store: Store) -> bool:
    return bool(store.value("SELECT count(*) FROM clock_shift_span"))


def _read(
    store: Store, lo: datetime, hi: datetime, which: str, whose: str, given: Mapping[str, Sequence[Any]]
) -> pl.DataFrame:
    """`which`, `whose`: joins with the sites asked for, in `given`; `which` may ask for a span of each, as stamped."""
    is_corrected = _is_corrected(store)
    rows = _rows(store, "corrected_readings" if is_corrected else "readings", lo, hi, which, whose, given)
    return _completed(store, rows if is_corrected else _by_key(rows))


def _completed(store: Store, rows: pl.DataFrame) -> pl.DataFrame:
    """The readings with powers and local time, of devices that the register names, each instant once."""
    known = with_powers(rows, store.sites())
    # Of an inverter that the register no longer names, rows stay in the history but are nobody's reading.
    if (is_named := known["device_id"] != "").any():
        devices = store.frame("SELECT site_id, device_id FROM device")
        known = pl.concat(
            [known.filter(~is_named), known.filter(is_named).join(devices, on=["site_id", "device_id"], how="semi")]
        ).sort(KEY)
    if (known["clock_shift_min"] != 0).any():
        # Where a correction begins or ends, two stamps can fall on one instant: the corrected one is kept.
        known = known.sort(*KEY, pl.col("clock_shift_min").abs()).unique(KEY, keep="last", maintain_order=True)
    return add_local(with_sites(known, store.sites().select("site_id", "timezone"))).drop("timezone")


def _rows(
    store: Store, query: str, lo: datetime, hi: datetime, which: str, whose: str, given: Mapping[str, Sequence[Any]]
) -> pl.DataFrame:
    text = resources.query(query)
    held = older.source(store, lo - CLOCK_REACH, hi + CLOCK_REACH)
    for name, value in (("$held", held), ("$which", which), ("$whose", whose)):
        text = text.replace(name, value)
    return store.frame(text, {"lo": lo, "hi": hi, **given})


def _by_key(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows, unique by KEY, in its order: where they stand in runs, as they were stored, these are laid in a row."""
    begins = pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in KEY[:2])
    is_back = pl.col("ts_utc") < pl.col("ts_utc").shift(1)
    first = rows.select((begins | is_back).fill_null(True)).to_series()
    starts = np.flatnonzero(first.to_numpy())
    if FEW_RUNS * len(starts) > rows.height:
        return ordered(rows, *KEY)
    heads = rows.select(KEY).filter(first)
    at = heads.select(pl.arg_sort_by(KEY)).to_series().to_numpy()
    lengths = np.diff(starts, append=rows.height)[at]
    behind = np.cumsum(lengths) - lengths
    places = np.repeat(starts[at] - behind, lengths) + np.arange(rows.height)
    return ordered(rows if heads.is_sorted(*KEY) else rows.rechunk()[pl.Series(places)], *KEY)


def laid_down_in(store: Store) -> Path:
    """The folder, beside the history, in which a run lays down a day's readings until it has judged them."""
    return store.database.with_name(".night")


def read_flags(store: Store, first: date, last: date) -> pl.DataFrame:
    """READING_FLAGS of the local days between two, both included."""
    frame = store.frame(
        "SELECT * FROM reading_flag WHERE day BETWEEN ? AND ? ORDER BY site_id, device_id, from_utc, channel",
        [first, last],
    )
    return frame.select(READING_FLAGS.names()).cast(READING_FLAGS)
