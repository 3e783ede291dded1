"""Months of the archive as one compressed file each: nothing is lost, and a rebuild reads them."""

import os
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.errors import StorageError
from pipeline.ingest import archive as archived_files
from pipeline.ingest import packs
from pipeline.runs import archive
from pipeline.workspace.places import Workspace
from tests.support.fleet import Fleet, differences, roof, stamps, sunny, table

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]

LATER = datetime(2027, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Exports of five arrivals, moved into two months of the archive as if they had come in those."""
    fleet = Fleet(tmp_path_factory.mktemp("archive") / "desk", 2)
    fleet.drop("S1_roof_a.csv", roof(sunny()) + "bad,1,1,1\n")
    fleet.take_in()
    fleet.drop("deep/er/S1_roof_b.csv", roof(sunny(peak_w=3000)))  # corrects the first: their order counts
    fleet.take_in()
    fleet.drop("meter_1.csv", table("site,t,grid", [("S2", t, -5) for t in stamps(8)]))
    fleet.cycle()
    with fleet.run() as run:  # the months of arrival are this machine's; the test's own are 2026-03 and 2026-04
        for number, name in run.store.con.execute("SELECT export_id, archived_as FROM export_file").fetchall():
            month, _, rest = name.partition("/")
            moved = f"{'2026-04' if number == 2 else '2026-03'}/{rest}"
            (fleet.space.archive / moved).parent.mkdir(parents=True, exist_ok=True)
            (fleet.space.archive / name).rename(fleet.space.archive / moved)
            run.store.con.execute("UPDATE export_file SET archived_as = ? WHERE export_id = ?", [moved, number])
        run.store.con.execute("DELETE FROM archived_file")
        shutil.rmtree(fleet.space.archive / month)
    return fleet.space.root


@pytest.fixture
def fleet(made: Path, tmp_path: Path) -> Fleet:
    return Fleet.of(shutil.copytree(made, tmp_path / "desk"))


def pack(fleet: Fleet, now: datetime = LATER) -> list[packs.Packed]:
    with fleet.run() as run:
        return archive.pack(run, now)


def test_a_rebuild_from_packed_months_is_the_same_history(fleet: Fleet) -> None:
    before, listed = fleet.history(), fleet.files("archive")
    names = [(number, one.path) for number, one in archived_files.archived(fleet.space)]
    assert [(one.month, one.files) for one in pack(fleet)] == [("2026-03", 2), ("2026-04", 1)]
    assert fleet.files("archive") == ["2026-03.tar.zst", "2026-04.tar.zst"]
    assert [path.name for path in fleet.space.archive.iterdir() if path.is_dir()] == []
    assert [(number, one.path) for number, one in archived_files.archived(fleet.space)] == names
    assert archived_files.last_archived(fleet.space) == 3 and len(listed) == 3
    fleet.rebuild()
    assert differences(before, fleet.history()) == {}
    assert fleet.files("archive") == ["2026-03.tar.zst", "2026-04.tar.zst"]  # what was unpacked is gone again
    assert pack(fleet) == []


def test_any_tar_reads_a_pack(fleet: Fleet, tmp_path: Path) -> None:
    bytes_before = {name: (fleet.space.archive / name).read_bytes() for name in fleet.files("archive")}
    pack(fleet)
    raw = tmp_path / "2026-03.tar"
    import zstandard

    raw.write_bytes(
        zstandard.ZstdDecompressor().decompressobj().decompress((fleet.space.archive / "2026-03.tar.zst").read_bytes())
    )
    subprocess.run(["tar", "-xf", str(raw), "-C", str(tmp_path)], check=True)
    mine = {name: data for name, data in bytes_before.items() if name.startswith("2026-03/")}
    assert {name: (tmp_path / name).read_bytes() for name in mine} == mine


def test_the_present_month_and_what_is_young_stay(fleet: Fleet) -> None:
    assert [one.month for one in pack(fleet, datetime(2026, 5, 2, tzinfo=UTC))] == ["2026-03"]
    assert fleet.files("archive")[0] == "2026-03.tar.zst" and len(fleet.files("archive")) == 2
    with fleet.run() as run:
        run.store.con.execute("INSERT INTO archived_file VALUES ('2026-04/x', '', 'x', 1, 1, '', now(), true)")
    assert pack(fleet) == []


def test_what_came_into_a_packed_month_joins_it(fleet: Fleet) -> None:
    pack(fleet)
    late = fleet.space.archive / "2026-03" / "00000009~S1_roof_late.csv"
    late.parent.mkdir()
    late.write_text("t,pv,load,v\n")
    done = packs.pack_month(fleet.space.archive, "2026-03")
    assert done is not None and (done.month, done.files) == ("2026-03", 1)
    assert sorted(number for number, _ in archived_files.archived(fleet.space)) == [1, 2, 3, 9]
    assert not late.exists()


def test_a_packed_file_that_comes_again_is_a_copy(fleet: Fleet) -> None:
    pack(fleet)
    fleet.drop("meter_1.csv", table("site,t,grid", [("S2", t, -5) for t in stamps(8)]))
    assert fleet.take_in().copies == ["meter_1.csv"]
    assert fleet.files("archive") == ["2026-03.tar.zst", "2026-04.tar.zst"] and fleet.files("inbox") == []


def test_another_file_of_a_packed_name_is_not_removed(fleet: Fleet) -> None:
    name = next(name for name in fleet.files("archive") if name.startswith("2026-03/"))
    pack(fleet)
    (fleet.space.archive / name).parent.mkdir(parents=True, exist_ok=True)
    (fleet.space.archive / name).write_text("another\n")
    with pytest.raises(StorageError, match="not the one in the folder"):
        pack(fleet)
    assert (fleet.space.archive / name).read_text() == "another\n"


def test_a_run_killed_before_it_removed_the_folder_is_ended_by_the_next(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", _fail)
        with pytest.raises(OSError, match="killed"):
            packs.pack_month(fleet.space.archive, "2026-04")
    assert sorted(number for number, _ in archived_files.archived(fleet.space)) == [1, 2, 3]
    assert [one.files for one in pack(fleet)] == [2, 1]
    assert fleet.files("archive") == ["2026-03.tar.zst", "2026-04.tar.zst"]


def _fail(path: Path, missing_ok: bool = False) -> None:
    if path.exists() or not missing_ok:
        raise OSError("killed")


@pytest.mark.parametrize("damage", ["cut", "changed", "foreign"])
def test_a_damaged_pack_is_told_in_one_line(fleet: Fleet, damage: str, capsys: pytest.CaptureFixture[str]) -> None:
    pack(fleet)
    place = fleet.space.archive / "2026-03.tar.zst"
    data = place.read_bytes()
    middle = len(data) // 2
    place.write_bytes({
        "cut": data[:middle], "changed": data[:middle] + bytes([data[middle] ^ 255]) + data[middle + 1 :],
        "foreign": b"no tar at all",
    }[damage])  # fmt: skip
    os.utime(place, ns=(1, 1))
    assert main(["-w", str(fleet.space.root), "ingest", "--rebuild"]) == 4
    said = capsys.readouterr().err.splitlines()
    assert len([line for line in said if "noonmark:" in line]) == 1 and "a packed month is damaged" in said[-1]
    assert not (fleet.space.archive / "2026-03").exists()


def test_the_command_lists_and_packs(fleet: Fleet, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["-w", str(fleet.space.root), "archive"]) == 0
    assert [line.split("\t")[:2] for line in capsys.readouterr().out.splitlines()[1:]] == [
        ["2026-03", "2"],
        ["2026-04", "1"],
    ]
    assert main(["-w", str(fleet.space.root), "archive", "--pack"]) == 0
    assert main(["-w", str(Workspace(fleet.space.root).root), "archive", "--json"]) == 0
    assert '"packed_files": 2' in capsys.readouterr().out
