"""The history made again from the archive is the history."""

import shutil
from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import NoonmarkError, WorkspaceBusyError
from pipeline.ingest.ingest import IngestResult
from pipeline.runs import clock_corrections, decisions, session
from pipeline.runs import rebuild as rebuilding
from pipeline.store import reader
from pipeline.workspace.lock import locked
from tests.pipeline.ingest.test_ingest import quarter_hours, zipped
from tests.support.fleet import DAY, Fleet, differences, roof, stamps, sunny, table
from tests.support.snapshot import Snapshot

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]


@pytest.fixture
def lived(template: Snapshot) -> Fleet:
    """The template, to do with as one likes."""
    return Fleet.of(template.restored())


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    """A workspace in which a good deal has happened: corrections, overlaps, zips, devices, bad rows, decisions."""
    root = tmp_path_factory.mktemp("lived") / "desk"
    fleet = Fleet(root, 4, devices=[("S4", "A"), ("S4", "B")])
    for site in ("S1", "S2", "S3"):
        fleet.drop(f"{site}_roof_10.csv", roof(sunny()))
    fleet.cycle(is_published=False)
    # of two profiles in one batch, each with a say on one instant: the order of arrival decides
    overlap = [("S1", stamp, 5) for stamp in stamps(8)]
    fleet.drop("meter_1.csv", table("site,t,grid", overlap))
    fleet.drop("deep/S1_roof_2.csv", quarter_hours(7, 8, 9) + "2026-03-10 01:00,x,1,1\n")
    fleet.drop("S2_roof_single.csv", roof([("2026-03-11 00:00", 3, 3)]))
    fleet.drop("night.zip", zipped(**{
        "meter_2.csv": table("site,t,grid", [("S1", stamp, 6) for stamp in stamps(8)]),
        "S3_roof_z.csv": quarter_hours(1, 1, 1), "S3_roof_bad.csv": "a,b\n",
        "S4A_roof_z.csv": quarter_hours(2, 2, 2), "S4B_roof_z.csv": quarter_hours(3, 3, 3),
    }))  # fmt: skip
    fleet.drop("S1_roof_copy.csv", roof(sunny()))
    fleet.take_in()
    fleet.drop("meter_3.csv", table("site,t,grid", [("S1", stamp, 5) for stamp in stamps(4)]))
    fleet.cycle()
    with fleet.run() as run:
        (exception, *_) = run.store.con.execute("SELECT exception_id FROM exception ORDER BY ALL").fetchall()
        decisions.decide(run, exception[0], "acknowledge", until=None, note="seen")
        clock_corrections.retime(run, "S2", shift_min=-30, first=DAY, last=DAY)
        session.publish(run)
    return Snapshot(root)


@pytest.fixture(scope="module")
def made_again(template: Snapshot) -> tuple[Snapshot, IngestResult]:
    """The template after a rebuild, beside it, and what the rebuild did."""
    fleet = Fleet.of(Path(shutil.copytree(template.restored(), template.root.with_name("made-again"))))
    result = fleet.rebuild()
    return Snapshot(fleet.space.root), result


def test_a_rebuild_gives_the_identical_history(lived: Fleet, made_again: tuple[Snapshot, IngestResult]) -> None:
    before, times = lived.history(), lived.ask("SELECT export_id, taken_in_at FROM export_file ORDER BY ALL")
    archive, runs = lived.files("archive"), lived.ask("SELECT run_id, job FROM run ORDER BY ALL")
    readings = reader.ask(lived.space.reader, "FROM reading ORDER BY ALL")
    assert before["finding"] and before["decision"] and before["clock_shift"] and before["rejected_row"]
    lived, result = Fleet.of(made_again[0].restored()), made_again[1]
    assert differences(before, lived.history()) == {}
    assert lived.ask("SELECT export_id, taken_in_at FROM export_file ORDER BY ALL") == times
    assert lived.ask("SELECT run_id, job FROM run ORDER BY ALL") == runs
    assert lived.files("archive") == archive and result.rows_read == sum(c[0] for c in lived.ledger().values())
    assert reader.ask(lived.space.reader, "FROM reading ORDER BY ALL").equals(readings)
    assert not list(lived.space.root.glob("*rebuilding*"))


def test_a_rebuild_in_other_batches_is_the_same(lived: Fleet) -> None:
    before = lived.history()
    lived.space.settings_file.write_text("[ingest]\nsettle_s = 0\nbatch_files = 1\n")
    lived.rebuild()
    assert differences(before, lived.history()) == {}


def test_a_rebuild_without_the_old_history_gives_the_readings(lived: Fleet) -> None:
    """With its copy gone too: what people decided comes from its log, and days are judged by the next cycle."""
    before = lived.history()
    lived.space.database.unlink()
    lived.space.copy.unlink()
    lived.rebuild()
    after = lived.history()
    for name in ("reading_raw", "export_file", "rejected_row", "rejected_cell", "feature_daylight", "known_interval"):
        assert after[name] == before[name], name
    expectation = ("expected_kwh", "judged_kwh", "performance_pct")
    columns = [name for (name,) in lived.ask("SELECT column_name FROM (DESCRIBE site_day)")]
    kept = [n for n, name in enumerate(columns) if name not in expectation]
    counted = columns.index("readings")  # a day without any has its row since it was judged
    pick = [[tuple(row[n] for n in kept) for row in one["site_day"] if row[counted]] for one in (before, after)]
    assert pick[0] == pick[1]
    for name in ("decision", "clock_shift", "clock_shift_span"):
        assert after[name] == before[name] != [], name
    assert after["judged"] == []
    lived.cycle()
    assert {row[:3] for row in lived.history()["finding"]} == {row[:3] for row in before["finding"]}


def test_life_goes_on_after_a_rebuild(made_again: tuple[Snapshot, IngestResult]) -> None:
    lived = Fleet.of(made_again[0].restored())
    number = lived.value("SELECT max(export_id) FROM export_file")
    lived.drop("S1_roof_11.csv", roof(sunny(date(2026, 3, 11))))
    lived.drop("S1_roof_10.csv", roof(sunny()))
    result = lived.cycle().taken_in
    assert (result.files, result.copies) == (1, ["S1_roof_10.csv"])
    assert lived.value("SELECT max(export_id) FROM export_file") == number + 1
    assert lived.value("SELECT count(*) = count(DISTINCT run_id) FROM run")


def test_days_that_were_judged_though_nothing_arrived_are_judged_again(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, 1)
    fleet.drop("S1_roof_a.csv", roof(sunny()))
    fleet.cycle(day=date(2026, 3, 12))
    before = fleet.history()
    assert before["judged"][-1][1] == date(2026, 3, 12)
    assert fleet.value("SELECT max(day) FROM site_day WHERE readings > 0") < date(2026, 3, 12)
    fleet.rebuild()
    assert differences(before, fleet.history()) == {}


def test_a_rebuild_that_ends_early_leaves_the_old_history(lived: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    before, shown = lived.history(), reader.ask(lived.space.reader, "FROM reading ORDER BY ALL")
    for step in ("sum_up", "_judge_again", "_keep"):
        with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
            patch.setattr(rebuilding, step, lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
            lived.rebuild()
        assert differences(before, lived.history()) == {}
        assert reader.ask(lived.space.reader, "FROM reading ORDER BY ALL").equals(shown)
    lived.rebuild()  # and the leftovers are in nobody's way
    assert differences(before, lived.history()) == {}


def test_a_rebuild_stopped_before_its_reader_is_published_is_made_up_for(lived: Fleet, monkeypatch) -> None:
    before, shown = lived.history(), reader.ask(lived.space.reader, "FROM reading ORDER BY ALL")
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(rebuilding, "publish", lambda _: (_ for _ in ()).throw(KeyboardInterrupt))
        lived.rebuild()
    assert differences(before, lived.history()) == {}
    assert reader.ask(lived.space.reader, "FROM reading ORDER BY ALL").equals(shown)
    lived.cycle()
    assert reader.ask(lived.space.reader, "FROM reading ORDER BY ALL").equals(shown)


def test_an_old_history_that_cannot_be_read_is_not_thrown_away(lived: Fleet) -> None:
    lived.space.database.write_bytes(b"no database" * 1000)
    lived.space.copy.unlink()
    lived.space.decision_log.unlink()
    with pytest.raises(NoonmarkError, match="decisions and corrections would be lost"):
        lived.rebuild()
    assert lived.space.database.read_bytes().startswith(b"no database")


@pytest.mark.usefixtures("only_stored")
def test_the_order_is_that_of_arrival_even_if_the_clock_went_back(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, 1)
    fleet.drop("S1_roof_first.csv", quarter_hours(1, 1, 1))
    fleet.take_in()
    fleet.drop("S1_roof_corrected.csv", quarter_hours(2, 2, 2))
    fleet.take_in()
    (first,) = fleet.space.archive.rglob("*first.csv")
    later = fleet.space.archive / "2199-01" / first.name  # as if the second had come while the clock stood years back
    later.parent.mkdir()
    first.replace(later)
    before = fleet.history()["reading_raw"]
    fleet.rebuild()
    assert fleet.history()["reading_raw"] == before


def test_two_rebuilds_do_not_meet(lived: Fleet) -> None:
    unfinished = lived.space.root / "noonmark.rebuilding.duckdb"
    unfinished.write_text("another run's")
    with locked(lived.space), pytest.raises(WorkspaceBusyError):
        lived.rebuild()
    assert unfinished.read_text() == "another run's"


@pytest.mark.usefixtures("only_stored")
def test_a_mended_profile_is_made_good_by_a_rebuild(tmp_path: Path) -> None:
    """One value could not be read; named as missing in the profile, the archive gives its row after all."""
    fleet = Fleet(tmp_path)
    rows = [(stamp, 3, "broken" if n == 2 else 3) for n, stamp in enumerate(stamps(4))]
    fleet.drop("S1_roof_a.csv", roof(rows))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (4, 3, 0, 0, 1)}
    text = (fleet.space.profiles / "roof.toml").read_text()
    fleet.profile("roof", text.replace("[site]", '[csv]\nmissing = ["", "broken"]\n[site]'))
    fleet.rebuild()
    assert fleet.ledger() == {"S1_roof_a.csv": (4, 4, 0, 0, 0)}
    assert fleet.ask("SELECT load_w FROM reading_raw ORDER BY ts_utc") == [(3.0,), (3.0,), (None,), (3.0,)]
