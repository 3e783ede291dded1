"""The ledger of exports, and the one transaction in which a batch becomes history."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import polars as pl

from detectors.frames import IMPLAUSIBLE_STAMPS
from pipeline.frames import Normalised
from pipeline.store import learned, readings
from pipeline.store.connection import Store
from pipeline.store.counted_energy import count_energy
from pipeline.store.history import mark_sites_dirty
from pipeline.store.parts import OF_READINGS
from pipeline.store.reader import mark_due
from pipeline.store.site_arrivals import note_arrivals
from pipeline.timezones.local_time import add_local

SHIFT_DAYS = 2  # a correction of a clock, of at most 26 h, can move a reading so many days
ROWS_AT_ONCE = 50_000  # ours: written together; each takes some 800 bytes meanwhile


class Held(NamedTuple):
    """What the ledger knows of some bytes."""

    export_id: int
    path: str
    archived_as: str
    rows_rejected: int


def find(store: Store, hashes: Sequence[str]) -> dict[tuple[str, str], Held]:
    """(sha256, named_site) -> the export of those that were taken in."""
    asked = pl.DataFrame({"sha256": list(hashes)}, schema={"sha256": pl.String})
    with store.offered(asked=asked):
        rows = store.con.execute(
            "SELECT sha256, named_site, export_id, path, archived_as, rows_rejected "
            "FROM export_file SEMI JOIN asked USING (sha256) ORDER BY export_id"
        ).fetchall()
    return {(sha256, site): Held(*held) for sha256, site, *held in rows}


def last_export_id(store: Store) -> int:
    """The highest number in the ledger, 0 if it is empty."""
    return int(store.value("SELECT coalesce(max(export_id), 0) FROM export_file"))


def note_copies(store: Store, copies: Sequence[tuple[int, str]]) -> None:
    """Notes (export_id, path) of bytes that came again; a copy that keeps coming under one name is one row."""
    if not copies:
        return
    seen = pl.DataFrame(list(dict.fromkeys(copies)), schema={"export_id": pl.Int64, "path": pl.String}, orient="row")
    with store.transaction(), store.offered(seen=seen):
        store.con.execute(
            "INSERT INTO export_copy SELECT export_id, path, ? FROM seen ANTI JOIN export_copy USING (export_id, path)",
            [datetime.now(UTC)],
        )


class Entry(NamedTuple):
    """One export that is taken in."""

    file_no: int  # in the batch as it was normalised
    export_id: int
    path: str
    sha256: str
    named_site: str
    archived_as: str
    taken_in_at: datetime
    night: date | None = None  # that is lived through later, by whose morning it had come; as in `note_arrivals`


def write(
    store: Store, found: Normalised, profile_name: str, counters: Mapping[str, str], entries: Sequence[Entry]
) -> pl.DataFrame:
    """The ledger's new rows, after readings, rejected rows and cells are written. To be called in a transaction.

    `counters`: counter channel -> "lifetime" or "daily", as the profile has them.
    """
    counts = write_rows(store, found, profile_name, counters, entries)
    rejected = found.rejected.group_by("file_no").agg(rejected=pl.len().cast(pl.Int64))
    return enter(store, found.files.join(rejected, on="file_no", how="left"), counts, profile_name, entries)


def write_rows(
    store: Store, found: Normalised, profile_name: str, counters: Mapping[str, str], entries: Sequence[Entry]
) -> pl.DataFrame:
    """[export_id, stored, unchanged, replaced] of the rows of some files, which are written.

    So are rejected rows and cells, and what is learned from them. To be called in a transaction, before `enter`.
    """
    numbered = pl.DataFrame(
        [(entry.file_no, entry.export_id) for entry in entries],
        schema={"file_no": pl.Int32, "export_id": pl.Int64}, orient="row",
    )  # fmt: skip
    counts = _write_rows(store, found.rows, numbered)
    for table, faults in (("rejected_row", found.rejected), ("rejected_cell", found.cells)):
        if not (rejected := faults.join(numbered, on="file_no").drop("file_no")).is_empty():
            store.insert(table, rejected)
            mark_due(store, [table], sorted({entry.taken_in_at.date() for entry in entries}))
    _note_implausible(store, found.implausible.join(numbered, on="file_no", maintain_order="left", how="inner"))
    keys = found.rows.select("file_no", *readings.KEY).join(numbered, on="file_no", how="semi")
    if not keys.is_empty():
        learned.learn_profile(store, keys["site_id"].unique().sort(), profile_name)
        learned.note_newest(store, keys["ts_utc"], profile_name)
        times = {entry.file_no: entry.taken_in_at for entry in entries}
        at = pl.col("file_no").replace_strict(times, return_dtype=pl.Datetime("us", "UTC"))
        note_arrivals(store, keys.select("site_id", "ts_utc", taken_in_at=at), entries[0].night)  # one run, one night
        _mark_dirty(store, keys.select("site_id", "ts_utc").unique())
        if counters:
            changed = count_energy(store, keys, counters)
            if not changed.is_empty():
                _mark_dirty(store, changed)
    return counts


def enter(
    store: Store, files: pl.DataFrame, counts: pl.DataFrame, profile_name: str, entries: Sequence[Entry]
) -> pl.DataFrame:
    """The ledger's new rows, of exports whose rows were written. To be called in the same transaction.

    `files`: FILES with `rejected`, how many rows were; `counts` as `write_rows` gives them.
    """
    entered = pl.DataFrame(entries, schema=Entry._fields, orient="row").cast(
        {"file_no": pl.Int32, "export_id": pl.Int64, "taken_in_at": pl.Datetime("us", "UTC")}
    )
    ledger = (
        entered.join(files, on="file_no", maintain_order="left")
        .join(counts, on="export_id", how="left", maintain_order="left")
        .select(
            "export_id", "path", "sha256", "named_site", "archived_as", "taken_in_at", "rows_read", "rows_ignored",
            "spring_hour", "spring_hour_proof",
            rows_stored=pl.col("stored").fill_null(0), rows_unchanged=pl.col("unchanged").fill_null(0),
            rows_replaced=pl.col("replaced").fill_null(0), rows_rejected=pl.col("rejected").fill_null(0),
            notes=pl.col("notes").list.join("; "), profile=pl.lit(profile_name),
        )
    )  # fmt: skip
    store.insert("export_file", ledger)
    mark_due(store, ["export_file"], ledger["taken_in_at"].dt.date().unique())
    return ledger


def _write_rows(store: Store, rows: pl.DataFrame, numbered: pl.DataFrame) -> pl.DataFrame:
    """[export_id, stored, unchanged, replaced] of the rows, written a part after the other, as memory allows."""
    counts = [
        pl.DataFrame(schema={"export_id": pl.Int64, **dict.fromkeys(("stored", "unchanged", "replaced"), pl.Int64)})
    ]
    for some in rows.iter_slices(ROWS_AT_ONCE):
        part = some.join(numbered, on="file_no", maintain_order="left")
        if not part.is_empty():
            counts.append(readings.upsert(store, part).cast(counts[0].schema))
            _learn_channels(store, part.filter(pl.col("device_id") != ""))
    return pl.concat(counts).group_by("export_id").sum()


def _note_implausible(store: Store, found: pl.DataFrame) -> None:
    """Keeps which sites' stamps were rejected, at the day that their export speaks of, which is judged anew."""
    if found.is_empty():
        return
    zones = dict(store.con.execute("SELECT site_id, timezone FROM site").fetchall())
    named = found.with_columns(timezone=pl.col("site_id").replace_strict(zones, return_dtype=pl.String, default="UTC"))
    days = add_local(named, instant="near_utc").with_columns(day=pl.col("ts_local").dt.date())
    columns = ("export_id", "site_id", "day", "rows_count", "first_ts_export")
    store.insert("implausible_stamp", days.select(columns))
    store.insert("dirty_day", days.select("site_id", "day").unique().sort("day", "site_id"))


def implausible_stamps(store: Store, day: date) -> pl.DataFrame:
    """IMPLAUSIBLE_STAMPS of the day."""
    frame = store.frame(
        """
        SELECT site_id, day, CAST(sum(rows_count) AS BIGINT) AS rows_count,
            arg_min(first_ts_export, export_id) AS first_ts_export
        FROM implausible_stamp WHERE day = ? GROUP BY site_id, day ORDER BY site_id
        """,
        [day],
    )
    return frame.select(IMPLAUSIBLE_STAMPS.names()).cast(IMPLAUSIBLE_STAMPS)


def _learn_channels(store: Store, rows: pl.DataFrame) -> None:
    """Keeps which inverter reports what; a new quantity of one changes what the sum of its site's needs."""
    if rows.is_empty():
        return
    reported = (
        rows.group_by("site_id", "device_id")
        .agg(pl.col(name).is_not_null().any() for name in readings.QUANTITIES)
        .unpivot(index=["site_id", "device_id"], variable_name="channel", value_name="is_reported")
        .filter("is_reported")
        .drop("is_reported")
    )
    with store.offered(told=reported):
        new = store.frame("SELECT * FROM told ANTI JOIN device_channel USING (site_id, device_id, channel)")
    store.insert("device_channel", new)
    mark_sites_dirty(store, new["site_id"].unique())


def _mark_dirty(store: Store, instants: pl.DataFrame) -> None:
    """Notes the local days, and the UTC days, of [site_id, ts_utc] as changed."""
    zones = dict(store.con.execute("SELECT site_id, timezone FROM site").fetchall())
    named = instants.with_columns(
        timezone=pl.col("site_id").replace_strict(zones, return_dtype=pl.String, default=None)
    )
    local = add_local(named.drop_nulls("timezone"))
    days = local.select("site_id", day=pl.col("ts_local").dt.date()).unique()
    shifted = [site for (site,) in store.con.execute("SELECT DISTINCT site_id FROM clock_shift_span").fetchall()]
    near = range(-SHIFT_DAYS, SHIFT_DAYS + 1)
    around = [
        days.filter(pl.col("site_id").is_in(shifted)).with_columns(pl.col("day") + pl.duration(days=by)) for by in near
    ]
    store.insert("dirty_day", pl.concat([days, *around]).unique().sort("day", "site_id"))
    utc_days = instants["ts_utc"].dt.date().unique().to_list()
    if instants["site_id"].is_in(shifted).any():
        utc_days = sorted({day + timedelta(days=by) for day in utc_days for by in near})
    has_devices = store.value("SELECT count(*) FROM device")
    mark_due(
        store, OF_READINGS if has_devices else [name for name in OF_READINGS if name != "device_reading"], utc_days
    )
