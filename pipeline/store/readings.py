"""Readings in and out of the history."""

from collections.abc import Sequence
from datetime import date, datetime

import polars as pl

from detectors.frames import CHANNELS, COUNTERS
from pipeline import resources
from pipeline.local_time import add_local, local_day_span
from pipeline.store.connection import Store

KEY = ("site_id", "device_id", "ts_utc")
QUANTITIES = (*CHANNELS, *COUNTERS)
COUNTED = ("pv", "import", "feed_in", "charge", "discharge", "load")
MEANS = ("soc_pct", "voltage_l1_v", "voltage_l2_v", "voltage_l3_v", "frequency_hz", "irradiance_w_m2",
         "module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")  # fmt: skip
COUNTED_COLUMNS = tuple(f"{name}_counted_kwh" for name in COUNTED)


def upsert(store: Store, rows: pl.DataFrame) -> pl.DataFrame:
    """[export_id, stored, unchanged, replaced]: how many input rows of each export ended how.

    `rows`: KEY, interval_s, marks, ts_export, export_id, rows (input rows behind each), QUANTITIES; in the order of
    arrival. The result is as if the rows had been written one after the other: a row fills what was unknown and
    corrects what was known; what it does not report stays.
    """
    carried = [name for name in QUANTITIES if rows[name].null_count() < rows.height]
    outcomes = []
    turn = pl.int_range(pl.len()).over(KEY) if _has_repeats(rows) else pl.lit(0)
    waiting = rows.with_columns(turn=turn.cast(pl.Int64))
    if waiting["turn"].max():
        waiting, same = _without_repetitions(waiting)
        outcomes.append(same.select("export_id", "rows", outcome=pl.lit("unchanged")))
    for _, batch in sorted(waiting.partition_by("turn", as_dict=True).items()):
        outcomes.append(_write(store, batch.drop("turn"), carried))
    every = pl.concat(outcomes)
    return every.group_by("export_id").agg(
        pl.col("rows").filter(pl.col("outcome") == name).sum().alias(name)
        for name in ("stored", "unchanged", "replaced")
    )


def _has_repeats(rows: pl.DataFrame) -> bool:
    return rows.select(pl.struct(KEY).n_unique()).item() < rows.height


def _without_repetitions(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows whose values differ from the row before them at the same instant, and those that only repeat it."""
    numbered = rows.with_row_index("order").with_columns(
        is_same=pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(1).over(KEY)) for name in QUANTITIES)
        & (pl.col("turn") > 0)
    )
    kept = numbered.filter(~pl.col("is_same")).with_columns(turn=pl.int_range(pl.len()).over(KEY).cast(pl.Int64))
    return kept.drop("order", "is_same"), numbered.filter("is_same")


def _write(store: Store, batch: pl.DataFrame, carried: list[str]) -> pl.DataFrame:
    """[export_id, rows, outcome] of rows that are unique by KEY."""
    batch = batch.sort(KEY)
    lowest, highest = batch["ts_utc"].min(), batch["ts_utc"].max()
    columns = [*KEY, "interval_s", "marks", "ts_export", "export_id", *carried]
    listed = ", ".join(columns)
    occupied = store.value("SELECT 1 FROM reading_raw WHERE ts_utc BETWEEN ? AND ? LIMIT 1", [lowest, highest])
    with store.offered(incoming=batch.select(columns)):
        if not occupied:
            store.con.execute(f"INSERT INTO reading_raw ({listed}) SELECT {listed} FROM incoming")
            return batch.select("export_id", "rows", outcome=pl.lit("stored"))
        differs = (
            " OR ".join(f"(n.{name} IS NOT NULL AND r.{name} IS DISTINCT FROM n.{name})" for name in carried) or "false"
        )
        sets = ", ".join(f"{name} = coalesce(n.{name}, r.{name})" for name in carried)
        acted = store.frame(
            f"""
            MERGE INTO reading_raw AS r USING incoming AS n
            ON r.ts_utc = n.ts_utc AND r.site_id = n.site_id AND r.device_id = n.device_id
               AND r.ts_utc BETWEEN TIMESTAMPTZ '{_literal(lowest)}' AND TIMESTAMPTZ '{_literal(highest)}'
            WHEN MATCHED AND ({differs}) THEN UPDATE SET {sets or "interval_s = r.interval_s"},
                 interval_s = greatest(r.interval_s, n.interval_s), ts_export = n.ts_export, export_id = n.export_id
            WHEN NOT MATCHED THEN INSERT ({listed}) VALUES ({", ".join(f"n.{name}" for name in columns)})
            RETURNING site_id, device_id, ts_utc, merge_action
            """
        )
    named = acted.with_columns(
        outcome=pl.col("merge_action").replace_strict(
            {"INSERT": "stored", "UPDATE": "replaced"}, return_dtype=pl.String
        )
    ).drop("merge_action")
    return (
        batch.select(*KEY, "export_id", "rows")
        .join(named, on=KEY, how="left")
        .select("export_id", "rows", outcome=pl.col("outcome").fill_null("unchanged"))
    )


def _literal(instant: object) -> str:
    assert isinstance(instant, datetime)
    return instant.strftime("%Y-%m-%d %H:%M:%S.%f+00")


def read(store: Store, lo: datetime, hi: datetime, sites: Sequence[str] | None = None) -> pl.DataFrame:
    """Readings of each device between two true instants: DEVICE_READINGS plus counters, counted energy and origin."""
    given = None if sites is None else list(sites)
    frame = store.frame(resources.query("readings"), {"lo": lo, "hi": hi, "sites": given})
    zones = dict(store.con.execute("SELECT site_id, timezone FROM site").fetchall())
    known = frame.filter(pl.col("site_id").is_in(list(zones)))
    zoned = known.with_columns(timezone=pl.col("site_id").replace_strict(zones, return_dtype=pl.String, default=None))
    if (known["clock_shift_min"] != 0).any():
        # Where a correction begins or ends, two stamps can fall on one instant: the corrected one is kept.
        zoned = zoned.sort(*KEY, pl.col("clock_shift_min").abs()).unique(KEY, keep="last", maintain_order=True)
    return add_local(zoned).drop("timezone")


def read_days(store: Store, first: date, last: date, sites: Sequence[str] | None = None) -> pl.DataFrame:
    """`read` for local calendar days, both included, each site by its own clock."""
    frame = read(store, *local_day_span(first, last), sites)
    return frame.filter(pl.col("ts_local").dt.date().is_between(first, last))


def to_sites(devices: pl.DataFrame, device_counts: dict[str, int]) -> pl.DataFrame:
    """One row per site and instant: the sum of a site's devices where all of them have reported.

    Powers and counters are summed, levels, voltages and temperatures are plain means. A channel that one of the
    devices lacks is null: a part is not the whole.
    """
    single = devices.filter(~pl.col("site_id").is_in(list(device_counts)) | (pl.col("device_id") == ""))
    several = devices.filter(pl.col("site_id").is_in(list(device_counts)) & (pl.col("device_id") != ""))
    if several.is_empty():
        return single.drop("device_id")
    wanted = pl.col("site_id").replace_strict(device_counts, return_dtype=pl.Int64, default=1)
    summed = [name for name in (*QUANTITIES, *COUNTED_COLUMNS) if name not in MEANS]
    together = (
        several.group_by("site_id", "ts_utc")
        .agg(
            pl.col("ts_local").first(),
            pl.col("interval_s").max(),
            pl.col("is_instant").first(),
            *(pl.when(pl.col(name).count() == pl.len()).then(pl.col(name).sum()).alias(name) for name in summed),
            *(pl.col(name).mean() for name in MEANS),
            pl.col("counted_s").max(),
            pl.col("export_id").max(),
            pl.col("ts_export").sort_by("device_id").first(),
            pl.col("clock_shift_min").first(),
            reported=pl.len(),
        )
        .filter(pl.col("reported") >= wanted)
        .drop("reported")
    )
    return pl.concat([single.drop("device_id"), together.select(single.drop("device_id").columns)]).sort(
        "site_id", "ts_utc"
    )
