"""What a person decides: about an exception, or about a site's clock."""

import getpass
import math
from datetime import UTC, date, datetime
from typing import Any

import polars as pl

import detectors
from pipeline.detection import folding, run_detectors
from pipeline.errors import NoonmarkError, RefusedError
from pipeline.runs.cycle import Opened, sum_up
from pipeline.store import Store, clock_shifts, decision_log, history

MOST_MINUTES = 26 * 60  # two zones of the earth are at most 26 hours apart


def decide(
    run: Opened,
    exception_id: str,
    action: str,
    *,
    until: date | None = None,
    note: str = "",
    by: str | None = None,
    person: str | None = None,
) -> dict[str, Any]:
    """The exception as it stands after the decision of `by` (else who is logged in), to be seen to by `person`.

    Raises RefusedError, with nothing changed, if the exception is unknown or the action does not fit how it stands.
    """
    row = _exception(run.store, exception_id)
    last = history.last_judged_day(run.store)
    assert last is not None  # an exception exists, so a day was judged
    if row["status"] == "closed" and action != "reopen":
        raise RefusedError(
            "the exception is closed already", exception_id, "see `noonmark exceptions show` for when and why"
        )
    if row["status"] == "open" and action == "reopen":
        raise RefusedError("the exception is open already", exception_id, "see `noonmark exceptions show`")
    if action == "snooze" and (until is None or until <= last):
        raise RefusedError("a snooze ends after the last judged day", f"--until {until}", f"choose a day after {last}")
    with run.store.transaction():
        run.store.con.execute(
            """
            INSERT INTO decision (decided_at, on_day, exception_id, action, until, note, decided_by, decided_for)
            VALUES (?, ?, ?, ?, ?, ?, ?, ?)
            """,
            [datetime.now(UTC), last, exception_id, action, until, note, by or _who(), person],
        )
        folding.update_exceptions(run.store)
        after = _exception(run.store, exception_id)
        if action == "reopen" and after["status"] == "closed":
            raise RefusedError(
                "this exception cannot be opened again: a later one of its site took its place, or a correction of the "
                "clock closed it",
                exception_id,
                "see `noonmark exceptions list`; a correction is taken back by `noonmark retime --undo`",
            )
    decision_log.append(run.store, run.workspace.decision_log)
    return after


def _exception(store: Store, exception_id: str) -> dict[str, Any]:
    found = store.frame("SELECT * FROM exception WHERE exception_id = ?", [exception_id])
    if found.is_empty():
        raise RefusedError("there is no such exception", exception_id, "`noonmark exceptions list` shows them")
    return found.row(0, named=True)


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def retime(run: Opened, site_id: str, *, shift_min: float, first: date, last: date | None = None) -> pl.DataFrame:
    """The corrections of the site's clock after `shift_min` was added to the stamps of its local days from `first` on.

    Days are local days as stamped. The site-days concerned are summed up anew, and judged anew if they had been judged.
    A span has one correction: the same one given again adds nothing, and only ends what an interrupted run began.
    """
    _known(run, site_id)
    if not math.isfinite(shift_min) or shift_min == 0 or abs(shift_min) > MOST_MINUTES:
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
        shift_id = run.store.value("SELECT nextval('clock_shift_number')")
        run.store.con.execute(
            """
            INSERT INTO clock_shift (shift_id, site_id, shift_min, from_day, to_day, made_at, note)
            VALUES (?, ?, ?, ?, ?, ?, ?)
            """,
            [shift_id, site_id, shift_min, first, last, datetime.now(UTC), f"by {_who()}"],
        )
        judged = history.last_judged_day(run.store)
        if judged is not None:
            history.note_mended(run.store, site_id, detectors.kinds_of("clock"), shift_id, judged)
        clock_shifts.apply(run.store, site_id, first, last)


def undo_retime(
    run: Opened, site_id: str, *, shift_min: float | None, first: date | None, last: date | None
) -> pl.DataFrame:
    """The corrections left after the newest one that fits was taken back.

    If a run was interrupted that had taken one back, its work is ended, and no second one is taken back.
    """
    _known(run, site_id)
    found = run.store.frame(
        """
        SELECT * FROM clock_shift WHERE site_id = $site
          AND ($shift IS NULL OR shift_min = $shift)
          AND ($first IS NULL OR from_day = $first) AND ($last IS NULL OR to_day = $last)
        ORDER BY coalesce(undone_at, made_at) DESC, shift_id DESC
        """,
        {"site": site_id, "shift": shift_min, "first": first, "last": last},
    )
    if not found.is_empty() and found["undone_at"][0] is not None and history.has_unfinished_days(run.store):
        return _after(run, site_id)
    left = found.filter(pl.col("undone_at").is_null()).sort("shift_id", descending=True)
    if left.is_empty():
        raise NoonmarkError("no correction in force fits", site_id, '`noonmark sql "FROM clock_shift"` lists them')
    row = left.row(0, named=True)
    with run.store.transaction():
        run.store.con.execute(
            "UPDATE clock_shift SET undone_at = ? WHERE shift_id = ?", [datetime.now(UTC), row["shift_id"]]
        )
        history.forget_mended(run.store, row["shift_id"])
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
    last = history.last_settled_day(run.store)
    if last is not None:
        days = [day for day in run_detectors.due_days(run.store, datetime.now(UTC), 0) if day <= last]
        history.note_due(run.store, days)
        with run.progress("judging anew", len(days), "days") as tell:
            run_detectors.judge(run.store, days, tell)
        folding.update_exceptions(run.store)
    return run.store.frame("SELECT * FROM clock_shift WHERE site_id = ? ORDER BY shift_id", [site_id])
