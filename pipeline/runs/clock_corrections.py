"""Corrections of a site's clock, given and taken back: the days concerned are summed up and judged anew."""

import math
from datetime import UTC, date, datetime

import polars as pl

import detectors
from pipeline.detection import folding, run_detectors
from pipeline.detection.due_days import due_days
from pipeline.errors import NoonmarkError
from pipeline.runs.decisions import who
from pipeline.runs.session import Opened, sum_up
from pipeline.store import clock_shifts, decision_log, history, verdicts

MAX_MINUTES = 26 * 60  # two zones of the earth are at most 26 hours apart


def retime(run: Opened, site_id: str, *, shift_min: float, first: date, last: date | None = None) -> pl.DataFrame:
    """The corrections of the site's clock after `shift_min` was added to the stamps of its local days from `first` on.

    Days are local days as stamped. The site-days concerned are summed up anew, and judged anew if they had been judged.
    A span has one correction: the same one given again adds nothing, and only ends what an interrupted run began.
    """
    _known(run, site_id)
    if not math.isfinite(shift_min) or shift_min == 0 or abs(shift_min) > MAX_MINUTES:
        raise NoonmarkError(
            "a correction is between 1 and 1560 minutes, either way",
            f"--shift-min {shift_min:g}",
            "give minutes to add to the stamps",
        )
    if last is not None and last < first:
        raise NoonmarkError("the correction ends before it begins", f"--to {last}", f"choose {first} or a later day")
    before = clock_shifts.in_force(run.store, site_id, first, last)
    if before is not None and before != shift_min:
        raise NoonmarkError(
            f"these days are corrected by {before:g} min already",
            f"{site_id} from {first} to {last or 'further notice'}",
            f"take that back with --undo first, then give what is right in all ({shift_min:g}, or {before:g} and more)",
        )
    if before is None:
        _correct(run, site_id, shift_min, first, last)
    return _after(run, site_id)


def _correct(run: Opened, site_id: str, shift_min: float, first: date, last: date | None) -> None:
    with run.store.transaction():
        shift_id = clock_shifts.add(run.store, site_id, shift_min, first, last, note=f"by {who()}")
        judged = verdicts.last_judged_day(run.store)
        if judged is not None:
            verdicts.note_corrected(run.store, site_id, detectors.kinds_of("clock"), shift_id, judged)
        clock_shifts.apply(run.store, site_id, first, last)


def undo_retime(
    run: Opened, site_id: str, *, shift_min: float | None, first: date | None, last: date | None
) -> pl.DataFrame:
    """The corrections left after the newest one that fits was taken back.

    If a run was interrupted that had taken one back, its work is ended, and no second one is taken back.
    """
    _known(run, site_id)
    found = clock_shifts.fitting(run.store, site_id, shift_min=shift_min, first=first, last=last)
    if not found.is_empty() and found["undone_at"][0] is not None and history.has_unfinished_days(run.store):
        return _after(run, site_id)
    left = found.filter(pl.col("undone_at").is_null()).sort("shift_id", descending=True)
    if left.is_empty():
        raise NoonmarkError("no correction in force fits", site_id, '`noonmark sql "FROM clock_shift"` lists them')
    row = left.row(0, named=True)
    with run.store.transaction():
        clock_shifts.take_back(run.store, row["shift_id"])
        verdicts.forget_corrected(run.store, row["shift_id"])
        clock_shifts.apply(run.store, site_id, row["from_day"], row["to_day"])
    return _after(run, site_id)


def _known(run: Opened, site_id: str) -> None:
    if site_id not in run.register.sites:
        raise NoonmarkError(
            "there is no such site in the register", site_id, '`noonmark sql "SELECT site_id FROM site"` lists them'
        )


def _after(run: Opened, site_id: str) -> pl.DataFrame:
    decision_log.append(run.store, run.workspace.decision_log)
    sum_up(run)
    last = verdicts.last_settled_day(run.store)
    if last is not None:
        days = [day for day in due_days(run.store, datetime.now(UTC), 0) if day <= last]
        history.note_due(run.store, days)
        with run.progress("judging anew", len(days), "days") as advance:
            run_detectors.judge(
                run.store, days, advance, false_alarms_per_site_year=run.settings.detect.false_alarms_per_site_year
            )
        folding.update_exceptions(run.store)
    return clock_shifts.of_site(run.store, site_id)
