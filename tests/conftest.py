"""What several test modules look at and none changes."""

import contextlib
import gc
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock, Timeout

from pipeline.detection import resolver
from pipeline.runs import cycle, rebuild, session
from pipeline.store import Store, answers, reader, reader_database, recovery
from pipeline.store import features as tables
from pipeline.workspace import files
from pipeline.workspace.places import Workspace
from tests.support import desk
from tests.support.few_detectors import let_all_look, silence
from tests.support.places import ROOT

gc.disable()  # until all tests are collected: nothing of what that makes is let go before the end
LIVED = "NOONMARK_LIVED_DEMO"  # a folder that `noonmark demo` made, to save its minutes while writing tests


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_disks() -> Iterator[None]:
    """A killed process loses nothing that it wrote, written through or not; only a power cut does, which no test is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "sync", lambda _: None)
        yield


@pytest.fixture(scope="session", autouse=True)
def _new_histories_are_copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A history that is not there yet is a copy of one that was made as any is, once for each set of features."""
    folder = tmp_path_factory.mktemp("new-histories")
    opened_as_ever, schema_as_ever = Store.__init__, Store._migrate
    made: dict[str, Path] = {}

    def blank() -> Path:
        features = resolver.ordered()
        kinds = repr([(one.name, one.version, one.schema) for one in features])
        if kinds not in made:
            path = folder / f"{len(made)}.duckdb"
            store = Store.__new__(Store)
            opened_as_ever(store, path)
            tables.prepare(store, features)
            store.close()
            made[kinds] = path
        return made[kinds]

    def opened(store: Store, database: Path) -> None:
        is_new = not database.exists() and not database.with_name(database.name + ".wal").exists()
        if is_new and database.parent.is_dir() and Store._migrate is schema_as_ever:
            with contextlib.suppress(RuntimeError):  # features that cannot be are refused where they are prepared
                shutil.copyfile(blank(), database)
        opened_as_ever(store, database)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Store, "__init__", opened)
        yield


@pytest.fixture(scope="session", autouse=True)
def _new_readers_begin_as_copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """An analyst's database that is not there yet is made of the first that was: its tables and their comments stay."""
    kept = tmp_path_factory.mktemp("reader")
    names = (answers.DATABASE, reader_database.MADE_OF)
    made_of_as_ever, written_as_ever = reader_database._made_of, reader_database.write_database

    def made_of(folder: Path, release: str) -> Any:
        if not (folder / answers.DATABASE).exists() and (kept / reader_database.MADE_OF).exists():
            for name in names:
                shutil.copy2(kept / name, folder / name)  # with its time, by which it is known
        return made_of_as_ever(folder, release)

    def written(store: Store, folder: Path) -> None:
        written_as_ever(store, folder)
        if not (kept / reader_database.MADE_OF).exists():
            for name in names:
                shutil.copy2(folder / name, kept / name)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reader_database, "_made_of", made_of)
        patch.setattr(reader, "write_database", written)
        yield


@pytest.fixture(scope="module", autouse=True)
def _copies_are_not_read_back(request: pytest.FixtureRequest) -> Iterator[None]:
    """What was written is what a disk has, but in modules that say they doubt it (READS_COPIES_BACK)."""
    with pytest.MonkeyPatch.context() as patch:
        if not getattr(request.module, "READS_COPIES_BACK", False):
            patch.setattr(recovery, "look_into", lambda _: None)
        yield


LONG = ("drills", "pipeline/runs", "pipeline/store", "pipeline/ingest", "detectors/test_")  # no worker ends with one


def _looks_at_the_demo(item: pytest.Item) -> bool:
    return isinstance(item, pytest.Function) and "sample_history" in item.fixturenames


@pytest.hookimpl(tryfirst=True)  # before those that are marked slow are left out
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Folders of long modules first, the demo's last: it is lived meanwhile, and its 45 mornings are slow."""
    for item in items:
        if _looks_at_the_demo(item):
            item.add_marker("slow")

    def place(item: pytest.Item) -> int:
        if _looks_at_the_demo(item):
            return 2
        module = item.path.relative_to(ROOT / "tests").as_posix()
        return 0 if module.startswith(LONG) else 1

    last = {item.path for item in items if place(item) == 2}  # a module stays together
    items.sort(key=lambda item: 2 if item.path in last else place(item))


def pytest_collection_finish() -> None:
    """Libraries and tests stay to the end, so that no collection of garbage goes through them."""
    gc.freeze()
    gc.enable()


class Demo:
    """The sample fleet's workspace as `noonmark demo` leaves it, lived once for all workers, beside their tests.

    The first worker lives it in a thread of its own; the lock is held until its last word is written.
    """

    def __init__(self, folder: Path) -> None:
        self.space = Workspace(folder / "desk")
        self._said, self._failed = folder / "said.txt", folder / "failed.txt"
        self._lock = FileLock(folder / "lock", thread_local=False)
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        with contextlib.suppress(Timeout):  # another worker lives it
            self._lock.acquire(blocking=False)
            self._thread = threading.Thread(target=self._live)
            self._thread.start()

    def _live(self) -> None:
        try:
            if not self._said.exists() and not self._failed.exists():
                command = [sys.executable, "-m", "pipeline.commands.start", "--workspace", str(self.space.root), "demo"]
                done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
                is_good = done.returncode == 0 and "Warning" not in done.stderr
                (self._said if is_good else self._failed).write_text(
                    done.stdout if is_good else done.stderr, encoding="utf-8"
                )
        finally:
            self._lock.release()

    def said(self) -> str:
        self.end()
        with self._lock:  # else another worker lives it
            assert self._said.exists(), self._failed.read_text(encoding="utf-8")
            return self._said.read_text(encoding="utf-8")

    def end(self) -> None:
        if self._thread is not None:
            self._thread.join()


@pytest.fixture(scope="session", autouse=True)
def _demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Iterator[Demo]:
    """Begun with the first test of a run that has tests of the sample's history, so that few wait for it."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "demo"  # workers have a folder each, in one of the run
    shared.mkdir(exist_ok=True)
    demo = Demo(shared)
    wanted = any(map(_looks_at_the_demo, request.session.items))
    if wanted and not os.environ.get(LIVED):
        demo.begin()
    yield demo
    demo.end()


@pytest.fixture(scope="session")
def sample_history(_demo: Demo) -> tuple[Workspace, str]:
    """The sample fleet's workspace as the demo leaves it, and what it said."""
    if os.environ.get(LIVED):
        return Workspace(Path(os.environ[LIVED])), ""
    said = _demo.said()
    return _demo.space, said


@pytest.fixture(scope="module")
def few_detectors() -> Iterator[None]:
    """In the whole module, half of the detectors look."""
    with pytest.MonkeyPatch.context() as patch:
        silence(patch.setattr)
        yield


@pytest.fixture(scope="module")
def no_detectors() -> Iterator[None]:
    """In the whole module, no detector looks: days are judged, for tests that care of no finding."""
    with pytest.MonkeyPatch.context() as patch:
        silence(patch.setattr, families=())
        yield


@pytest.fixture
def few_detectors_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one test, half of the detectors look."""
    silence(monkeypatch.setattr)


@pytest.fixture
def only_stored(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings are taken in and nothing is made of them, for tests of which rows are stored and where files go."""
    for room in (cycle, rebuild):
        monkeypatch.setattr(room, "sum_up", lambda _: None)


@pytest.fixture(scope="session")
def desk_after_a_cycle(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """The small desk with its three days judged by all detectors, lived once for all workers: to be copied."""
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "lived"
    folder.mkdir(exist_ok=True)
    root, whole = folder / "desk", folder / "whole"
    with FileLock(folder / "lock"):
        if not whole.exists():
            shutil.rmtree(root, ignore_errors=True)
            space = desk.make(root)
            with pytest.MonkeyPatch.context() as patch:  # the module that asks first may have few of them look
                let_all_look(patch.setattr)
                with session.opened(space, is_quiet=True) as run, session.published(run, "cycle"):
                    cycle.cycle(run)
            whole.touch()
    return root
