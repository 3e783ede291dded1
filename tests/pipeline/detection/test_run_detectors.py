"""Which days are judged, and what judging them again does."""

import os
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.detection import run_detectors, sum_up
from pipeline.detection.due_days import due_days
from pipeline.detection.run_detectors import of_devices, of_sites
from pipeline.errors import StoppedError
from pipeline.runs.cycle import cycle, detect, take_in, with_silent_days
from pipeline.runs.session import Opened, opened, publish
from pipeline.store import reader
from pipeline.workspace import resources
from pipeline.workspace.places import Workspace
from tests.support import desk
from tests.support.snapshot import Snapshot

Ask = Callable[[str], pl.DataFrame]
few = pytest.mark.usefixtures("few_detectors_here")


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    return desk.make(tmp_path / "desk")


@pytest.fixture(scope="module")
def after_a_cycle(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Snapshot:
    return Snapshot.of_copy(desk_after_a_cycle, tmp_path_factory.mktemp("lived") / "desk")


@pytest.fixture
def judged(after_a_cycle: Snapshot) -> Workspace:
    """A workspace after one cycle."""
    return Workspace(after_a_cycle.restored())


def lived(space: Workspace, day: date | None = None) -> None:
    with opened(space, is_quiet=True) as run:
        cycle(run, day=day)
        publish(run)


def ask(space: Workspace, sql: str) -> list[tuple[object, ...]]:
    return reader.ask(space.reader, sql).rows()


FED_IN = "SELECT site_id, day FROM finding WHERE kind = 'unexpected-export' ORDER BY ALL"


@few
def test_late_data_is_judged_and_so_are_the_days_that_look_back_on_it(judged: Workspace) -> None:
    assert ask(judged, FED_IN) == [("R-2", day) for day in desk.DAYS]
    corrected = desk.DAYS[1]
    desk.write(judged.inbox, "R-2", corrected, desk.lines(corrected, feeds_in=False))
    with opened(judged, is_quiet=True) as run:
        assert take_in(run).rows_replaced > 0
        assert due_days(run.store, datetime.now(UTC), 0) == list(desk.DAYS[1:])
        assert detect(run).days == list(desk.DAYS[1:])
        assert due_days(run.store, datetime.now(UTC), 0) == []
        publish(run)
    assert ask(judged, FED_IN) == [("R-2", desk.DAYS[0]), ("R-2", desk.DAYS[2])]


@few
def test_days_that_are_judged_again_are_judged_by_what_was_agreed_then(judged: Workspace) -> None:
    """R-2 may feed the grid since today; another site's late readings have the days before judged again."""
    judged.sites_file.write_text(
        desk.SITES.replace("R-2,Pond Row,48.2,16.5,Europe/Vienna,10,0,", "R-2,Pond Row,48.2,16.5,Europe/Vienna,10,,"),
        encoding="utf-8",
    )
    late = desk.DAYS[0]
    desk.write(judged.inbox, "R-1", late, desk.lines(late, feeds_in=True, load_w=700.0))
    with opened(judged, is_quiet=True) as run:
        assert take_in(run).rows_replaced > 0
        assert detect(run).days == list(desk.DAYS)
        publish(run)
    assert ask(judged, FED_IN) == [("R-2", day) for day in desk.DAYS]
    assert ask(judged, "SELECT feed_in_limit_kw FROM site WHERE site_id = 'R-2'") == [(None,)]


def late_correction(space: Workspace, day: date) -> None:
    desk.write(space.inbox, "R-2", day, desk.lines(day, feeds_in=False))


@pytest.mark.slow
@few
def test_a_run_that_ends_amid_late_data_leaves_no_day_stale(judged: Workspace) -> None:
    """Stopped after the first of the days concerned, the next run judges the others, whose own data is as it was."""
    late_correction(judged, desk.DAYS[0])

    with opened(judged, is_quiet=True) as run:
        take_in(run)
    with opened(judged, is_quiet=True, should_stop=lambda: True) as run, pytest.raises(StoppedError):
        detect(run)
    with opened(judged, is_quiet=True) as run:
        assert due_days(run.store, datetime.now(UTC), 0) == list(desk.DAYS[1:])
        assert detect(run).days == list(desk.DAYS[1:])
        assert due_days(run.store, datetime.now(UTC), 0) == []


@pytest.mark.slow
@few
def test_a_cycle_up_to_a_day_leaves_the_later_days_due(judged: Workspace) -> None:
    late_correction(judged, desk.DAYS[0])
    lived(judged, desk.DAYS[0])
    with opened(judged, is_quiet=True) as run:
        assert due_days(run.store, datetime.now(UTC), 0) == list(desk.DAYS[1:])


@pytest.mark.slow
@few
def test_one_day_judged_by_name_leaves_the_later_days_due(judged: Workspace) -> None:
    late_correction(judged, desk.DAYS[0])
    with opened(judged, is_quiet=True) as run:
        take_in(run)
        detect(run, [desk.DAYS[0]])
        assert due_days(run.store, datetime.now(UTC), 0) == list(desk.DAYS[1:])


@pytest.mark.slow
@few
def test_days_before_commissioning_and_sites_not_watched_raise_nothing(space: Workspace) -> None:
    header, first, second = desk.SITES.splitlines()
    rows = [f"{header},commissioned_on,watched", f"{first},2026-05-05,yes", f"{second},2026-05-06,yes"]
    rows.append("R-3,Long Acre,48.2,16.45,Europe/Vienna,10,0,10,I-1,,no")
    space.sites_file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    for day in desk.DAYS:
        desk.write(space.inbox, "R-3", day, desk.lines(day, feeds_in=True))
    lived(space)
    assert ask(space, FED_IN) == [("R-2", date(2026, 5, 6))]
    assert ask(space, "SELECT site_id, min(day) FROM judged GROUP BY site_id ORDER BY ALL") == [
        ("R-1", date(2026, 5, 5)),
        ("R-2", date(2026, 5, 6)),
    ]
    assert ask(space, "SELECT count(*) FROM not_judged WHERE site_id = 'R-3' OR day < DATE '2026-05-05'") == [(0,)]
    kept = "SELECT count(DISTINCT CAST(ts_local AS DATE)) FROM reading WHERE site_id = 'R-3'"
    assert ask(space, kept) == [(3,)]
    assert ask(space, "SELECT site_id, min(day) FROM site_day GROUP BY site_id ORDER BY ALL") == [
        ("R-1", date(2026, 5, 5)),
        ("R-2", date(2026, 5, 6)),
    ]


def test_what_detectors_look_back_on_begins_with_commissioning() -> None:
    sites = pl.DataFrame({"site_id": ["A", "B"], "commissioned_on": [date(2026, 5, 5), None]})
    days = pl.DataFrame(
        {
            "site_id": ["A", "A", "B", "C"],
            "day": [date(2026, 5, 4), date(2026, 5, 5), date(2026, 5, 4), date(2026, 5, 5)],
        }
    )
    assert of_sites(days, sites).rows() == [("A", date(2026, 5, 5)), ("B", date(2026, 5, 4))]
    readings = days.select("site_id", ts_local=pl.col("day").cast(pl.Datetime("us")))
    assert of_sites(readings, sites)["site_id"].to_list() == ["A", "B"]
    heard = days.filter((pl.col("site_id") != "A") | (pl.col("day") >= date(2026, 5, 5)))
    assert of_sites(heard, sites).rows() == [("A", date(2026, 5, 5)), ("B", date(2026, 5, 4))]
    whole = heard.filter(pl.col("site_id") != "C")
    assert of_sites(whole, sites) is whole  # a new site that was never heard before costs no copy of the fleet


def test_a_device_that_was_taken_out_is_gone() -> None:
    rows = pl.DataFrame({"site_id": ["A", "A", "A", "B", "B"], "device_id": ["", "1", "2", "", "old"]})
    devices = pl.DataFrame({"site_id": ["A"], "device_id": ["1"]})
    assert of_devices(rows, devices).rows() == [("B", ""), ("A", "1")]


@pytest.mark.slow
def test_a_part_of_a_site_is_summed_up_as_a_part_and_not_judged(tmp_path: Path) -> None:
    """Two inverters of 10 kW, the second silent on the third day: the energies are those of the first alone."""
    space = desk.make(tmp_path / "desk", with_exports=False)
    rows = [row.split(",") for row in desk.SITES.splitlines()]
    sites = [rows[0], [*rows[1][:5], "20", *rows[1][6:]]]
    space.sites_file.write_text("".join(f"{','.join(row)}\n" for row in sites), encoding="utf-8")
    devices = "site_id,device_id,external_id\nR-1,A,R-1A\nR-1,B,R-1B\n"
    space.devices_file.write_text(devices, encoding="utf-8")
    last = desk.DAYS[-1]
    for day in desk.DAYS:
        for name in "AB" if day < last else "A":
            desk.write(space.inbox, f"R-1{name}", day, desk.lines(day, feeds_in=True))
    lived(space, last)
    own = "SELECT is_partial, readings, coverage_pct, pv_kwh, specific_yield_kwh_per_kwp FROM site_day ORDER BY day"
    told = ask(space, own)
    both_kwh = told[0][3]
    assert [row[0] for row in told] == [False, False, True]
    assert told[2] == (True, 96, 0.0, pytest.approx(both_kwh / 2), None)
    assert ask(space, f"SELECT count(*) FROM reading WHERE CAST(ts_local AS DATE) = DATE '{last}'") == [(0,)]
    about = f"site_id = 'R-1' AND day = DATE '{last}'"
    assert ask(space, f"SELECT kind, evidence->>'silent_name' FROM finding WHERE {about}") == [
        ("site-silent", "device B")
    ]
    unjudged = dict(ask(space, f"SELECT detector, code FROM not_judged WHERE {about}"))
    assert {unjudged[name] for name in ("underperformance", "string-loss", "balance-broken")} == {"device-silent"}
    assert "No readings arrive of device B" in (space.digests / str(last) / "digest.txt").read_text(encoding="utf-8")


def test_a_site_that_sends_nothing_is_not_taken_for_healthy(space: Workspace) -> None:
    for path in space.inbox.glob("R-1_*"):
        path.unlink()
    with opened(space, is_quiet=True) as run:
        result = cycle(run)
        publish(run)
    assert result.needs_person
    assert result.judged.sites_not_judged == ["R-1"]
    detectors = {name for (name,) in ask(space, "SELECT DISTINCT detector FROM not_judged WHERE site_id = 'R-1'")}
    assert {"clock", "underperformance"} <= detectors


def test_a_day_is_due_once_it_has_ended_everywhere(space: Workspace) -> None:
    with opened(space, is_quiet=True) as run:
        take_in(run)
        # 6 May ends in Vienna (CEST) at 22:00 UTC; three hours later it is due
        assert due_days(run.store, datetime(2026, 5, 7, 0, 59, tzinfo=UTC), 3) == list(desk.DAYS[:2])
        assert due_days(run.store, datetime(2026, 5, 7, 1, 0, tzinfo=UTC), 3) == list(desk.DAYS)


@few
def test_a_far_zone_holds_nobody_back_and_is_judged_once_its_day_is_over(tmp_path: Path) -> None:
    """Two sites in Vienna, one in Denver, eight hours behind: it may not feed the grid, and does."""
    space = desk.make(tmp_path / "desk", with_exports=False)
    denver = "R-3,Far Barn,39.7,-105.0,America/Denver,10,0,,I-1\n"
    space.sites_file.write_text(desk.SITES + denver, encoding="utf-8")
    day = desk.DAYS[-1]
    for site in ("R-1", "R-2", "R-3"):
        desk.write(space.inbox, site, day, desk.lines(day, feeds_in=True))
    in_vienna, in_denver = datetime(2026, 5, 7, 1, tzinfo=UTC), datetime(2026, 5, 7, 9, tzinfo=UTC)  # midnight + 3 h

    def judged(run: Opened, now: datetime) -> list[str]:
        days = due_days(run.store, now, 3)
        run_detectors.judge(run.store, days, now=now - timedelta(hours=3))
        return [site for (site,) in run.store.con.execute(
            "SELECT DISTINCT site_id FROM judged WHERE day = ? ORDER BY 1", [day]).fetchall()]  # fmt: skip

    with opened(space, is_quiet=True) as run:
        take_in(run)
        assert judged(run, in_vienna) == ["R-1", "R-2"]
        assert run.store.value("SELECT count(*) FROM finding WHERE site_id = 'R-3'") == 0
        before = run.store.frame("SELECT * FROM finding ORDER BY ALL")
        assert not before.is_empty()
        assert due_days(run.store, in_denver - timedelta(minutes=1), 3) == [], "nothing is due before it is over there"
        assert judged(run, in_denver) == ["R-1", "R-2", "R-3"]
        assert run.store.value("SELECT count(*) FROM finding WHERE site_id = 'R-3' AND kind = 'unexpected-export'") == 1
        assert run.store.frame("SELECT * FROM finding WHERE site_id <> 'R-3' ORDER BY ALL").equals(before)
        assert due_days(run.store, in_denver, 3) == []


def test_silent_days_are_judged_too() -> None:
    first = date(2026, 5, 1)
    day = [first + timedelta(days=n) for n in range(6)]
    assert with_silent_days([day[1]], day[2], day[4]) == [day[1], day[3], day[4]]
    assert with_silent_days([], None, day[4]) == [day[4]]
    assert with_silent_days(day[:2], None, day[4]) == day[:5]
    assert with_silent_days([day[1], day[5]], day[5], day[4]) == [day[1]]


@pytest.mark.slow
@few
def test_a_morning_without_any_export_is_a_morning(space: Workspace) -> None:
    lived(space, desk.DAYS[-1])
    lived(space, desk.DAYS[-1] + timedelta(days=1))
    assert (space.digests / "2026-05-07" / "digest.html").exists()
    assert ask(
        space, "SELECT count(*) FROM not_judged WHERE day = DATE '2026-05-07' AND detector = 'balance-broken'"
    ) == [(2,)]


def test_numbers_of_schema_files_are_used_once() -> None:
    numbers = [path.name[:3] for path in resources.folder("sql").glob("[0-9]*.sql")]
    assert len(numbers) == len(set(numbers))


def test_no_days_are_summed_up_at_once_on_both_sides_of_an_agreements_end() -> None:
    days = [date(2026, 5, n) for n in (1, 2, 3, 4, 7)]
    dirty = pl.DataFrame([{"site_id": site, "day": day} for day in days for site in "ab"])

    def together(ends: set[date]) -> list[list[int]]:
        return [sorted(one["day"].dt.day().unique()) for one in sum_up._chunks(dirty, ends)]

    assert together(set()) == [[1, 2, 3, 4], [7]]
    assert together({date(2026, 5, 2)}) == [[1, 2], [3, 4], [7]]


@few
def test_a_device_of_the_register_that_no_export_brings_is_told(space: Workspace) -> None:
    (space.root / "devices.csv").write_text("site_id,device_id,external_id\nR-1,A,R-1\nR-1,B,R-I\n", encoding="utf-8")
    lived(space)
    told = ask(
        space, "SELECT day, value, evidence->>'silent_name' FROM finding WHERE kind = 'site-silent' ORDER BY ALL"
    )
    assert told == [(day, 24.0 * n, "device B") for n, day in enumerate(desk.DAYS, 1) if n > 1]
    others = ask(space, "SELECT DISTINCT reason FROM not_judged WHERE site_id = 'R-1' AND detector = 'balance-broken'")
    assert others == [("one of its devices was silent, and what the others delivered is a part",)]


@few
def test_a_silent_site_whose_exports_cannot_be_read_says_so_and_sends_nobody(space: Workspace) -> None:
    (space.inbox / f"R-2_hourly_{desk.DAYS[2]}.csv").unlink()
    (space.inbox / "sub").mkdir()
    for name in ("a", "b"):
        desk.write(space.inbox / "sub", f"R-2_hourly_{name}", desk.DAYS[2], ["moment,power", "1,2"])
    with opened(space, is_quiet=True) as run:
        take_in(run)
    for note in space.quarantine.glob("*.reason.txt"):
        at = datetime(2026, 5, 7, 6, tzinfo=UTC).timestamp()
        os.utime(note, (at, at))
    lived(space)
    told = ask(space, "SELECT site_id, day, evidence->>'quarantined_count' FROM finding WHERE kind = 'site-silent'")
    assert told == [("R-2", desk.DAYS[2], "2")]
    assert ask(space, "SELECT count(*) FROM exception WHERE kind = 'site-silent'") == [(1,)]
    assert ask(space, "SELECT count(*) FROM revisit WHERE kind = 'site-silent'") == [(0,)]
    text = (space.digests / str(desk.DAYS[2]) / "digest.txt").read_text(encoding="utf-8")
    assert "cannot be read" in text and "from the desk; a visit only if" in " ".join(text.split())
    foot = " ".join(text[text.index("quarantined:") :].split())
    assert "quarantined: R-2_hourly_a_hourly" in foot and foot.count("1 more") == 1
