"""Files that cannot be taken in: one clear line, a kept file, and no other file held up."""

import gzip
import os
import zipfile
from io import BytesIO
from pathlib import Path

import pytest

from pipeline.errors import NoonmarkError
from pipeline.exports.opening import read_export
from pipeline.ingest import ingest, pieces
from pipeline.ingest.unread import unread_files
from tests.pipeline.ingest.test_ingest import MORNING, pv_of, quarter_hours, zipped
from tests.support.fleet import PROFILES, Fleet, table

pytestmark = pytest.mark.usefixtures("only_stored")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


BAD = {
    "S9_roof_a.csv": (quarter_hours(1, 2), "S9"),  # no such site
    "S1_roof_a.csv": ("a;b;c\n1;2;3\n", "t"),  # another header
    "S1_roof_b.csv": ("", "empty"),
    "S1_roof_c.csv": ("t,pv,load,v\n".encode("utf-16"), "utf-8"),
    "S1_roof_g.csv": (b"t,pv,load,v\n2026-03-10 00:00,1,4,\xff\xfe\xff\n" * 2, "utf-8"),
    "strange.xlsx": (b"PK\x05\x06" + b"\0" * 18, "no profile matches"),
    "S1_roof_d.zip": (b"PK\x03\x04 and then nothing of a zip", "zip"),
    "S1_roof_e.csv.gz": (b"\x1f\x8b\x08\x00broken", "ends before its first byte"),
    "S1_roof_f.zip": (zipped(**{"inner.zip": zipped(**{"S1_roof_x.csv": quarter_hours(1, 2)})}), "zip inside a zip"),
    "empty.zip": (zipped(), "no file"),
}


def test_files_that_cannot_be_read_are_kept_with_their_reason(fleet: Fleet) -> None:
    for name, (content, _) in BAD.items():
        fleet.drop(name, content)
    fleet.drop("S1_roof_good.csv", quarter_hours(1, 2, 3))
    result = fleet.take_in()
    assert result.needs_person and result.files == 1 and pv_of(fleet) == [1, 2, 3]
    assert {name.partition("/")[0] for name, _ in result.quarantined} == BAD.keys()  # one is a zip's member
    for name, (content, said) in BAD.items():
        kept = (fleet.space.quarantine / name).read_bytes()
        assert kept == (content.encode() if isinstance(content, str) else content)
        assert said in fleet.reason(name), name
        assert f"put the file back as inbox/{name}" in fleet.reason(name)
    assert fleet.files("inbox") == []
    assert fleet.ledger().keys() == {"S1_roof_good.csv"}


def test_two_profiles_that_match_leave_the_file_to_a_person(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, profiles={"one": PROFILES["meter"], "two": PROFILES["meter"]})
    fleet.drop("meter_a.csv", table("site,t,grid", [("S1", MORNING[0], 1)]))
    fleet.take_in()
    assert "profiles one and two both fit this file" in fleet.reason("meter_a.csv")


def test_a_zip_with_one_bad_member_gives_the_others(fleet: Fleet) -> None:
    content = zipped(**{
        "S1_roof_a.csv": quarter_hours(1, 2, 3), "sub/S2_roof_a.csv": quarter_hours(4, 5, 6),
        "S3_roof_a.csv": "not,this,header\n1,2,3\n", "meter_a.csv": table("site,t,grid", [("S1", MORNING[0], 8)]),
    })  # fmt: skip
    fleet.drop("night.zip", content)
    result = fleet.take_in()
    assert result.quarantined[0][0] == "night.zip/S3_roof_a.csv" and len(result.quarantined) == 1
    assert (pv_of(fleet, "S1"), pv_of(fleet, "S2"), pv_of(fleet, "S3")) == ([1, 2, 3], [4, 5, 6], [])
    assert (fleet.space.quarantine / "S3_roof_a.csv").read_text() == "not,this,header\n1,2,3\n"
    assert "from: night.zip/S3_roof_a.csv" in fleet.reason("S3_roof_a.csv")
    archived = {place for (place,) in fleet.ask("SELECT archived_as FROM export_file")}
    assert [path.name for path in fleet.space.archive.rglob("*.zip")] == [Path(archived.pop()).name] and not archived
    # fixed and put back under its own name, the member is an export like any other
    (fleet.space.quarantine / "S3_roof_a.csv").unlink()
    fleet.drop("S3_roof_a.csv", quarter_hours(7, 8, 9))
    assert fleet.take_in().quarantined == [] and pv_of(fleet, "S3") == [7, 8, 9]


def test_names_inside_a_zip_lead_nowhere(fleet: Fleet, tmp_path: Path) -> None:
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("../../S1_roof_a.csv", quarter_hours(1, 2, 3))
        archive.writestr("/etc/S2_roof_a.csv", "not,this,header\n")
        archive.writestr("..\\..\\S3_roof_b.csv", "not,this,header\n")
        archive.writestr("..", "not,this,header\n")
    fleet.drop("evil.zip", out.getvalue())
    before = {path for path in tmp_path.parent.rglob("*") if not path.is_relative_to(tmp_path)}
    fleet.take_in()
    assert pv_of(fleet) == [1, 2, 3]
    assert {path for path in tmp_path.parent.rglob("*") if not path.is_relative_to(tmp_path)} == before
    assert {"S2_roof_a.csv", "S3_roof_b.csv"} <= set(fleet.files("quarantine"))
    assert not any("/" in name for name in fleet.files("quarantine"))


@pytest.mark.parametrize("ending", ["zip", "gz"])
def test_a_bomb_stays_packed(tmp_path: Path, ending: str) -> None:
    fleet = Fleet(tmp_path, settings="[ingest]\nsettle_s = 0\nmax_export_mib = 1\n")
    bomb = b"0" * (3 * 2**20)
    name = f"S1_roof_a.csv.{ending}"
    fleet.drop(name, zipped(**{"S1_roof_a.csv": bomb}) if ending == "zip" else gzip.compress(bomb))
    fleet.take_in()
    assert "max_export_mib" in fleet.reason(name)
    assert sum(path.stat().st_size for path in fleet.space.quarantine.iterdir()) < 2**20


def test_links_and_hidden_files_are_passed_over(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (outside / "S1_roof_a.csv").write_text(quarter_hours(1, 2, 3))
    (fleet.space.inbox / "S1_roof_link.csv").symlink_to(outside / "S1_roof_a.csv")
    (fleet.space.inbox / "linked").symlink_to(outside)
    fleet.drop(".S1_roof_upload.csv", quarter_hours(1, 2, 3))
    fleet.drop(".partial/S1_roof_b.csv", quarter_hours(1, 2, 3))
    result = fleet.take_in()
    assert result.files == 0 and result.quarantined == [] and len(result.links) == 2
    assert (outside / "S1_roof_a.csv").exists() and fleet.value("SELECT count(*) FROM reading_raw") == 0


def test_a_file_that_grows_while_it_is_read_stays_and_loses_nothing(fleet: Fleet, monkeypatch) -> None:
    path = fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))

    def read_and_grow(*given, **named):
        parts = read_export(*given, **named)
        path.write_text(quarter_hours(1, 2, 3, 4))
        return parts

    monkeypatch.setattr(pieces, "read_export", read_and_grow)
    first = fleet.take_in()
    monkeypatch.undo()
    assert first.still_written == ["S1_roof_a.csv"] and fleet.files("inbox") == ["S1_roof_a.csv"]
    fleet.take_in()
    assert pv_of(fleet) == [1, 2, 3, 4] and fleet.files("inbox") == []


def test_a_file_that_goes_away_is_no_fault(fleet: Fleet, monkeypatch) -> None:
    path = fleet.drop("S1_roof_a.csv", quarter_hours(1, 2))
    fleet.drop("S2_roof_a.csv", quarter_hours(1, 2))
    monkeypatch.setattr(ingest, "batches", lambda ordered, *_: [path.unlink() or ordered])
    result = fleet.take_in()
    assert result.quarantined == [] and fleet.ledger().keys() == {"S2_roof_a.csv"}


def test_an_unforeseen_failure_holds_up_no_other_file(fleet: Fleet, monkeypatch) -> None:
    normalise = ingest.normalise

    def fail_on_one(parts, *given, **named):
        if any(b"13" in part.data for part in parts):
            raise OverflowError("a bug")
        return normalise(parts, *given, **named)

    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.drop("S1_roof_b.csv", quarter_hours(13, 2, 3))
    fleet.drop("S2_roof_c.csv", quarter_hours(4, 5, 6))
    monkeypatch.setattr(ingest, "normalise", fail_on_one)
    result = fleet.take_in()
    assert [file for file, _ in result.quarantined] == ["S1_roof_b.csv"]
    assert "OverflowError: a bug" in fleet.reason("S1_roof_b.csv")
    assert (pv_of(fleet, "S1"), pv_of(fleet, "S2")) == ([1, 2, 3], [4, 5, 6])
    assert fleet.ledger().keys() == {"S1_roof_a.csv", "S2_roof_c.csv"}


def test_names_that_nothing_can_hold_are_kept_under_others(fleet: Fleet) -> None:
    long = "S1_roof_" + "x" * 240 + ".csv"
    fleet.drop(long, quarter_hours(1, 2, 3))
    raw = os.fsencode(fleet.space.inbox) + b"/S1_roof_\xff.csv"
    with open(raw, "w") as file:  # noqa: PTH123 - a name in bytes
        file.write(quarter_hours(4, 5, 6))
    result = fleet.take_in()
    assert len(result.quarantined) == 2 and result.files == 0
    assert all(name.isprintable() and reason for name, reason in result.quarantined)
    kept = [name for name in fleet.files("quarantine") if not name.endswith(".reason.txt")]
    assert len(kept) == 2 and all(name.endswith(".csv") for name in kept)


def test_quarantine_is_fixed_and_taken_in(fleet: Fleet) -> None:
    """Once by fixing the register, once by fixing a profile; the reasons that come along are let go."""
    fleet.drop("deep/S7_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.drop("S1_odd_a.csv", quarter_hours(4, 5, 6))
    assert len(fleet.take_in().quarantined) == 2
    assert "put the file back as inbox/deep/S7_roof_a.csv" in fleet.reason("S7_roof_a.csv")
    fleet.register([{"site_id": site} for site in ("S1", "S7")])
    fleet.profile("odd", PROFILES["roof"].replace("_roof", "_odd"))
    for path in fleet.space.quarantine.iterdir():
        path.rename(fleet.space.inbox / path.name)
    result = fleet.take_in()
    assert result.quarantined == [] and result.files == 2
    assert (pv_of(fleet, "S7"), pv_of(fleet, "S1")) == ([1, 2, 3], [4, 5, 6])
    assert fleet.files("inbox") == fleet.files("quarantine") == []


@pytest.mark.slow
def test_a_lost_history_is_noticed_and_overwrites_nothing(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    fleet.space.database.unlink()
    fleet.drop("S1_roof_a.csv", quarter_hours(9, 9, 9))
    with pytest.raises(
        NoonmarkError, match=r"the history is missing, though archive/ holds 1 export.*--rebuild"
    ) as told:
        fleet.take_in()
    assert told.value.exit_status == 2
    assert not fleet.space.database.exists() and fleet.files("inbox") == ["S1_roof_a.csv"]
    fleet.rebuild()
    fleet.take_in()
    assert pv_of(fleet) == [9, 9, 9]
    texts = {path.read_text() for path in fleet.space.archive.rglob("*.csv")}
    assert texts == {quarter_hours(1, 2, 3), quarter_hours(9, 9, 9)}


@pytest.mark.slow
def test_an_older_history_is_noticed_and_overwrites_nothing(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    backup = fleet.space.database.read_bytes()
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 4))
    fleet.take_in()
    fleet.space.database.write_bytes(backup)
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 5))
    with pytest.raises(NoonmarkError, match=r"the history ends at export 1, but archive/ holds 2.*--rebuild"):
        fleet.take_in()
    assert fleet.value("SELECT max(export_id) FROM export_file") == 1 and fleet.files("inbox") == ["S1_roof_a.csv"]
    fleet.rebuild()
    fleet.take_in()
    assert sorted(path.read_text() for path in fleet.space.archive.rglob("*.csv")) == [
        quarter_hours(1, 2, n) for n in (3, 4, 5)
    ]
    assert pv_of(fleet) == [1, 2, 5]


@pytest.mark.slow
def test_a_rebuild_that_leaves_the_last_export_out_is_not_taken_for_an_older_history(fleet: Fleet) -> None:
    """Its profile went; the archive's highest number then stays above the ledger's for good."""
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    fleet.drop("meter_1.csv", "site,t,grid\nS1,2026-03-10 00:00,5\n")
    fleet.take_in()
    (fleet.space.profiles / "meter.toml").unlink()
    fleet.rebuild()
    assert fleet.value("SELECT max(export_id) FROM export_file") == 1
    fleet.take_in()


def test_files_in_quarantine_are_of_the_sites_that_their_names_or_folders_say(tmp_path: Path) -> None:
    by_folder = PROFILES["roof"].replace("*_roof_*.csv", "*.dat").replace('"file name"', '"folder"')
    fleet = Fleet(
        tmp_path,
        devices=[("S3", "A"), ("S3", "B")],
        profiles={**PROFILES, "folder": by_folder.replace("^(?P<site>[A-Za-z0-9]+)_roof", "(?P<site>[A-Za-z0-9]+)$")},
    )
    other = "a;b\n1;2\n"
    fleet.drop("S1_roof_a.csv", other)
    fleet.drop("S3B_roof_a.csv", other)
    fleet.drop("years/S2/day.dat", other)
    fleet.drop("day.zip", zipped(**{"S2_roof_z.csv": other, "S1_roof_good.csv": quarter_hours(1, 2)}))
    fleet.drop("S9_roof_a.csv", quarter_hours(1))  # no site of the register
    fleet.drop("meter_a.csv", other)  # its rows would say it
    fleet.drop("strange.bin", b"?")
    fleet.take_in()
    with fleet.run() as run:
        found = unread_files(run.workspace, run.register, run.profiles).sort("site_id", "file_name")
    assert found.select("site_id", "device_id", "file_name").rows() == [
        ("S1", "", "S1_roof_a.csv"), ("S2", "", "S2_roof_z.csv"), ("S2", "", "day.dat"), ("S3", "B", "S3B_roof_a.csv"),
    ]  # fmt: skip
    assert found["came_on"].n_unique() in (1, 2)  # midnight may pass
