"""A backup that is restored is the workspace: every relation that analysts see, and every file."""

import hashlib
import json
import os
import shutil
import threading
from datetime import date
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.errors import NoonmarkError, RefusedError, StorageError, WorkspaceBusyError
from pipeline.runs import backup as backups
from pipeline.runs import decisions, session
from pipeline.store import reader
from pipeline.store.relations import relations
from pipeline.workspace.lock import locked
from pipeline.workspace.places import Workspace
from tests.support.fleet import Fleet, differences, roof, sunny

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]
READS_COPIES_BACK = True

MADE_ANEW = ("reader_part",)  # it lists the files of reader/, which a restored workspace writes for itself


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Two days in two months, the first of which left the history's file; one file in quarantine, one decision."""
    fleet = Fleet(
        tmp_path_factory.mktemp("desk") / "desk", 2, settings="[ingest]\nsettle_s = 0\n[keep]\nreadings_days = 1\n"
    )
    for day in (date(2026, 2, 28), date(2026, 3, 2)):
        fleet.drop(f"S1_roof_{day}.csv", roof(sunny(day)) + "bad,1,1,1\n")
        fleet.drop(f"S2_roof_{day}.csv", roof(sunny(day)))
        fleet.drop(f"S9_roof_{day}.csv", roof(sunny(day)))
        fleet.cycle(day=day)
    with fleet.run() as run, session.published(run, "exceptions"):
        (found, *_) = run.store.con.execute("SELECT exception_id FROM exception ORDER BY ALL").fetchall()
        decisions.decide(run, found[0], "acknowledge", note="seen")
    fleet.drop("S1_roof_waits.csv", roof(sunny(date(2026, 3, 3))))
    assert fleet.files("readings") and fleet.files("quarantine")
    return fleet


@pytest.fixture(scope="module")
def copy(lived: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("backups") / "first"
    backups.backup(lived.space, target)
    return target


def shown(space: Workspace) -> dict[str, list[tuple]]:
    """Every relation that analysts see, row by row."""
    names = [name for name in relations(space.reader) if name not in MADE_ANEW]
    return {name: reader.ask(space.reader, f'FROM "{name}" ORDER BY ALL').rows() for name in names}


def test_every_relation_and_every_file_comes_back(lived: Fleet, copy: Path, tmp_path: Path) -> None:
    space = Workspace(tmp_path / "deep" / "again")
    done = backups.restore(space, copy)
    assert done.notice == "" and done.files == len(json.loads((copy / backups.MANIFEST).read_text())["files"])
    found = shown(space)
    assert found["reading"] and found["finding"] and found["decision"] and found["rejected_row"] and found["run"]
    assert differences(shown(lived.space), found) == {}
    again = Fleet.of(space.root)
    assert differences(lived.history(), again.history()) == {}
    for folder in ("archive", "inbox", "quarantine", "digests", "profiles", "readings"):
        assert again.files(folder) == lived.files(folder), folder
    assert space.decision_log.read_bytes() == lived.space.decision_log.read_bytes()
    assert again.cycle().taken_in.files == 1  # life goes on: what waited in the inbox is taken in


def test_it_waits_for_the_run_under_way(lived: Fleet, tmp_path: Path) -> None:
    with locked(lived.space), pytest.raises(WorkspaceBusyError):
        backups.backup(lived.space, tmp_path / "none", wait_s=0)
    assert list(tmp_path.iterdir()) == []
    is_held, may_end = threading.Event(), threading.Event()

    def run() -> None:
        with locked(lived.space):
            is_held.set()
            may_end.wait(60)

    other = threading.Thread(target=run)
    other.start()
    is_held.wait(60)
    threading.Timer(0.2, may_end.set).start()
    assert backups.backup(lived.space, tmp_path / "waited").files > 10
    other.join()


def test_a_backup_with_a_changed_or_a_missing_file_is_refused_and_leaves_nothing(copy: Path, tmp_path: Path) -> None:
    bad = shutil.copytree(copy, tmp_path / "bad")
    archived = next((bad / "archive").rglob("*.csv"))
    text = archived.read_bytes()
    archived.write_bytes(text[:-3] + b"9" + text[-2:])
    for _ in range(2):
        with pytest.raises(RefusedError, match="missing or changed, archive/"):
            backups.restore(Workspace(tmp_path / "again"), bad)
        assert sorted(path.name for path in tmp_path.iterdir()) == ["bad"]
        archived.unlink(missing_ok=True)


def test_what_is_refused_before_anything_is_changed(lived: Fleet, copy: Path, tmp_path: Path) -> None:
    before = lived.files("")
    for ask in (
        lambda: backups.backup(lived.space, copy),
        lambda: backups.backup(lived.space, lived.space.root / "copy"),
        lambda: backups.restore(lived.space, copy),
        lambda: backups.restore(Workspace(tmp_path / "new"), lived.space.root),
    ):
        with pytest.raises(RefusedError):
            ask()
    assert lived.files("") == before and list(tmp_path.iterdir()) == []


def test_a_manifest_that_names_a_file_outside_is_refused(copy: Path, tmp_path: Path) -> None:
    bad = shutil.copytree(copy, tmp_path / "bad")
    (bad / backups.MANIFEST).write_text(json.dumps({"files": {"../outside": [1, 1, "x"]}}))
    with pytest.raises(NoonmarkError, match="outside itself"):
        backups.restore(Workspace(tmp_path / "again"), bad)


def test_a_history_that_does_not_open_is_not_backed_up(copy: Path, tmp_path: Path) -> None:
    broken = shutil.copytree(copy, tmp_path / "broken")
    (broken / "noonmark.duckdb").write_bytes(b"\xff" * 20000)
    with pytest.raises(RefusedError, match="does not open"):
        backups.backup(Workspace(broken), tmp_path / "backup")
    assert not (tmp_path / "backup").exists()


def test_a_file_of_the_backup_that_may_not_be_read_is_refused(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = next((copy / "archive").rglob("*.csv"))
    monkeypatch.setattr(os, "access", lambda path, _: path != held)
    with pytest.raises(RefusedError, match="may not be read"):
        backups.restore(Workspace(tmp_path / "again"), copy)
    assert list(tmp_path.iterdir()) == []


def test_a_restored_workspace_that_does_not_open_is_not_said_to_be_as_it_was(copy: Path, tmp_path: Path) -> None:
    bad = shutil.copytree(copy, tmp_path / "bad")
    (bad / "noonmark.duckdb").write_bytes(b"\xff" * 20000)
    about = json.loads((bad / backups.MANIFEST).read_text(encoding="utf-8"))
    about["files"]["noonmark.duckdb"] = [20000, 1, hashlib.sha256(b"\xff" * 20000).hexdigest()]
    (bad / backups.MANIFEST).write_text(json.dumps(about), encoding="utf-8")
    with pytest.raises(StorageError, match="restored, but not to be opened: the history is damaged") as told:
        backups.restore(Workspace(tmp_path / "again"), bad)
    assert told.value.exit_status == 4 and (tmp_path / "again" / "sites.csv").exists()


def test_the_folder_that_one_stands_in_may_take_it(
    lived: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    backups.backup(lived.space, Path())
    assert (tmp_path / "here" / backups.MANIFEST).exists() and not list(tmp_path.glob(".*unfinished"))


def test_the_commands_say_what_was_done(copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["-w", str(tmp_path / "desk"), "restore", str(copy)]) == 0
    assert "restored to" in capsys.readouterr().out
    assert main(["-w", str(tmp_path / "desk"), "backup", str(tmp_path / "b"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"] > 10
    assert main(["-w", str(tmp_path / "desk"), "restore", str(copy)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
