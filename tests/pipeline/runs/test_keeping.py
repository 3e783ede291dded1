"""What grows old goes, and nothing else: pictures of exceptions long closed, digests of days long past."""

import json
import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from pipeline.runs.keeping import keep
from pipeline.store import reader
from tests.support import desk
from tests.support.fleet import Fleet

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]

LAST = desk.DAYS[-1]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """R-2 feeds in on three days, which are judged one by one."""
    space = desk.make(tmp_path_factory.mktemp("keeping") / "desk")
    fleet = Fleet.of(space.root)
    for day in desk.DAYS:
        fleet.cycle(day=day)
    return space.root


@pytest.fixture
def fleet(made: Path, tmp_path: Path) -> Fleet:
    return Fleet.of(shutil.copytree(made, tmp_path / "desk"))


def series(fleet: Fleet) -> list[bool]:
    """Of each day's finding of feed-in, whether it can be drawn."""
    rows = fleet.ask("SELECT evidence FROM finding WHERE kind = 'unexpected-export' ORDER BY day")
    return ["series" in json.loads(evidence) for (evidence,) in rows]


def kept(fleet: Fleet, settings: str) -> list[str]:
    fleet.space.settings_file.write_text(f"[ingest]\nsettle_s = 0\n[keep]\n{settings}\n", encoding="utf-8")
    with fleet.run() as run:
        return keep(run)


def test_pictures_of_an_exception_that_is_not_closed_stay(fleet: Fleet) -> None:
    assert series(fleet) == [True, True, True]
    assert kept(fleet, "evidence_days = 1") == []
    assert series(fleet) == [True, True, True]


def test_of_one_that_was_closed_long_ago_the_figures_stay(fleet: Fleet) -> None:
    before = fleet.ask("SELECT value, loss_kwh, summary FROM finding ORDER BY ALL")
    with fleet.run() as run:
        closed = LAST - timedelta(days=1)
        run.store.con.execute("UPDATE exception SET status = 'closed', closed_on = ?, last_day = ?", [closed, closed])
    assert kept(fleet, "evidence_days = 3650") == []
    assert kept(fleet, "evidence_days = 1") == []  # closed a day ago: not before
    with fleet.run() as run:
        run.store.con.execute("UPDATE exception SET closed_on = ?", [desk.DAYS[0]])
    assert kept(fleet, "evidence_days = 1") == ["pictures of 1 old finding removed"]
    assert series(fleet) == [False, True, True]
    assert fleet.ask("SELECT value, loss_kwh, summary FROM finding ORDER BY ALL") == before
    assert kept(fleet, "evidence_days = 1") == []
    fleet.cycle(day=LAST)
    shown = reader.ask(fleet.space.reader, "SELECT evidence FROM finding WHERE kind = 'unexpected-export' ORDER BY day")
    assert ["series" in json.loads(text) for text in shown["evidence"]] == [False, True, True]


def test_digests_of_earlier_days_go_and_the_list_says_so(fleet: Fleet) -> None:
    (fleet.space.digests / "2020-01-01").mkdir()  # somebody's own folder, which holds no digest
    assert kept(fleet, "digests_days = 1") == ["digests of 1 day removed"]
    folders = sorted(path.name for path in fleet.space.digests.iterdir() if path.is_dir())
    assert folders == ["2020-01-01", str(desk.DAYS[1]), str(LAST)]
    index = (fleet.space.digests / "index.html").read_text(encoding="utf-8")
    assert str(desk.DAYS[0]) not in index and str(desk.DAYS[1]) in index
