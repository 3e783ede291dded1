"""Files that wait: found, left to settle, and moved on without a loss."""

import errno
import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import NoonmarkError
from pipeline.ingest import archive, arrivals, quarantine
from pipeline.ingest.arrivals import Arrival
from pipeline.workspace.places import Workspace


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    made = Workspace(tmp_path)
    for folder in (made.inbox, made.archive, made.quarantine):
        folder.mkdir()
    return made


def put(folder: Path, name: str, text: str = "x", *, age_s: float = 60.0) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    then = time.time() - age_s
    os.utime(path, (then, then))
    return path


def waiting(space: Workspace, name: str = "a.csv", text: str = "x") -> Arrival:
    put(space.inbox, name, text)
    (found,) = arrivals.find(space, ()).arrivals
    return found


def test_files_at_any_depth_are_found_with_their_folder(space: Workspace) -> None:
    for name in ("a.csv", "roof/b.csv", "roof/deep er/c.csv", ".hidden", "roof/.part/d.csv"):
        put(space.inbox, name)
    found = arrivals.find(space, ()).arrivals
    assert sorted((one.folder, one.name, one.is_ours) for one in found) == [
        ("", "a.csv", True), ("roof", "b.csv", True), ("roof/deep er", "c.csv", True),
    ]  # fmt: skip


def test_paths_outside_the_inbox_stay_where_they_are_and_name_their_folder(space: Workspace, tmp_path: Path) -> None:
    outside = tmp_path / "elsewhere"
    put(outside, "S1/a.csv")
    put(outside, "b.csv")
    found = arrivals.find(space, [outside, outside / "b.csv", space.inbox]).arrivals
    assert sorted((one.folder, one.name, one.is_ours) for one in found) == [
        ("S1", "a.csv", False), ("elsewhere", "b.csv", False),
    ]  # fmt: skip
    with pytest.raises(NoonmarkError, match=r"no such file or folder.*missing"):
        arrivals.find(space, [tmp_path / "missing"])


def test_neither_links_nor_what_they_lead_to_are_followed(space: Workspace, tmp_path: Path) -> None:
    put(tmp_path / "outside", "a.csv")
    (space.inbox / "file.csv").symlink_to(tmp_path / "outside" / "a.csv")
    (space.inbox / "folder").symlink_to(tmp_path / "outside")
    (space.inbox / "loop").symlink_to(space.inbox)
    (space.inbox / "broken.csv").symlink_to(tmp_path / "nowhere")
    os.mkfifo(space.inbox / "pipe.csv")
    found = arrivals.find(space, ())
    assert found.arrivals == [] and len(found.links) == 4
    assert arrivals.find(space, [space.inbox / "file.csv"]).arrivals == []


def test_a_file_still_being_written_waits_for_the_next_run(space: Workspace) -> None:
    put(space.inbox, "old.csv", age_s=3600)
    put(space.inbox, "young.csv", age_s=5)
    found = arrivals.let_settle(arrivals.find(space, ()), settle_s=60)
    assert [one.name for one in found.arrivals] == ["old.csv"] and found.still_written == ["young.csv"]


def test_a_file_that_grows_during_the_pause_waits(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    growing = put(space.inbox, "growing.csv", age_s=0)
    put(space.inbox, "done.csv", age_s=0)
    going = put(space.inbox, "going.csv", age_s=0)
    sleep = time.sleep

    def write_meanwhile(seconds: float) -> None:
        growing.write_text("xx")
        going.unlink()
        sleep(seconds)

    monkeypatch.setattr(arrivals.time, "sleep", write_meanwhile)
    found = arrivals.let_settle(arrivals.find(space, ()), settle_s=0.2)
    assert [one.name for one in found.arrivals] == ["done.csv"]
    assert found.still_written == ["going.csv", "growing.csv"]


def test_a_file_from_a_machine_whose_clock_runs_ahead_does_not_wait_for_ever(space: Workspace) -> None:
    put(space.inbox, "ahead.csv", age_s=-86_400)
    found = arrivals.let_settle(arrivals.find(space, ()), settle_s=60)
    assert [one.name for one in found.arrivals] == ["ahead.csv"]


def test_the_archive_gives_files_back_in_order_under_their_first_names(space: Workspace) -> None:
    moment = datetime(2026, 3, 10, tzinfo=UTC)
    names = [("b.csv", ""), ("7~odd.csv", "roof"), ("00000001~a.csv", "roof/deep")]
    for number, (name, folder) in enumerate(names, start=9):
        put(space.inbox / folder, name)
        arrival = Arrival(space.inbox / folder / name, name, folder, True)
        archive.to_archive(space, arrival, archive.archived_name(arrival, number, moment))
    later = Arrival(put(space.inbox, "z.csv"), "z.csv", "", True)
    archive.to_archive(space, later, archive.archived_name(later, 100_000_000, datetime(2026, 4, 1, tzinfo=UTC)))
    put(space.archive, "2026-03/a note of somebody.txt")
    found = archive.archived(space)
    assert [(number, one.name, one.folder) for number, one in found] == [
        (9, "b.csv", ""), (10, "7~odd.csv", "roof"), (11, "00000001~a.csv", "roof/deep"), (100_000_000, "z.csv", ""),
    ]  # fmt: skip
    assert archive.last_archived(space) == 100_000_000


def test_quarantine_keeps_namesakes_apart_and_the_same_bytes_once(space: Workspace) -> None:
    for text in ("one", "two", "one"):
        quarantine.to_quarantine(space, waiting(space, "S1.roof.csv.gz", text), "no good")
    kept = {path.name: path.read_text() for path in space.quarantine.iterdir() if path.suffix == ".gz"}
    assert kept == {"S1.roof.csv.gz": "one", "S1.roof~2.csv.gz": "two"}  # endings stay: profiles read them
    assert {path.name for path in space.quarantine.glob("*.reason.txt")} == {f"{name}.reason.txt" for name in kept}


def test_a_reason_says_why_whence_and_where_to_put_it_back(space: Workspace) -> None:
    put(space.inbox, "roof/a.csv")
    quarantine.to_quarantine(space, arrivals.find(space, ()).arrivals[0], "no such site")
    assert (space.quarantine / "a.csv.reason.txt").read_text().splitlines() == [
        "no such site", "", "from: roof/a.csv", "once that is done, put the file back as inbox/roof/a.csv",
    ]  # fmt: skip
    again = Arrival(space.quarantine / "a.csv.reason.txt", "a.csv.reason.txt", "", True)
    assert quarantine.is_reason(again)
    foreign = Arrival(put(space.inbox, "b.reason.txt", "an export by an odd name"), "b.reason.txt", "", True)
    assert not quarantine.is_reason(foreign)


def test_another_file_system_is_crossed_by_a_whole_copy(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    replace = Path.replace

    def refuse(self: Path, target: Path) -> Path:
        if self.parent == space.inbox:
            raise OSError(errno.EXDEV, "another file system")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", refuse)
    archive.to_archive(space, waiting(space), "2026-03/00000001~a.csv")
    assert (space.archive / "2026-03" / "00000001~a.csv").read_text() == "x"
    assert list(space.inbox.iterdir()) == []


def test_a_full_disk_is_not_taken_for_another_file_system(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    arrival = waiting(space)

    def refuse(*_: Path) -> Path:
        raise OSError(errno.ENOSPC, "no space left")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(OSError, match="no space left"):
        archive.to_archive(space, arrival, "2026-03/00000001~a.csv")
    assert arrival.path.exists()
