"""From exports to readings: UTC, base units, contract signs, and an account of every input row.

`normalise` takes many files of one profile at once, because the work per file is then small. It stores nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial

import numpy as np
import polars as pl

from detectors.frames import UTC
from pipeline.exports.channels import compacted, filled, light_values, metric_numbers, pivot, read_values, read_wide
from pipeline.exports.csv_cells import CELL, Opened, read_cells
from pipeline.exports.instants import US, Rows, intervals, read_stamps, to_instants
from pipeline.exports.json_cells import SITE, read_json
from pipeline.exports.opening import ExportPart
from pipeline.exports.rejected_text import located, with_raw
from pipeline.exports.rejects import Ledger
from pipeline.exports.site_targets import NO_SITE, with_targets
from pipeline.exports.spring_hour import Light, SpringHours
from pipeline.exports.stamp_window import Window, implausible, reject_implausible
from pipeline.frames import FILES, INTERVAL_LABEL_TYPE, INTERVAL_LABELS, REJECTED, Normalised
from pipeline.profiles.model import ExportProfile

NO_CHANNEL = "no channel named"


def normalise(
    parts: list[ExportPart],
    profile: ExportProfile,
    targets: pl.DataFrame,
    *,
    known_interval_s: Mapping[tuple[str, str], int] | None = None,
    known_spring_hour: Mapping[tuple[str, str], str] | None = None,
    arrived_at: Sequence[datetime] | None = None,
    is_taken: Callable[[str, str, datetime, datetime, bool], bool] | None = None,
    is_whole: bool = True,
) -> Normalised:
    """Readings of the exports of one profile.

    `targets` (TARGETS) says whom they speak of; `known_interval_s` by (site, device) helps where a file has one row
    only, `known_spring_hour` by (profile, site) where too little sun tells how a filled spring hour is meant;
    `arrived_at` of each part bounds its stamps; of a part that is not `is_whole` no row needs to be of a known site.
    `is_taken` (site_id, device_id, first and last instant, in order?) says of rows that stand apart in their file
    whether the history speaks against their stamps. Bad content never raises: it ends in `rejected`, `cells` or a
    quarantine reason.
    """
    columns = profile.cell_columns()
    if profile.format == "csv":
        opened = read_cells(parts, profile, columns, partial(compacted, profile=profile))
    else:
        opened = read_json(parts, profile, columns)
    sheet = _joined(opened, profile)
    opened.sheets.clear()
    ignored = np.zeros(len(parts), np.int64)
    if profile.long is not None:
        sheet, ignored = _without_unnamed(sheet, profile, len(parts))
    sheet, target, site_text = with_targets(sheet, parts, profile, targets, opened, is_whole=is_whole)
    ledger = Ledger(len(sheet))
    _reject_unnamed(sheet, target, site_text, profile, ledger)
    since = targets["commissioned_on"].to_list() if "commissioned_on" in targets.columns else [None] * len(targets)
    window = Window(since, arrived_at, is_taken and _by_target(is_taken, targets))
    spring = SpringHours(
        profile.name, profile.timestamp.spring_hour, targets, target, _light(sheet, profile),
        profile.timestamp.marks == "instant", dict(known_spring_hour or {}),
    )  # fmt: skip
    rows, cells, outside = _rows(
        sheet, target, profile, targets, known_interval_s or {}, window, ledger, opened, spring
    )
    gone = pl.col("file_no").is_in(list(opened.quarantine))
    early = pl.concat([REJECTED.to_frame(), *opened.rejected]).filter(~gone)
    rejected = pl.concat([early, located(ledger.faults(), sheet)]).sort("file_no", "line")
    read_rows = np.bincount(np.append(sheet["file_no"].to_numpy(), early["file_no"].to_numpy()), minlength=len(parts))
    return Normalised(
        rows,
        with_raw(rejected, parts, profile),
        with_raw(located(cells, sheet).sort("file_no", "line"), parts, profile),
        _files(parts, opened, read_rows, ignored, spring, sheet["file_no"].to_numpy()),
        outside,
    )


def _joined(opened: Opened, profile: ExportProfile) -> pl.DataFrame:
    """The sheets as one, files in their order."""
    names = [CELL + column for column in profile.cell_columns()]
    schema = pl.Schema({"file_no": pl.Int32(), "line": pl.Int64(), **dict.fromkeys(("raw", *names), pl.String())})
    if not opened.sheets:
        return schema.to_frame().with_columns(pl.lit(None, pl.String).alias(SITE))
    if len(opened.sheets) == 1:
        return opened.sheets[0]
    return pl.concat(opened.sheets, how="diagonal").sort("file_no", "line", maintain_order=True)


def _without_unnamed(sheet: pl.DataFrame, profile: ExportProfile, files: int) -> tuple[pl.DataFrame, np.ndarray]:
    """A long sheet without the metrics that the profile does not name, and each file's count of such rows."""
    assert profile.long is not None
    name = sheet[CELL + profile.long.channel_column]
    unnamed = (metric_numbers(name, profile) < 0) & (name.fill_null("").str.strip_chars() != "").to_numpy()
    if not unnamed.any():
        return sheet, np.zeros(files, np.int64)
    return sheet.filter(pl.Series(~unnamed)), np.bincount(sheet["file_no"].to_numpy()[unnamed], minlength=files)


def _reject_unnamed(
    sheet: pl.DataFrame, target: np.ndarray, site_text: pl.Series | None, profile: ExportProfile, ledger: Ledger
) -> None:
    """Rejects rows of no known site, and rows of a long export that name no metric."""
    if site_text is not None:
        ledger.reject(target < 0, profile.site.column or profile.site.path, site_text, NO_SITE)
    if profile.long is not None:
        name = sheet[CELL + profile.long.channel_column]
        ledger.reject(metric_numbers(name, profile) < 0, profile.long.channel_column, name, NO_CHANNEL)


def _rows(
    sheet: pl.DataFrame,
    target: np.ndarray,
    profile: ExportProfile,
    targets: pl.DataFrame,
    known_interval_s: Mapping[tuple[str, str], int],
    window: Window,
    ledger: Ledger,
    opened: Opened,
    spring: SpringHours,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """ROWS of what is kept, the bad optional cells (rejects.FAULTS) of those rows, and IMPLAUSIBLE."""
    stamp_columns = [CELL + column for column in profile.timestamp.columns]
    text = sheet[stamp_columns[0]]
    if len(stamp_columns) > 1:
        text = sheet.select(pl.concat_str(stamp_columns, separator=" ")).to_series()
    file_no = sheet["file_no"].to_numpy()
    series = file_no.astype(np.int64) * max(1, len(targets)) + target
    metric = np.zeros(0, np.int64)
    order_of = series
    if profile.long is not None:
        metric = metric_numbers(sheet[CELL + profile.long.channel_column], profile)
        order_of = series * (int(metric.max(initial=0)) + 1) + metric
    of = Rows(file_no, target, order_of, series)

    stamps = read_stamps(text, profile.timestamp, ledger)
    zones = targets["export_timezone"].to_list()
    utc_us = to_instants(
        stamps, text, of, profile, zones, ledger, opened.notes, lambda places: filled(sheet, profile, places), spring
    )
    rejected = reject_implausible(utc_us, of, window, " ".join(profile.timestamp.columns), text, ledger)
    keys = list(zip(targets["site_id"], targets["device_id"], strict=True))
    interval_s = intervals(utc_us, of, profile.timestamp, keys, known_interval_s, text, ledger)
    if profile.timestamp.marks == "interval end":
        utc_us = utc_us - interval_s.astype(np.int64) * US

    if profile.long is None:
        values, bad_cells = read_wide(sheet, profile, ledger)
        alive_rows = np.flatnonzero(ledger.alive)
        count = np.ones(len(alive_rows), np.int32)
        values = values if len(alive_rows) == len(sheet) else values[alive_rows]
    else:
        numbers, bad_cells = read_values(sheet, metric, profile, ledger)
        pivoted = pivot(np.flatnonzero(ledger.alive), series, utc_us, metric, numbers, profile)
        in_line = np.argsort(pivoted.first_row)
        alive_rows, count, values = pivoted.first_row[in_line], pivoted.rows[in_line], pivoted.values[in_line]
    rows = pl.DataFrame(
        {
            "file_no": file_no[alive_rows],
            "line": sheet["line"].to_numpy()[alive_rows],
            "rows": count.astype(np.int32),
            "site_id": targets["site_id"].gather(target[alive_rows]),
            "device_id": targets["device_id"].gather(target[alive_rows]).fill_null(""),
            "ts_utc": pl.Series(utc_us[alive_rows]).cast(UTC),
            "interval_s": interval_s[alive_rows],
            "marks": pl.repeat(
                INTERVAL_LABELS[profile.timestamp.marks], len(alive_rows), dtype=INTERVAL_LABEL_TYPE, eager=True
            ),
            "ts_export": text if len(alive_rows) == len(text) else text.gather(alive_rows),
        }
    ).hstack(values)
    still = bad_cells.filter(pl.Series(ledger.alive[bad_cells["row"].to_numpy()], dtype=pl.Boolean))
    return rows, still, implausible(rejected, of, targets["site_id"], text, alive_rows, utc_us)


def _by_target(
    is_taken: Callable[[str, str, datetime, datetime, bool], bool], targets: pl.DataFrame
) -> Callable[[int, datetime, datetime, bool], bool]:
    """The same, asked by the place of the site and device in `targets`."""
    names = list(zip(targets["site_id"], targets["device_id"].fill_null(""), strict=True))

    def of_target(target: int, first: datetime, last: datetime, in_order: bool) -> bool:
        return is_taken(*names[target], first, last, in_order)

    return of_target


def _light(sheet: pl.DataFrame, profile: ExportProfile) -> Light:
    """What shows of some rows when the sun shone; read only if it is asked for."""

    def light(places: np.ndarray) -> np.ndarray:
        metric = np.zeros(0, np.int64)
        if profile.long is not None:
            metric = metric_numbers(sheet[CELL + profile.long.channel_column], profile)
        return light_values(sheet, metric, profile, places)

    return light


def _files(
    parts: list[ExportPart],
    opened: Opened,
    read_rows: np.ndarray,
    ignored: np.ndarray,
    spring: SpringHours,
    file_no: np.ndarray,
) -> pl.DataFrame:
    gone = np.isin(np.arange(len(parts)), list(opened.quarantine))
    chosen = [spring.found.get(number) for number in range(len(parts))]
    return pl.DataFrame(
        {
            "file_no": np.arange(len(parts), dtype=np.int32),
            "rows_read": np.where(gone, 0, read_rows),
            "rows_ignored": np.where(gone, 0, ignored),
            "quarantine": [opened.quarantine.get(number) for number in range(len(parts))],
            "notes": [opened.notes.get(number, []) for number in range(len(parts))],
            "spring_hour": [one and one.spring_hour for one in chosen],
            "spring_hour_proof": [one and one.proof for one in chosen],
            "spring_hour_sites": [
                spring.sites_by_sun(number, np.flatnonzero(file_no == number)) if one else []
                for number, one in enumerate(chosen)
            ],
        },
        schema=FILES,
    )
