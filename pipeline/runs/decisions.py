"""What a person decides: about an exception, or about a site's clock."""

import getpass
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import polars as pl

import detectors
from pipeline.detection import folding, run_detectors
from pipeline.errors import NoonmarkError
from pipeline.runs.cycle import Opened, sum_up
from pipeline.store import Store, history
from pipeline.timezones.local_time import day_start

FOREVER = datetime(2200, 1, 1, tzinfo=UTC)
MOST_MINUTES = 26 * 60  # two zones of the earth are at most 26 hours apart


def decide(run: Opened, exception_id: str, action: str, *, until: date | None = None, note: str = "") -> dict[str, Any]:
    """The exception as it stands after the decision. Raises NoonmarkError if it is unknown or closed."""
    row = _exception(run.store, exception_id)
    last = history.last_judged_day(run.store)
    assert last is not None  # an exception exists, so a day was judged
    if row["status"] == "closed":
        raise NoonmarkError(
            "the exception is closed already", exception_id, "see `noonmark exceptions show` for when and why"
        )
    if action == "snooze" and (until is None or until <= last):
        raise NoonmarkError("a snooze ends after the last judged day", f"--until {until}", f"choose a day after {last}")
    run.store.con.execute(
        "INSERT INTO decision VALUES (?, ?, ?, ?, ?, ?, ?)",
        [datetime.now(UTC), last, exception_id, action, until, note, _who()],
    )
    folding.update_exceptions(run.store)
    return _exception(run.store, exception_id)


def _exception(store: Store, exception_id: str) -> dict[str, Any]:
    found = store.frame("SELECT * FROM exception WHERE exception_id = ?", [exception_id])
    if found.is_empty():
        raise NoonmarkError("there is no such exception", exception_id, "`noonmark exceptions list` shows them")
    return found.row(0, named=True)


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def retime(run: Opened, site_id: str, *, shift_min: float, first: date, last: date | None = None) -> pl.DataFrame:
    """The corrections of the site's clock after `shift_min` was added to the stamps of its local days from `first` on.

    Days are local days as stamped. The site-days concerned are summed up anew, and judged anew if they had been judged.
    """
    _known(run, site_id)
    if shift_min == 0 or abs(shift_min) > MOST_MINUTES:
        raise NoonmarkError(
            "a correction is between 1 and 1560 minutes, either way",
            f"--shift-min {shift_min:g}",
            "give minutes to add to the stamps",
        )
    if last is not None and last < first:
        raise NoonmarkError("the correction ends before it begins", f"--to {last}", f"choose {first} or a later day")
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
        _apply(run.store, site_id, first, last)
    return _after(run, site_id)


def undo_retime(
    run: Opened, site_id: str, *, shift_min: float | None, first: date | None, last: date | None
) -> pl.DataFrame:
    """The corrections left after the newest one that fits was taken back."""
    _known(run, site_id)
    found = run.store.frame(
        """
        SELECT * FROM clock_shift WHERE site_id = $site AND undone_at IS NULL
          AND ($shift IS NULL OR shift_min = $shift)
          AND ($first IS NULL OR from_day = $first) AND ($last IS NULL OR to_day = $last)
        ORDER BY shift_id DESC LIMIT 1
        """,
        {"site": site_id, "shift": shift_min, "first": first, "last": last},
    )
    if found.is_empty():
        raise NoonmarkError("no correction in force fits", site_id, '`noonmark sql "FROM clock_shift"` lists them')
    row = found.row(0, named=True)
    with run.store.transaction():
        run.store.con.execute(
            "UPDATE clock_shift SET undone_at = ? WHERE shift_id = ?", [datetime.now(UTC), row["shift_id"]]
        )
        history.forget_mended(run.store, row["shift_id"])
        _apply(run.store, site_id, row["from_day"], row["to_day"])
    return _after(run, site_id)


def _known(run: Opened, site_id: str) -> None:
    if site_id not in run.register.sites:
        raise NoonmarkError(
            "there is no such site in the register", site_id, '`noonmark sql "SELECT site_id FROM site"` lists them'
        )


def _apply(store: Store, site_id: str, first: date, last: date | None) -> None:
    """Makes the spans of the site anew from its corrections in force, and marks the days concerned."""
    zone = store.value("SELECT timezone FROM site WHERE site_id = ?", [site_id])
    rows = store.con.execute(
        "SELECT shift_min, from_day, to_day FROM clock_shift WHERE site_id = ? AND undone_at IS NULL", [site_id]
    ).fetchall()
    edges = [
        (day_start(zone, a), day_start(zone, b + timedelta(days=1)) if b else FOREVER, minutes)
        for minutes, a, b in rows
    ]
    store.con.execute("DELETE FROM clock_shift_span WHERE site_id = ?", [site_id])
    for start, end, minutes in spans(edges):
        store.con.execute("INSERT INTO clock_shift_span VALUES (?, ?, ?, ?)", [site_id, start, end, minutes])
    history.mark_site_dirty(store, site_id, first, last or date.max)


def spans(edges: Sequence[tuple[datetime, datetime, float]]) -> list[tuple[datetime, datetime, float]]:
    """Stretches that do not overlap, each with the sum of the corrections that hold in it."""
    cuts = sorted({instant for start, end, _ in edges for instant in (start, end)})
    result = []
    for start, end in pairwise(cuts):
        total = sum(minutes for a, b, minutes in edges if a <= start and end <= b)
        if total:
            result.append((start, end, total))
    return result


def _after(run: Opened, site_id: str) -> pl.DataFrame:
    last = history.last_judged_day(run.store)
    sum_up(run)
    if last is not None:
        days = [day for day in run_detectors.due_days(run.store, datetime.now(UTC), 0) if day <= last]
        with run.progress("judging anew", len(days), "days") as tell:
            run_detectors.judge(run.store, days, tell)
        folding.update_exceptions(run.store)
    return run.store.frame("SELECT * FROM clock_shift WHERE site_id = ? ORDER BY shift_id", [site_id])
