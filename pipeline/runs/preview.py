"""The first rows of an export as they would be read, before anything is taken in."""

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import polars as pl

from detectors.frames import CHANNELS, COUNTERS
from pipeline.errors import NoonmarkError
from pipeline.exports.instants import NO_INTERVAL
from pipeline.exports.mostly_rejected import refused
from pipeline.exports.normalise import normalise
from pipeline.exports.opening import ExportPart, read_export
from pipeline.exports.segments import segments
from pipeline.exports.streams import UnreadableError
from pipeline.ingest.profile_choice import choose_profile, why_no_profile
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.runs.check import CheckResult
from pipeline.timezones.local_time import add_local

SHOWN_REJECTS = 5  # ours: rejected rows named one by one; more seldom say more
FIRST_ROWS = 10  # ours: a screen holds them, and a wrong unit or zone shows in any of them


class Reject(NamedTuple):
    """A row that would be rejected."""

    line: int
    column: str | None
    value: str | None
    reason: str

    def __str__(self) -> str:
        column = "" if self.column is None else f" column {self.column}"
        value = "" if self.value is None else f" {self.value!r}"
        return f"line {self.line}{column}{value}: {self.reason}"


class Preview(NamedTuple):
    """One export, or one member of a zip."""

    path: str
    profile: str | None
    problem: str | None  # why nothing can be read
    notes: list[str]
    rows_read: int
    rows_rejected: int
    rejected: list[Reject]  # the first of them
    rows: pl.DataFrame  # line, site_id, device_id, stamp, ts_utc, ts_local, interval_s, the channels in use, rejected


def preview(checked: CheckResult, paths: Iterable[Path]) -> list[Preview]:
    """How each export would be read by the register and the profiles; nothing is stored, and no file is moved.

    What earlier exports told (the interval of a file of one row, how a filled spring hour is meant) is not known here.
    Raises NoonmarkError if a path is no file.
    """
    found = []
    for path in paths:
        if not path.is_file():
            raise NoonmarkError("there is no such file", str(path), "check the path; `check` takes files, not folders")
        folder = path.resolve().parent.name
        max_bytes = checked.settings.ingest.max_export_mib * 2**20
        for part in read_export(path, folder, max_bytes=max_bytes):
            shown = f"{path}/{part.member}" if part.member else str(path)
            found.append(_one(shown, part, checked))
    return found


def _one(shown: str, part: ExportPart, checked: CheckResult) -> Preview:
    nothing = pl.DataFrame()
    if part.problem is not None:
        return Preview(shown, None, part.problem, [], 0, 0, [], nothing)
    profile = choose_profile(checked.profiles, part.name, part.folder, checked.register)
    if isinstance(profile, str):
        return Preview(shown, None, why_no_profile(profile, part.name), [], 0, 0, [], nothing)
    targets = checked.register.targets(profile.name)
    beginning: list[str] = []
    try:
        if part.stream is not None and profile.format == "csv":
            part = next(segments(part, profile, targets["export_timezone"].to_list())).part
            beginning = ["only the first lines of this large file were read; the counts are theirs"]
        result = normalise([part.loaded()], profile, targets)
    except UnreadableError as error:
        return Preview(shown, profile.name, str(error), [], 0, 0, [], nothing)
    # A file of one row may be read by what earlier ones told of its interval.
    certain = result.rejected.filter(pl.col("reason") != NO_INTERVAL)
    file = refused(result._replace(rejected=certain)).files.row(0, named=True)
    rejected = result.rejected.sort("line", maintain_order=True)
    rows = pl.concat([_accepted(result.rows, profile, checked.register), _rejected(result.rejected)], how="diagonal")
    first = rows.sort("line", maintain_order=True).head(FIRST_ROWS)
    return Preview(
        shown,
        profile.name,
        file["quarantine"],
        [*beginning, *file["notes"]],
        file["rows_read"],
        rejected.height,
        [Reject(*row) for row in rejected.select("line", "column_name", "value", "reason").head(SHOWN_REJECTS).rows()],
        first,
    )


def _accepted(rows: pl.DataFrame, profile: ExportProfile, register: Register) -> pl.DataFrame:
    zones = {name: site.timezone for name, site in register.sites.items()}
    head = rows.sort("line", maintain_order=True).head(FIRST_ROWS)
    zoned = head.with_columns(timezone=pl.col("site_id").replace_strict(zones, return_dtype=pl.String, default="UTC"))
    used = [name for name in (*CHANNELS, *COUNTERS) if name in profile.channels]
    return add_local(zoned).select(
        "line", "site_id", "device_id", pl.col("ts_export").alias("stamp"),
        pl.col("ts_utc").dt.replace_time_zone(None), "ts_local", "interval_s", *used,
        rejected=pl.lit(None, pl.String),
    )  # fmt: skip


def _rejected(rejected: pl.DataFrame) -> pl.DataFrame:
    value = pl.col("value").fill_null("")
    why = pl.when(pl.col("column_name").is_null()).then(pl.col("reason")).otherwise(
        pl.format("{} ({} = {})", "reason", "column_name", value)
    )  # fmt: skip
    return rejected.head(FIRST_ROWS).select("line", rejected=why)
