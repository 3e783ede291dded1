"""Uploads that pause: what is written after the file was taken in is taken in too."""

import os
import time
from pathlib import Path

import pytest

from pipeline.config.settings import Settings
from tests.pipeline.ingest.test_ingest import pv_of, zipped
from tests.support.fleet import Fleet, roof, sunny

TEXT = roof(sunny())
HALF = TEXT[: TEXT.index("\n", len(TEXT) // 2) + 1]

pytestmark = pytest.mark.usefixtures("only_stored")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def test_by_default_a_file_waits_until_it_was_left_alone_for_a_minute(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, settings="")
    path = fleet.drop("S1_roof_a.csv", HALF)
    os.utime(path, (time.time() - 30,) * 2)
    assert Settings().ingest.settle_s == 60 and fleet.take_in().still_written == ["S1_roof_a.csv"]
    os.utime(path, (time.time() - 90,) * 2)
    assert fleet.take_in().files == 1


@pytest.mark.parametrize("name", ["S1_roof_a.csv", "deep/S1_roof_a.csv"])
def test_an_export_that_grows_after_it_was_archived_is_taken_in_whole(fleet: Fleet, name: str) -> None:
    fleet.drop(name, HALF)
    with (fleet.space.inbox / name).open("a") as writer:
        fleet.take_in()
        (kept,) = fleet.space.archive.rglob("*.csv")
        writer.write(TEXT[len(HALF) :])
        writer.flush()
        result = fleet.take_in()
    assert [note for note in result.notes if "was written to after" in note[1]]
    assert len(pv_of(fleet)) == 96 and kept.read_text() == HALF
    assert sorted(path.read_text() for path in fleet.space.archive.rglob("*.csv")) == sorted([HALF, TEXT])
    rows = fleet.ask("SELECT rows_read, rows_stored, rows_unchanged FROM export_file ORDER BY export_id")
    half = HALF.count("\n") - 1
    assert rows == [(half, half, 0), (96, 96 - half, half)] and fleet.files("inbox") == []
    assert fleet.take_in().files == 0 and len(fleet.files("archive")) == 2


def test_what_is_written_after_the_file_came_back_follows_too(fleet: Fleet) -> None:
    """Three pieces of one upload, a run after each: the writer holds the same file all the time."""
    third = TEXT.index("\n", len(TEXT) // 3) + 1
    fleet.drop("S1_roof_a.csv", TEXT[:third])
    with (fleet.space.inbox / "S1_roof_a.csv").open("a") as writer:
        for start, end in ((third, 2 * third), (2 * third, len(TEXT))):
            fleet.take_in()
            writer.write(TEXT[start:end])
            writer.flush()
        fleet.take_in()
    assert len(pv_of(fleet)) == 96


def test_a_file_that_was_rewritten_in_the_archive_is_read_once_more_and_not_for_ever(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", HALF)
    fleet.take_in()
    (kept,) = fleet.space.archive.rglob("*.csv")
    kept.write_text(TEXT.replace("400", "500"))
    fleet.take_in()
    assert fleet.value("SELECT max(load_w) FROM reading_raw") == 500
    before = fleet.files("archive")
    assert fleet.take_in().files == 0 and fleet.files("archive") == before


def test_an_untouched_archive_stays_as_it_is(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", TEXT)
    fleet.drop("night.zip", zipped(**{"S2_roof_a.csv": TEXT, "S3_roof_a.csv": HALF}))
    fleet.take_in()
    before = fleet.files("archive")
    for _ in range(2):
        assert fleet.take_in().notes == [] and fleet.files("archive") == before
