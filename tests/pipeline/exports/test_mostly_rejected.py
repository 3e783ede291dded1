"""A profile that no longer fits: its exports go to a person, and what was rejected is read again once it is fixed."""

from pathlib import Path

import pytest

from pipeline.commands.cli import main
from tests.pipeline.ingest.test_ingest import MORNING, pv_of, zipped
from tests.support.fleet import PROFILES, Fleet, roof, sunny, table

pytestmark = pytest.mark.usefixtures("no_detectors")

GERMAN = PROFILES["roof"].replace("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def test_an_export_whose_stamps_no_longer_fit_is_quarantined_and_read_once_fixed(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, profiles={"roof": GERMAN})
    text = roof(sunny())
    fleet.drop("S1_roof_a.csv", text)
    assert main(["--workspace", str(tmp_path), "ingest"]) == 1
    assert fleet.ledger() == {} and fleet.files("archive") == []
    assert "96 of 96 rows" in fleet.reason("S1_roof_a.csv") and "%d.%m.%Y" in fleet.reason("S1_roof_a.csv")
    assert fleet.value("SELECT count(*) FROM rejected_row") == 0
    fleet.profile("roof", PROFILES["roof"])
    fleet.drop("S1_roof_a.csv", text)
    assert fleet.take_in().needs_person is False and fleet.ledger() == {"S1_roof_a.csv": (96, 96, 0, 0, 0)}


@pytest.mark.parametrize(("bad", "is_refused"), [(2, False), (3, True)])
def test_half_of_the_rows_may_be_bad_and_no_more(fleet: Fleet, bad: int, is_refused: bool) -> None:
    rows = [(stamp, "x" if n < bad else 1, 4) for n, stamp in enumerate(MORNING)]
    fleet.drop("S1_roof_a.csv", roof(rows))
    assert fleet.take_in().needs_person is is_refused
    assert fleet.ledger() == ({} if is_refused else {"S1_roof_a.csv": (4, 2, 0, 0, 2)})


def test_rows_of_other_firms_sites_do_not_count(fleet: Fleet) -> None:
    rows = [(site, stamp, 5) for stamp in MORNING for site in ("S1", "elsewhere-1", "elsewhere-2", "elsewhere-3")]
    fleet.drop("meter_a.csv", table("site,t,grid", rows))
    assert fleet.take_in().needs_person is False and fleet.ledger() == {"meter_a.csv": (16, 4, 0, 0, 12)}


def test_one_bad_member_of_a_zip_is_refused_alone(fleet: Fleet) -> None:
    bad = roof([(stamp, "x", 4) for stamp in MORNING])
    good = roof([(stamp, 1, 4) for stamp in MORNING])
    fleet.drop("night.zip", zipped(**{"S1_roof_a.csv": bad, "S2_roof_a.csv": good}))
    result = fleet.take_in()
    assert [place for place, _ in result.quarantined] == ["night.zip/S1_roof_a.csv"]
    assert fleet.ledger() == {"night.zip/S2_roof_a.csv": (4, 4, 0, 0, 0)}
    assert (fleet.space.quarantine / "S1_roof_a.csv").read_text() == bad


def test_a_file_dropped_again_is_read_again_for_its_rejected_rows(fleet: Fleet) -> None:
    """One row's comma decimals were rejected; with the value named as missing, the row is taken in."""
    text = roof([(MORNING[0], 1, 4), (MORNING[1], 2, 4), (MORNING[2], "broken", 4), (MORNING[3], 4, 4)])
    fleet.drop("S1_roof_a.csv", text)
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (4, 3, 0, 0, 1)}
    fleet.drop("S1_roof_b.csv", text)
    assert fleet.take_in().copies == ["S1_roof_b.csv"]  # nothing was fixed: as before
    fleet.profile("roof", PROFILES["roof"].replace("[site]", '[csv]\nmissing = ["", "broken"]\n[site]'))
    fleet.drop("S1_roof_a.csv", text)
    assert fleet.take_in().copies == []
    counts = fleet.ask("SELECT export_id, rows_read, rows_stored, rows_unchanged, rows_rejected FROM export_file")
    assert sorted(counts) == [(1, 4, 3, 0, 1), (2, 4, 1, 3, 0)]
    assert pv_of(fleet) == [1, 2, None, 4] and fleet.files("inbox") == []
    fleet.drop("S1_roof_a.csv", text)
    assert fleet.take_in().copies == ["S1_roof_a.csv"]
    assert len(fleet.files("archive")) == 2
