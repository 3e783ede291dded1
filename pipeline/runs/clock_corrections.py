"""Corrections of a site's clock, given and taken back: the days concerned are summed up and judged anew."""

import math
from datetime import UTC, date, datetime
from typing import NamedTuple

import polars as pl

from pipeline.counted import counted
from pipeline.detection import folding
from pipeline.detection.due_days import due_days
from pipeline.errors import RefusedError
from pipeline.runs import judging
from pipeline.runs.decisions import who
from pipeline.runs.session import Opened, sum_up
from pipeline.store import clock_shifts, decision_log, history, verdicts
from pipeline.store.clock_shifts import Correction
from pipeline.store.register import timezone
from pipeline.timezones.zones import tzinfo_of

MAX_MINUTES = 26 * 60  # two zones of the earth are at most 26 hours apart
MAX_S_PER_DAY = 3600.0  # ours: a clock that loses an hour a day is not drifting


class Corrected(NamedTuple):
    """What a correction left behind."""

    corrections: pl.DataFrame  # the site's, those taken back among them
    closed: pl.DataFrame  # [exception_id, kind, status]: what it closed
    collided: int  # readings that fall on another's instant, and are not read


def retime(
    run: Opened,
    site_id: str,
    *,
    shift_min: float = 0.0,
    first: date | datetime,
    last: date | datetime | None = None,
    rate_s_per_day: float = 0.0,
) -> Corrected:
    """Adds minutes, and seconds more each day, to the site's stamps from `first` on, and judges its days anew.

    A day is a local day as stamped, an instant without a zone is local time as stamped. The site-days concerned are
    summed up anew, and judged anew if they had been judged. A span has one correction: the same one given again adds
    nothing, and only ends what an interrupted run began. Raises RefusedError.
    """
    correction = checked(run, site_id, shift_min=shift_min, first=first, last=last, rate_s_per_day=rate_s_per_day)
    if clock_shifts.in_force(run.store, site_id, correction) is None:
        _correct(run, site_id, correction)
    return _after(run, site_id)


def checked(
    run: Opened,
    site_id: str,
    *,
    shift_min: float,
    first: date | datetime,
    last: date | datetime | None,
    rate_s_per_day: float,
) -> Correction:
    """The correction with its instants in the site's zone; raises RefusedError where it can't be given."""
    _known(run, site_id)
    if not math.isfinite(shift_min) or abs(shift_min) > MAX_MINUTES or (shift_min == 0 and rate_s_per_day == 0):
        raise RefusedError(
            f"a correction is of at most {MAX_MINUTES} minutes, either way",
            f"--shift-min {shift_min:g}",
            "give minutes to add to the stamps",
        )
    if not math.isfinite(rate_s_per_day) or abs(rate_s_per_day) > MAX_S_PER_DAY:
        raise RefusedError(
            f"a drift is at most {MAX_S_PER_DAY:g} seconds a day, either way",
            f"--rate-s-per-day {rate_s_per_day:g}",
            "give seconds to add for each day; a clock that jumped takes --shift-min",
        )
    correction = Correction(
        shift_min, _placed(run, site_id, first), last and _placed(run, site_id, last), rate_s_per_day
    )
    place = clock_shifts.place_of(run.store, site_id, correction)
    ends_before = place.to_day is not None and place.to_day < place.from_day
    if ends_before or (place.from_utc and place.until_utc and place.until_utc <= place.from_utc):
        raise RefusedError("the correction ends before it begins", f"--to {last}", f"choose {first} or a later day")
    before = clock_shifts.in_force(run.store, site_id, correction)
    if before is not None and before != correction:
        raise RefusedError(
            f"these days are corrected by {before.says} already",
            f"{site_id} from {first} to {last or 'further notice'}",
            f"take that back with --undo first, then give what is right in all ({correction.says}, or both together)",
        )
    return correction


def _placed(run: Opened, site_id: str, at: date) -> date:
    """A local time as stamped with the zone of the site's place; a day as it is."""
    if isinstance(at, datetime) and at.tzinfo is None:
        return at.replace(tzinfo=tzinfo_of(timezone(run.store, site_id)))
    return at


def _correct(run: Opened, site_id: str, correction: Correction) -> None:
    place = clock_shifts.place_of(run.store, site_id, correction)
    with run.store.transaction():
        shift_id = clock_shifts.add(run.store, site_id, correction, note=f"by {who()}")
        judged = verdicts.last_judged_day(run.store)
        if judged is not None:
            verdicts.note_corrected(run.store, site_id, shift_id, place.from_day, judged)
        clock_shifts.apply(run.store, site_id, place.from_day, place.to_day)


def undo_retime(
    run: Opened,
    site_id: str,
    *,
    shift_min: float | None = None,
    first: date | datetime | None = None,
    last: date | datetime | None = None,
    rate_s_per_day: float | None = None,
) -> Corrected:
    """Takes the newest correction that fits back.

    If a run was interrupted that had taken one back, its work is ended, and no second one is taken back.
    """
    _known(run, site_id)
    found = clock_shifts.fitting(
        run.store, site_id, shift_min=shift_min, rate_s_per_day=rate_s_per_day,
        first=first and _placed(run, site_id, first), last=last and _placed(run, site_id, last),
    )  # fmt: skip
    if not found.is_empty() and found["undone_at"][0] is not None and history.has_unfinished_days(run.store):
        return _after(run, site_id)
    left = found.filter(pl.col("undone_at").is_null()).sort("shift_id", descending=True)
    if left.is_empty():
        raise RefusedError("no correction in force fits", site_id, '`noonmark sql "FROM clock_shift"` lists them')
    row = left.row(0, named=True)
    with run.store.transaction():
        clock_shifts.take_back(run.store, row["shift_id"])
        verdicts.forget_corrected(run.store, row["shift_id"])
        clock_shifts.apply(run.store, site_id, row["from_day"], row["to_day"])
    return _after(run, site_id)


def summed_up(corrected: Corrected) -> str:
    """What it did, in a line: what is corrected, what closed, how many readings collide."""
    newest = corrected.corrections.row(-1, named=True)
    by = Correction(newest["shift_min"], newest["from_day"], rate_s_per_day=newest["rate_s_per_day"] or 0.0).says
    closed = ", ".join(f"{row['exception_id']} ({row['kind']})" for row in corrected.closed.iter_rows(named=True))
    collided = f"; {counted(corrected.collided, 'reading')} not read: another's instant" if corrected.collided else ""
    return f"{by}; closed: {closed or 'nothing'}{collided}"


def _known(run: Opened, site_id: str) -> None:
    if site_id not in run.register.sites:
        raise RefusedError(
            "there is no such site in the register", site_id, '`noonmark sql "SELECT site_id FROM site"` lists them'
        )


def _after(run: Opened, site_id: str) -> Corrected:
    decision_log.append(run.store, run.workspace.decision_log)
    sum_up(run)
    last = verdicts.last_settled_day(run.store)
    if last is not None:
        days = [day for day in due_days(run.store, datetime.now(UTC), 0) if day <= last]
        history.note_due(run.store, days)
        with run.progress("judging anew", len(days), "days") as advance:
            judging.judge(run, days, advance)
        folding.update_exceptions(run.store)
    corrections = clock_shifts.of_site(run.store, site_id)
    newest = corrections.filter(pl.col("undone_at").is_null()).tail(1)
    if newest.is_empty():
        return Corrected(corrections, verdicts.closed_by(run.store, -1), 0)
    row = newest.row(0, named=True)
    collided = clock_shifts.collisions(run.store, site_id, row["from_day"], row["to_day"])
    return Corrected(corrections, verdicts.closed_by(run.store, row["shift_id"]), collided)
