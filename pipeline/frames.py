"""The frames that pass between the rooms of the pipeline, column by column."""

from typing import NamedTuple

import polars as pl

from detectors.frames import CHANNELS, COUNTERS, UTC

DEVICES = pl.Schema({"site_id": pl.String, "device_id": pl.String, "external_id": pl.String, "inverter_kw": pl.Float64})


INSTALLERS = pl.Schema({"installer_id": pl.String, "name": pl.String, "email": pl.String})


FINDINGS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "kind": pl.String,
        "severity": pl.String,
        "value": pl.Float64,
        "unit": pl.String,
        "threshold": pl.Float64,
        "summary": pl.String,
        "measured": pl.String,
        "expected": pl.String,
        "since": pl.Date,
        "loss_kwh": pl.Float64,
        "cost": pl.Float64,
        "evidence": pl.String,  # JSON
    }
)


LOSSES = pl.Schema(
    {
        "site_id": pl.String,
        "kind": pl.String,
        "day": pl.Date,  # that it was lost on
        "told_on": pl.Date,  # the day of the finding that says so; of several the latest counts
        "loss_kwh": pl.Float64,  # lost, or by its basis at stake
        "cost": pl.Float64,
        "basis": pl.String,  # see detectors.losses.Basis
    }
)


JUDGED = pl.Schema({"site_id": pl.String, "day": pl.Date})


NOT_JUDGED = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "detector": pl.String,
        "reason": pl.String,  # the sentence
        "code": pl.String,  # of the detector's REASONS, or of those of all; null = written before there were codes
        "values": pl.String,  # JSON: the figures and names in the sentence
    }
)


DECISIONS = pl.Schema(
    {
        "decided_at": UTC,
        "on_day": pl.Date(),
        "exception_id": pl.String(),
        "action": pl.String(),  # acknowledge | snooze | close | reopen
        "until": pl.Date(),  # of a snooze: the day on which it is open again
        "note": pl.String(),
        "decided_by": pl.String(),
    }
)


EXCEPTIONS = pl.Schema(
    {
        "exception_id": pl.String,
        "site_id": pl.String,
        "kind": pl.String,  # the present diagnosis: of the latest finding
        "severity": pl.String,  # of the latest finding
        "status": pl.String,  # open | acknowledged | snoozed | closed
        "opened_on": pl.Date,  # the day whose detection raised it
        "first_day": pl.Date,  # from which the fault is judged to have been there
        "last_day": pl.Date,  # the last one with a finding
        "days_open": pl.Int32,  # from opened_on to the day asked for, or to closed_on
        "loss_kwh": pl.Float64,  # of the days from first_day to last_day, as far as they are known
        "cost": pl.Float64,  # the same in `currency`
        "currency": pl.String,
        "summary": pl.String,  # of the latest finding, like evidence, measured, expected, value, unit, threshold
        "evidence": pl.String,
        "closed_on": pl.Date,
        "reopened": pl.Int32,  # how many times
        "snoozed_until": pl.Date,
        "note": pl.String,
        "hidden_by": pl.String,  # exception_id of the cause, see Kind.hides
        "finding_days": pl.Int32,
        "clear_days": pl.Int32,  # in a row, up to the day asked for
        "measured": pl.String,
        "expected": pl.String,
        "detector": pl.String,
        "value": pl.Float64,
        "unit": pl.String,
        "threshold": pl.Float64,
        "loss_basis": pl.String,  # see detectors.losses.Basis
        "loss_per_day_kwh": pl.Float64,  # mean of the last up to seven judged days from first_day to last_day
        "cost_per_day": pl.Float64,  # of the same days
        "at_stake_kwh": pl.Float64,  # fed in beyond the limit from first_day to last_day; no loss
    }
)


EVENTS = pl.Schema(
    {
        "exception_id": pl.String,
        "event_no": pl.Int32,  # 1, 2, ... in the order in which they came
        "at": pl.Date,  # the day whose detection, or after whose detection a person, changed it
        "event": pl.String,  # opened | diagnosis changed | severity changed | decided | closed | reopened
        "by": pl.String,  # "detection", or who decided
        "note": pl.String,  # what changed into what, or the decision's note
    }
)


REVISITS = pl.Schema(
    {
        "exception_id": pl.String,
        "site_id": pl.String,
        "installer_id": pl.String,
        "kind": pl.String,
        "since": pl.Date,
        "diagnosis": pl.String,
        "measured": pl.String,
        "expected": pl.String,
        "steps": pl.String,
    }
)


INTERVAL_LABELS = {"interval start": "start", "interval end": "end", "instant": "instant"}


INTERVAL_LABEL_TYPE = pl.Enum(list(INTERVAL_LABELS.values()))


ROWS = pl.Schema(
    {
        "file_no": pl.Int32(),  # place in the list of parts
        "line": pl.Int64(),
        "rows": pl.Int32(),  # input rows that make this one; wide exports: 1
        "site_id": pl.String(),
        "device_id": pl.String(),  # "" = the site has no devices
        "ts_utc": UTC,  # START of the interval
        "interval_s": pl.Int32(),
        "marks": INTERVAL_LABEL_TYPE,  # what the export's stamp marked
        "ts_export": pl.String(),  # the stamp as written
        **dict.fromkeys((*CHANNELS, *COUNTERS), pl.Float64()),
    }
)


FILES = pl.Schema(
    {
        "file_no": pl.Int32(),
        "rows_read": pl.Int64(),
        "rows_ignored": pl.Int64(),  # long exports: metrics that the profile does not name
        "quarantine": pl.String(),  # why the file can't be read as its profile says; null = it can
        "notes": pl.List(pl.String()),
        "spring_hour": pl.String(),  # "filled" or "standard time"; null = no choice was needed
        "spring_hour_proof": pl.String(),
        "spring_hour_sites": pl.List(pl.String()),  # of which later files follow this choice
    }
)


class Normalised(NamedTuple):
    """The readings of a batch and what became of the rest; rows_read = sum(rows.rows) + rejected, file by file."""

    rows: pl.DataFrame  # ROWS; duplicates inside a file are kept, in line order
    rejected: pl.DataFrame  # REJECTED: one per input row that was not kept
    cells: pl.DataFrame  # REJECTED: bad optional cells of rows that were kept
    files: pl.DataFrame  # FILES: one per part
    implausible: pl.DataFrame  # stamp_window.IMPLAUSIBLE: sites with rows whose stamps cannot be right


REJECTED = pl.Schema(
    {
        "file_no": pl.Int32,
        "line": pl.Int64,  # physical line of the file, from 1; JSON: the record's place, from 1
        "column_name": pl.String,
        "value": pl.String,
        "reason": pl.String,
        "raw": pl.String,
    }
)


TARGETS = pl.Schema(
    {
        "external_id": pl.String,  # what an export calls the site, or the device
        "site_id": pl.String,
        "device_id": pl.String,  # "" for sites without devices
        "export_timezone": pl.String,
        "timezone": pl.String,
        "commissioned_on": pl.Date,
        "latitude": pl.Float64,
        "longitude": pl.Float64,
    }
)
