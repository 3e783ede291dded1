"""The ledger of exports, and the one transaction in which a batch becomes history."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

import polars as pl

from pipeline.counters import difference
from pipeline.local_time import add_local
from pipeline.normalise import Normalised
from pipeline.profile_model import ExportProfile
from pipeline.store import readings
from pipeline.store.connection import Store
from pipeline.store.reader import mark_due

NOTICED_KWH = 0.001  # a counter's energy that changes by less than 1 Wh makes no day dirty


class Held(NamedTuple):
    """What the ledger knows of some bytes."""

    export_id: int
    path: str
    archived_as: str


def find(store: Store, hashes: Sequence[str]) -> dict[tuple[str, str], Held]:
    """(sha256, named_site) -> the export of those that were taken in."""
    asked = pl.DataFrame({"sha256": list(hashes)}, schema={"sha256": pl.String})
    with store.offered(asked=asked):
        rows = store.con.execute(
            "SELECT sha256, named_site, export_id, path, archived_as FROM export_file SEMI JOIN asked USING (sha256)"
        ).fetchall()
    return {(sha256, site): Held(*held) for sha256, site, *held in rows}


def next_export_id(store: Store) -> int:
    return int(store.value("SELECT coalesce(max(export_id), 0) + 1 FROM export_file"))


def note_copy(store: Store, export_id: int, path: str) -> None:
    store.con.execute("INSERT INTO export_copy VALUES (?, ?, ?)", [export_id, path, datetime.now(UTC)])


def known_intervals(store: Store) -> dict[tuple[str, str], int]:
    """(site_id, device_id) -> interval in s of the site's newest day, for exports of a single row."""
    rows = store.con.execute("SELECT site_id, arg_max(interval_s, day) FROM site_day GROUP BY site_id").fetchall()
    devices = store.con.execute("SELECT site_id, device_id FROM device").fetchall()
    intervals = {(site, ""): interval for site, interval in rows if interval}
    return intervals | {(site, device): intervals[site, ""] for site, device in devices if (site, "") in intervals}


def write(
    store: Store,
    found: Normalised,
    profile: ExportProfile,
    ids: Mapping[int, int],
    files: Sequence[tuple[int, str, str, str, str]],
    *,
    taken_in_at: datetime,
) -> pl.DataFrame:
    """The ledger's new rows, after readings, rejected rows and cells are written. To be called in a transaction.

    `ids`: file_no -> export_id of the files that are taken in; `files`: (export_id, path, sha256, named_site,
    archived_as) of each, in the same order.
    """
    numbered = pl.DataFrame(
        {"file_no": list(ids), "export_id": list(ids.values())}, schema={"file_no": pl.Int32, "export_id": pl.Int64}
    )
    rows = (
        found.rows.join(numbered, on="file_no", maintain_order="left")
        if found.rows.height
        else found.rows.with_columns(export_id=pl.lit(0, pl.Int64))
    )
    none = pl.DataFrame(schema={"export_id": pl.Int64, "stored": pl.Int64, "unchanged": pl.Int64, "replaced": pl.Int64})
    counts = none if rows.is_empty() else readings.upsert(store, rows).cast(none.schema)
    for table, faults in (("rejected_row", found.rejected), ("rejected_cell", found.cells)):
        store.insert(table, faults.join(numbered, on="file_no").drop("file_no"))
    rejected = found.rejected.group_by("file_no").agg(rejected=pl.len().cast(pl.Int64))
    ledger = (
        pl.DataFrame(files, schema=["export_id", "path", "sha256", "named_site", "archived_as"], orient="row")
        .cast({"export_id": pl.Int64})
        .join(numbered, on="export_id", maintain_order="left")
        .join(found.files, on="file_no", maintain_order="left")
        .join(counts, on="export_id", how="left", maintain_order="left")
        .join(rejected, on="file_no", how="left", maintain_order="left")
        .select(
            "export_id", "path", "sha256", "named_site", "archived_as", "rows_read", "rows_ignored",
            rows_stored=pl.col("stored").fill_null(0), rows_unchanged=pl.col("unchanged").fill_null(0),
            rows_replaced=pl.col("replaced").fill_null(0), rows_rejected=pl.col("rejected").fill_null(0),
            notes=pl.col("notes").list.join("; "), profile=pl.lit(profile.name),
            taken_in_at=pl.lit(taken_in_at).cast(pl.Datetime("us", "UTC")),
        )
    )  # fmt: skip
    store.insert("export_file", ledger)
    for relation in ("export_file", "rejected_row", "rejected_cell"):
        mark_due(store, relation, [taken_in_at.date()])
    if not rows.is_empty():
        _mark_dirty(store, rows.select("site_id", "ts_utc").unique())
        kinds = {name: channel.counter for name, channel in profile.channels.items() if channel.counter is not None}
        if kinds:
            _count_energy(store, rows, kinds)
    return ledger


def _mark_dirty(store: Store, instants: pl.DataFrame) -> None:
    """Notes the local days, and the UTC days, of [site_id, ts_utc] as changed."""
    zones = dict(store.con.execute("SELECT site_id, timezone FROM site").fetchall())
    named = instants.with_columns(
        timezone=pl.col("site_id").replace_strict(zones, return_dtype=pl.String, default=None)
    )
    local = add_local(named.drop_nulls("timezone"))
    days = local.select("site_id", day=pl.col("ts_local").dt.date()).unique()
    shifted = [site for (site,) in store.con.execute("SELECT DISTINCT site_id FROM clock_shift_span").fetchall()]
    around = [
        days.filter(pl.col("site_id").is_in(shifted)).with_columns(pl.col("day").dt.offset_by(by))
        for by in ("-1d", "1d")
    ]
    store.insert("dirty_day", pl.concat([days, *around]).unique().sort("day", "site_id"))
    utc_days = instants["ts_utc"].dt.date().unique().to_list()
    if shifted:
        utc_days = sorted(
            {
                day
                for one in utc_days
                for day in pl.date_range(one, one, eager=True).dt.offset_by("-1d").to_list() + [one]
            }
        )
    for relation in ("reading", "device_reading") if store.value("SELECT count(*) FROM device") else ("reading",):
        mark_due(store, relation, utc_days)


def _count_energy(store: Store, rows: pl.DataFrame, kinds: Mapping[str, str]) -> None:
    """Differences the counters anew around the rows of a batch, and marks the days whose energy changed."""
    lo, hi = rows["ts_utc"].min(), rows["ts_utc"].max()
    names = [name.replace("_kwh_total", "_counted_kwh") for name in kinds]
    touched = rows.select("site_id", "device_id").unique()
    listed = ", ".join(f"r.{name}" for name in (*kinds, *names))
    with store.offered(touched=touched):
        held = store.frame(
            f"""
            SELECT r.site_id, r.device_id, r.ts_utc, r.interval_s, r.marks, {listed}, s.timezone,
                coalesce(d.inverter_kw, s.inverter_kw, s.installed_kwp) AS limit_kw
            FROM reading_raw AS r JOIN touched USING (site_id, device_id) JOIN site AS s ON s.site_id = r.site_id
            LEFT JOIN device AS d ON d.site_id = r.site_id AND d.device_id = r.device_id
            WHERE r.ts_utc BETWEEN ? - INTERVAL 2 DAY AND ? + INTERVAL 2 DAY
            """,
            [lo, hi],
        )
    counted = difference(held, kinds)
    before = held.select(*readings.KEY, *(pl.col(name).alias(f"{name}_before") for name in names))
    differs = pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name}_before")) for name in names)
    edge_lo = pl.col("ts_utc") > pl.lit(lo).cast(pl.Datetime("us", "UTC")) - pl.duration(days=1)
    edge_hi = pl.col("ts_utc") < pl.lit(hi).cast(pl.Datetime("us", "UTC")) + pl.duration(days=1)
    # The outermost rows of what was read lack a neighbour and would lose their energy: only the inner ones are told.
    changed = counted.join(before, on=list(readings.KEY)).filter(differs & edge_lo & edge_hi)
    if changed.is_empty():
        return
    sets = ", ".join(f"{name} = told.{name}" for name in (*names, "counted_s"))
    with store.offered(told=changed.select(*readings.KEY, *names, "counted_s")):
        store.con.execute(
            f"""
            UPDATE reading_raw SET {sets} FROM told
            WHERE reading_raw.site_id = told.site_id AND reading_raw.device_id = told.device_id AND reading_raw.ts_utc = told.ts_utc
            """
        )
    moved = pl.any_horizontal(
        (pl.col(name).fill_null(0) - pl.col(f"{name}_before").fill_null(0)).abs() > NOTICED_KWH for name in names
    )
    _mark_dirty(store, changed.filter(moved).select("site_id", "ts_utc"))
