"""A clock that is wrong, corrected from the desk: the history is repaired and the exception closes by itself."""

import contextlib
import io
import json
import shutil
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.commands.cli import main
from pipeline.errors import StoppedError
from pipeline.runs.clock_corrections import retime, undo_retime
from pipeline.runs.session import opened
from pipeline.store import clock_shifts, readings
from pipeline.store.clock_shifts import Correction, Span, spans
from pipeline.timezones.local_time import utc_midnight
from pipeline.workspace.places import Workspace
from tests.support import desk
from tests.support.snapshot import Snapshot

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]

DAYS = [date(2026, 5, 2) + timedelta(days=n) for n in range(5)]
CORRECTION = ("retime", "R-1", "--shift-min", "-60", "--from", str(DAYS[0]))


def late(lines: list[str], minutes: int) -> list[str]:
    """The same rows, every value under the stamp of `minutes` later, from the day's first to its last quarter."""
    head, *rows = lines
    stamps = [row.split(",", 1)[0] for row in rows]
    values = [row.split(",", 1)[1] for row in rows]
    by = minutes // 15
    return [head, *(f"{at},{value}" for at, value in zip(stamps, values[-by:] + values[:-by], strict=True))]


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    space = desk.make(tmp_path_factory.mktemp("lived") / "desk", with_exports=False)
    for day in DAYS:
        desk.write(space.inbox, "R-1", day, late(desk.lines(day, feeds_in=True), 60))
        desk.write(space.inbox, "R-2", day, desk.lines(day, feeds_in=False))
    assert main(["-w", str(space.root), "cycle"]) == 0
    return Snapshot(space.root)


@pytest.fixture(scope="module")
def corrected(judged: Snapshot) -> tuple[Snapshot, Any]:
    """The same after CORRECTION, beside it, and what the command said."""
    root = judged.root.with_name("corrected")
    shutil.copytree(judged.restored(), root)
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["-w", str(root), *CORRECTION, "--json"]) == 0
    return Snapshot(root), json.loads(out.getvalue())


@pytest.fixture
def space(judged: Snapshot) -> Workspace:
    return Workspace(judged.restored())


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], space: Workspace) -> Callable[..., Any]:
    return asked_of(space.root, capsys)


@pytest.fixture
def ask_corrected(capsys: pytest.CaptureFixture[str], corrected: tuple[Snapshot, Any]) -> Callable[..., Any]:
    """After CORRECTION."""
    return asked_of(corrected[0].restored(), capsys)


def asked_of(root: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    def call(*arguments: str) -> Any:
        capsys.readouterr()
        assert main(["-w", str(root), *arguments, "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    return call


CLOCK = "SELECT exception_id, kind, status, closed_on FROM exception WHERE detector = 'clock' AND site_id = 'R-1'"
CHANGES = """SELECT event, "by" AS who FROM exception_event WHERE exception_id = 'R-1-clock-1' ORDER BY event_no"""
NOON = """SELECT avg(epoch(ts_utc) * pv_w) / avg(pv_w) - min(epoch(ts_utc)) AS centre_s FROM reading
    WHERE site_id = 'R-1' AND ts_utc >= '2026-05-06 00:00+00' AND ts_utc < '2026-05-07 00:00+00'"""


def test_a_correction_repairs_the_history_and_closes_the_exception(
    ask: Callable[..., Any], ask_corrected: Callable[..., Any], corrected: tuple[Snapshot, Any]
) -> None:
    before = ask("sql", NOON)[0]["centre_s"]
    (exception,) = ask("sql", CLOCK)
    assert (exception["exception_id"], exception["kind"], exception["status"]) == (
        "R-1-clock-1",
        "time-zone-wrong",
        "open",
    )
    assert ask("sql", CHANGES)[0] == {"event": "opened", "who": "detection"}

    ask, (said,) = ask_corrected, corrected[1]
    assert said["closed"] == ["R-1-clock-1"] and said["collided_readings"] == 0
    assert ask("sql", NOON)[0]["centre_s"] == pytest.approx(before - 3600, abs=60)
    assert ask("sql", "SELECT DISTINCT clock_shift_min AS m FROM reading WHERE site_id = 'R-1'") == [{"m": -60}]
    (fixed,) = ask("sql", CLOCK)
    assert (fixed["exception_id"], fixed["status"]) == (exception["exception_id"], "closed")
    assert [row["event"] for row in ask("sql", CHANGES)] == ["opened", "closed"]
    assert not ask("sql", "SELECT * FROM finding WHERE kind = 'time-zone-wrong' AND day > '2026-05-02'")
    assert "time-zone-wrong" not in {row["kind"] for row in ask("revisits")}
    assert ask("detect")["days"] == []

    ask("retime", "R-1", "--undo")
    (again,) = ask("sql", CLOCK)
    assert (again["exception_id"], again["status"]) == (exception["exception_id"], "open")
    assert ask("sql", NOON)[0]["centre_s"] == pytest.approx(before, abs=60)
    assert [bool(row["undone_at"]) for row in ask("sql", "FROM clock_shift")] == [True]
    assert ask("detect")["days"] == []


def test_a_correction_given_again_counts_once(ask_corrected: Callable[..., Any]) -> None:
    """As after a run that was interrupted once its correction was written."""
    ask = ask_corrected
    once = ask("sql", NOON)
    ask(*CORRECTION)
    assert ask("sql", NOON) == once
    assert [row["shift_min"] for row in ask("sql", "FROM clock_shift")] == [-60]


def test_another_correction_of_the_same_span_is_refused(
    ask_corrected: Callable[..., Any], corrected: tuple[Snapshot, Any]
) -> None:
    other = ["-w", str(corrected[0].root), "retime", "R-1", "--shift-min", "-15", "--from", str(DAYS[0])]
    assert main(other) == 2
    assert [row["shift_min"] for row in ask_corrected("sql", "FROM clock_shift")] == [-60]


@pytest.mark.slow
@pytest.mark.parametrize("is_undone", [False, True])
def test_interrupted_and_run_again_it_counts_once(ask: Callable[..., Any], space: Workspace, is_undone: bool) -> None:
    """Stopped between the correction's commit and the site-days; the earlier correction stays in force either way."""
    ask("retime", "R-1", "--shift-min", "-30", "--from", str(DAYS[-2]))
    if is_undone:
        ask("retime", "R-1", "--shift-min", "-60", "--from", str(DAYS[0]))
    work = ("--undo",) if is_undone else ("--shift-min", "-60", "--from", str(DAYS[0]))
    with opened(space, is_quiet=True, should_stop=lambda: True) as run, pytest.raises(StoppedError):
        if is_undone:
            undo_retime(run, "R-1")
        else:
            retime(run, "R-1", shift_min=-60, first=DAYS[0])
    ask("retime", "R-1", *work)
    in_force = ask("sql", "SELECT shift_min AS m FROM clock_shift WHERE undone_at IS NULL ORDER BY m")
    assert [row["m"] for row in in_force] == ([-30] if is_undone else [-60, -30])
    assert ask("detect")["days"] == []


@pytest.mark.parametrize("minutes", ["nan", "inf", "-inf", "1e9"])
def test_a_correction_that_is_no_number_of_minutes_is_refused(
    ask: Callable[..., Any], space: Workspace, minutes: str
) -> None:
    given = ["-w", str(space.root), "retime", "R-1", "--shift-min", minutes, "--from", str(DAYS[0])]
    assert main(given) == 2
    assert ask("sql", "FROM clock_shift") == []


def test_a_dry_run_of_a_span_that_is_over_shows_the_days_that_it_moves(ask: Callable[..., Any]) -> None:
    given = ("--from", str(DAYS[1]), "--to", str(DAYS[2]), "--dry-run", "--shift-min", "-60")
    shown = [row for row in ask("retime", "R-1", *given) if "first light" in row["what"]]
    assert [row["what"].split()[3].rstrip(",") for row in shown] == [str(DAYS[1]), str(DAYS[2])]
    for row in shown:
        before, after = (int(row[at][:2]) * 60 + int(row[at][3:]) for at in ("before", "after"))
        assert before - after == 60


def test_corrections_that_overlap_add_up() -> None:
    at = [utc_midnight(date(2026, 1, n)) for n in range(1, 6)]
    assert spans([Span(at[0], at[3], 60.0), Span(at[1], at[4], -15.0)]) == [
        (at[0], at[1], 60.0, 0.0),
        (at[1], at[3], 45.0, 0.0),
        (at[3], at[4], -15.0, 0.0),
    ]
    assert spans([Span(at[0], at[1], 30.0), Span(at[0], at[1], -30.0)]) == []


def test_a_correction_that_grows_goes_on_growing_across_the_start_of_another() -> None:
    at = [utc_midnight(date(2026, 1, n)) for n in range(1, 6)]
    # 90 s a day: 1.5 min by the second day, on which ten minutes more begin.
    assert spans([Span(at[0], at[4], 0.0, 90.0), Span(at[1], at[4], 10.0)]) == [
        (at[0], at[1], 0.0, 90.0),
        (at[1], at[4], 11.5, 90.0),
    ]


def moved(space: Workspace, correction: Correction) -> tuple[dict[str, float], int]:
    """Minutes added to each stamp of R-1 that a correction moves, and how many readings collide; nothing is judged."""
    with opened(space, is_quiet=True) as run:
        place = clock_shifts.place_of(run.store, "R-1", correction)
        clock_shifts.add(run.store, "R-1", correction, note="")
        clock_shifts.apply(run.store, "R-1", place.from_day, place.to_day)
        rows = readings.read_days(run.store, DAYS[0], DAYS[-1], ["R-1"])
        collided = clock_shifts.collisions(run.store, "R-1", place.from_day, place.to_day)
    rows = rows.filter(pl.col("clock_shift_min") != 0)
    return dict(rows.select("ts_export", "clock_shift_min").iter_rows()), collided


def test_a_correction_may_begin_and_end_at_an_instant(space: Workspace) -> None:
    zone = ZoneInfo("Europe/Vienna")
    begin, end = datetime(2026, 5, 3, 14, tzinfo=zone), datetime(2026, 5, 4, 10, 30, tzinfo=zone)
    added, collided = moved(space, Correction(-60.0, begin, end))
    assert [min(added), max(added)] == ["2026-05-03 14:00", "2026-05-04 10:15"]
    assert len(added) == 82 and set(added.values()) == {-60.0}  # quarter hours from 14:00 to 10:30 of the next day
    assert collided == 4  # the hour before 14:00 is told twice


def test_a_correction_of_a_drift_grows_by_so_many_seconds_a_day(space: Workspace) -> None:
    added, _ = moved(space, Correction(0.0, date(2026, 5, 3), None, -90.0))
    assert added["2026-05-04 00:00"] == pytest.approx(-1.5)
    assert added["2026-05-06 12:00"] == pytest.approx(-3.5 * 1.5, abs=1 / 60)  # three and a half days later


def test_a_dry_run_shows_before_and_after_and_changes_nothing(ask: Callable[..., Any]) -> None:
    given = ("retime", "R-1", "--from", f"{DAYS[0]}T00:00", "--dry-run", "--shift-min")
    shown = {row["what"]: row for row in ask(*given, "-60")}
    assert shown["exception R-1-clock-1"] == {"what": "exception R-1-clock-1", "before": "open", "after": "closed"}
    before, after = (float(shown["offset of the last days"][at].split()[0]) for at in ("before", "after"))
    assert after == pytest.approx(before - 60, abs=1.1)
    less = {row["what"]: row for row in ask(*given, "-15")}
    assert less["exception R-1-clock-1"]["after"] == "open"
    assert ask("sql", "FROM clock_shift") == []
