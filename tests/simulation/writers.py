"""Writes a fleet's rows as exports, in the form of each system, by the day on which they arrive."""

import gzip
import io
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import zstandard

from tests.simulation.forms import COUNTERS, POWERS, Form


@dataclass
class Written:
    """Rows of one form, ready to be written: `unit`, `arrives`, `day`, stamps as text, one cell per column."""

    form: Form
    channels: list[str]
    rows: pl.DataFrame


def channels_of(form: Form, reported: Iterable[str]) -> list[str]:
    """What the form writes of the channels that its sites report."""
    names = list(dict.fromkeys(reported))
    if form.counter:
        names = [name for name in names if name != "pv_w" and (name != "grid_w" or not form.counts_grid)]
        names += ["pv_kwh_total"] + (["import_kwh_total", "feed_in_kwh_total"] if form.counts_grid else [])
    else:
        names = [name for name in names if name not in COUNTERS]
    order = [*POWERS, "soc_pct"]
    return sorted(names, key=lambda name: (order.index(name) if name in order else 99, name))


def stamps(form: Form, stamp_s: pl.Expr, wall_s: pl.Expr, zone: str) -> list[pl.Expr]:
    """The stamp's cells, from seconds since 1970 (of the wall clock without a zone)."""
    if form.stamp in ("epoch_s", "epoch_ms"):
        factor = 1000 if form.stamp == "epoch_ms" else 1
        return [(stamp_s.round(0).cast(pl.Int64) * factor).alias(form.stamp_columns[0])]
    wall = wall_s if form.zone == "export_timezone" else stamp_s
    instant = (wall.round(0).cast(pl.Int64) * 1_000_000).cast(pl.Datetime("us"))
    if form.zone == "in value":
        return [
            instant.dt.replace_time_zone("UTC")
            .dt.convert_time_zone(zone)
            .dt.strftime("%Y-%m-%dT%H:%M:%S%:z")
            .alias("Time")
        ]
    pattern = "%Y-%m-%dT%H:%M:%S" if form.stamp == "iso8601" else form.stamp
    parts = pattern.split(" ", 1) if len(form.stamp_columns) == 2 else [pattern]
    return [instant.dt.strftime(part).alias(name) for part, name in zip(parts, form.stamp_columns, strict=True)]


def cells(form: Form, channel: str, step: float) -> list[pl.Expr]:
    """A channel's columns as numbers; a load in parts adds up to the load."""
    digits = 4 if channel in COUNTERS else max(3 if form.kilo else 1, 0)
    value = pl.col(channel).fill_nan(None)
    if channel in COUNTERS:
        value = (value / form.counter_step_kwh).floor() * form.counter_step_kwh
    names = form.columns(channel)
    scaled = value / form.scale(channel)
    if len(names) == 1:
        return [scaled.round(max(digits, 4 if form.kilo else digits)).alias(names[0])]
    part = (scaled * 0.3 / step).round() * step
    out = [part.round(1).alias(name) for name in names[:-1]]
    return [*out, (scaled - part * (len(names) - 1)).round(1).alias(names[-1])]


def write(data: Written, arrives: int, first: str, inbox: Path) -> int:
    """Writes the files that arrive on a day; returns how many."""
    rows = data.rows.filter(pl.col("arrives") == arrives)
    if rows.is_empty():
        return 0
    form = data.form
    inbox.mkdir(parents=True, exist_ok=True)
    label = first
    if form.source == "column":
        _put(inbox / f"{form.name}_{label}{form.file_ending()}", _packed(form, _content(data, rows)))
        return 1
    parts = rows.partition_by("unit", maintain_order=True, as_dict=True)
    if form.source == "folder":
        for (unit,), mine in parts.items():
            folder = inbox / str(unit)
            folder.mkdir(exist_ok=True)
            _put(folder / f"{form.name}_{label}.csv", _content(data, mine))
        return len(parts)
    with zipfile.ZipFile(inbox / f"{form.name}_{label}.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bundle:
        for (unit,), mine in parts.items():
            bundle.writestr(f"{form.name}_{unit}_{label}.{form.kind}", _content(data, mine))
    return 1


def _put(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def _packed(form: Form, content: bytes) -> bytes:
    if form.pack == "gz":
        return gzip.compress(content, 1, mtime=0)
    if form.pack == "zst":
        return zstandard.ZstdCompressor(level=1).compress(content)
    return content


def _content(data: Written, rows: pl.DataFrame) -> bytes:
    form = data.form
    names = form.fields(data.channels)
    table = rows.select(names)
    if form.kind == "ndjson":
        held = io.BytesIO()
        table.write_ndjson(held)
        return held.getvalue()
    if form.kind == "json":
        return _document(data, table, str(rows["unit"][0]))
    if form.is_long:
        keys = ["unit", *form.stamp_columns]
        values = [n for n in names if n not in keys]
        table = table.unpivot(values, index=keys, variable_name="metric", value_name="value").drop_nulls("value")
        table = table.sort(*form.stamp_columns, maintain_order=True)
    text = table
    if form.decimal == ",":
        numbers = [n for n, kind in table.schema.items() if kind == pl.Float64]
        text = table.with_columns(pl.col(numbers).cast(pl.String).str.replace(".", ",", literal=True))
    head = "".join(f"Line {n + 1} of words about the files\n" for n in range(form.skip))
    body = text.write_csv(separator=form.delimiter, null_value=form.missing)
    return (head + body).encode(form.encoding)


def _document(data: Written, table: pl.DataFrame, unit: str) -> bytes:
    if data.form.is_arrays:
        parts = [
            pl.concat_str(pl.lit('"'), pl.col(n), pl.lit('"'))
            if kind == pl.String
            else pl.col(n).cast(pl.String).fill_null("null")
            for n, kind in table.schema.items()
        ]
        lines = table.select(pl.concat_str(pl.lit("["), pl.concat_str(parts, separator=","), pl.lit("]")).alias("row"))[
            "row"
        ]
        rows = "[" + ",".join(lines) + "]"
    else:
        rows = table.write_json()
    return f'{{"station":{{"id":"{unit}"}},"data":{{"rows":{rows}}}}}'.encode()
