"""What must not stop a run, and what must: folders and files that resist, profiles that are gone, own folders."""

import errno
import os
import shutil
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.digest import to_text
from pipeline.errors import InvalidInputError, NoonmarkError
from pipeline.ingest import archive, arrivals, quarantine
from pipeline.ingest.quarantine import quarantined
from tests.pipeline.ingest.test_ingest import MORNING, pv_of, quarter_hours
from tests.support.fleet import DAY, Fleet, roof, sunny, table


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def test_a_folder_that_cannot_be_read_is_skipped_and_told(fleet: Fleet, monkeypatch, capsys) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    fleet.drop("locked/S2_roof_a.csv", quarter_hours(1, 2))
    known = os.scandir

    def refusing(path):
        if Path(path).name == "locked":
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return known(path)

    with monkeypatch.context() as locked:
        locked.setattr(arrivals.os, "scandir", refusing)
        assert main(["--workspace", str(fleet.space.root), "ingest"]) == 1
    assert "locked" in (said := capsys.readouterr().err) and "Permission denied" in said
    assert fleet.ledger().keys() == {"S1_roof_a.csv"} and fleet.files("inbox") == ["locked/S2_roof_a.csv"]


@pytest.mark.usefixtures("only_stored")
def test_a_file_that_cannot_be_moved_is_taken_in_once_and_told_each_time(fleet: Fleet, monkeypatch) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    fleet.drop("S2_roof_a.csv", quarter_hours(1, 2))
    fleet.drop("S9_roof_a.csv", quarter_hours(1, 2))  # no such site: its way leads to quarantine
    known = arrivals.hand_over

    def refusing(arrival, target):
        if arrival.name != "S2_roof_a.csv":
            raise PermissionError(errno.EPERM, "Operation not permitted", str(arrival.path))
        known(arrival, target)

    with monkeypatch.context() as locked:
        for room in (archive, quarantine):
            locked.setattr(room, "hand_over", refusing)
        for _ in range(2):
            result = fleet.take_in()
            assert result.needs_person and {place for place, _ in result.skipped} == {"S1_roof_a.csv", "S9_roof_a.csv"}
    assert fleet.ledger() == {"S1_roof_a.csv": (2, 2, 0, 0, 0), "S2_roof_a.csv": (2, 2, 0, 0, 0)}
    result = fleet.take_in()
    assert result.skipped == [] and fleet.files("inbox") == [] and pv_of(fleet) == [1, 2]


def test_without_profiles_nothing_is_moved(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    shutil.move(fleet.space.profiles, fleet.space.root / "away")
    with pytest.raises(NoonmarkError, match="no profile") as refused:
        fleet.take_in()
    assert refused.value.exit_status == 2
    assert fleet.files("inbox") == ["S1_roof_a.csv"] and fleet.files("quarantine") == []


def test_a_profile_that_cannot_be_read_refuses_the_run(fleet: Fleet) -> None:
    """A link whose target is gone, as after a moved share: its exports would go to quarantine one by one."""
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    (fleet.space.profiles / "roof.toml").unlink()
    (fleet.space.profiles / "roof.toml").symlink_to(fleet.space.root / "gone.toml")
    with pytest.raises(InvalidInputError) as refused:
        fleet.take_in()
    assert "roof.toml" in str(refused.value.faults[0])
    assert fleet.files("inbox") == ["S1_roof_a.csv"] and fleet.files("quarantine") == []


@pytest.mark.usefixtures("only_stored")
@pytest.mark.parametrize("note", ["kaputt: Zähler".encode("latin-1"), "broken".encode("utf-16")])
def test_a_note_in_another_encoding_is_shown_as_far_as_it_can_be_read(fleet: Fleet, note: bytes) -> None:
    fleet.take_in()
    (fleet.space.quarantine / "a.csv").write_text("x")
    (fleet.space.quarantine / "a.csv.reason.txt").write_bytes(note)
    ((file, reason),) = quarantined(fleet.space)
    assert file == "a.csv" and ("kaputt" in reason or "broken" in reason)
    assert main(["--workspace", str(fleet.space.root), "status"]) in (0, 1)


@pytest.mark.usefixtures("only_stored")
@pytest.mark.parametrize("folder", ["archive", "quarantine", "reader", "profiles", ".", "sites.csv", "noonmark.duckdb"])
def test_the_workspaces_own_files_and_folders_are_refused(fleet: Fleet, folder: str) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    fleet.take_in()
    with pytest.raises(NoonmarkError, match="own files are not exports"):
        fleet.take_in(fleet.space.root / folder)
    assert fleet.take_in(fleet.space.inbox).copies == []


@pytest.mark.usefixtures("few_detectors_here")
def test_a_number_beyond_any_quantity_costs_its_cell_and_sums_stay_finite(fleet: Fleet) -> None:
    values = {"S1": "1e308", "S2": "-1e300", "S3": "2e12"}
    for site, value in values.items():
        rows = [(stamp, value if n == 50 else pv, load, 230) for n, (stamp, pv, load) in enumerate(sunny())]
        fleet.drop(f"{site}_roof_a.csv", table("t,pv,load,v", rows))
    fleet.cycle()
    for site, value in values.items():
        assert fleet.ledger()[f"{site}_roof_a.csv"] == (96, 96, 0, 0, 0)
        cells = "SELECT column_name, value, reason FROM rejected_cell JOIN export_file USING (export_id)"
        ((column, found, reason),) = fleet.ask(f"{cells} WHERE starts_with(path, ?)", [site])
        assert (column, found) == ("pv", value) and reason.startswith("larger than")
        of_site = f"FROM site_day WHERE site_id = '{site}'"
        assert fleet.value(f"SELECT isfinite(sum(pv_kwh)) {of_site}")
        assert fleet.value(f"SELECT sum(pv_kwh) {of_site} AND day = '{DAY}'") < 100


@pytest.mark.usefixtures("only_stored")
def test_a_long_exports_huge_value_costs_its_cell(fleet: Fleet) -> None:
    lines = [f'{{"site": "S1", "t": "{stamp}", "what": "soc", "value": 50}}' for stamp in MORNING]
    lines.append(f'{{"site": "S1", "t": "{MORNING[0]}", "what": "battery", "value": 1e308}}')
    fleet.drop("a.ndjson", "\n".join([*lines, ""]))
    fleet.take_in()
    assert fleet.ledger() == {"a.ndjson": (5, 5, 0, 0, 0)}
    assert fleet.ask("SELECT count(*), count(battery_w) FROM reading_raw") == [(4, 0)]


@pytest.mark.slow
@pytest.mark.usefixtures("few_detectors_here")
def test_many_equal_errors_are_one_line(fleet: Fleet, capsys) -> None:
    for number in range(190):
        fleet.drop(f"strange_{number:03}.bin", f"{number}")
    assert main(["--workspace", str(fleet.space.root), "ingest"]) == 1
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("noonmark: ")]
    assert len(lines) == 1 and "189 more files" in lines[0]
    fleet.drop("S1_roof_a.csv", roof(sunny()))
    facts = fleet.cycle().facts
    assert facts is not None
    assert [(one.file, one.count) for one in facts.ingest.quarantined] == [("strange_000.bin", 190)]
    assert to_text(facts).count("strange_000.bin and 189 more") == 1


def test_the_sunny_day_is_still_taken_in_whole(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", roof(sunny()))
    assert fleet.take_in().needs_person is False
