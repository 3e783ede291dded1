"""A cycle that is killed at its n-th step, for tests of what the next run makes of it.

Steps are the places where something lasting happens, before and after: commits, files that move or vanish, parts of
the reader, pages of the digest. SIGKILL leaves a process no time for anything.
"""

import importlib
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import detectors
from detectors import features
from pipeline import digest as pages
from pipeline.detection import run_detectors
from pipeline.ingest import being_opened, ingest
from pipeline.runs import cycle, session
from pipeline.runs.rebuild import rebuild
from pipeline.store import Store, parts, reader
from pipeline.workspace.places import Workspace
from tests.support.few_detectors import silence

detectors.load()
features.load()
for lazy in ("pvlib", "h5py", "scipy.sparse.csgraph", "scipy.spatial"):  # loaded when needed, here once for all forks
    importlib.import_module(lazy)


def forkserver() -> Any:
    """Processes that start fast: a server imports the program once and is forked before it does anything."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    return context


class Steps:
    """Counts steps; at number `last` the process ends itself."""

    def __init__(self, last: int | None) -> None:
        self.last = last
        self.names: list[str] = []

    def pass_by(self, name: str) -> None:
        self.names.append(name)
        if len(self.names) == self.last:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, owner: Any, name: str) -> None:
        """Counts a step before and one after each call of a function."""
        function: Callable[..., Any] = getattr(owner, name)

        def counted(*given: Any, **named: Any) -> Any:
            self.pass_by(f"before {name}")
            result = function(*given, **named)
            self.pass_by(f"after {name}")
            return result

        setattr(owner, name, counted)

    def around_commits(self) -> None:
        transaction = Store.transaction

        @contextmanager
        def counted(store: Store) -> Iterator[None]:
            with transaction(store):
                yield
                self.pass_by("before commit")
            self.pass_by("after commit")

        Store.transaction = counted  # type: ignore[method-assign]


def steps_of(last: int | None) -> Steps:
    """Steps hooked into this process, for good: call it in a process of its own."""
    steps = Steps(last)
    steps.around_commits()
    for owner, name in (
        (Path, "replace"), (Path, "unlink"), (Path, "write_bytes"), (Path, "write_text"), (ingest, "normalise"),
        (ingest.ledger, "note_copies"), (run_detectors, "_judge_day"), (parts, "_write_frame"), (parts, "_write_file"),
        (reader, "write_database"), (parts, "remove_superseded"), (pages, "write_digest"),
    ):  # fmt: skip
        steps.around(owner, name)
    return steps


def live(root: str, last: int | None, told: Any = None, *, is_rebuild: bool = False) -> None:
    """A cycle, or a rebuild, with its steps; `told` (a connection) gets their names if it lives to the end.

    Half of the detectors look.
    """
    silence()
    steps, space = steps_of(last), Workspace(Path(root))
    if is_rebuild:
        rebuild(space, is_quiet=True)
    else:
        with session.opened(space, is_quiet=True) as run:
            with session.recorded(run.store, "cycle"):
                cycle.cycle(run)
            session.publish(run)
    if told is not None:
        told.send(steps.names)


def take_in_what_kills(root: str, word: bytes, large_bytes: int, told: Any) -> None:
    """Takes the inbox in, and is killed once a file with `word` in it is read; else `told` gets what was quarantined.

    `large_bytes`: from where on a file counts as large.
    """
    normalise = ingest.normalise

    def deadly(parts: Any, *given: Any, **named: Any) -> Any:
        if any(word in part.data for part in parts):
            os.kill(os.getpid(), signal.SIGKILL)
        return normalise(parts, *given, **named)

    ingest.normalise = deadly  # type: ignore[assignment]
    being_opened.LARGE_BYTES = large_bytes  # type: ignore[misc]
    with session.opened(Workspace(Path(root)), is_quiet=True) as run:
        told.send([name for name, _ in cycle.take_in(run).quarantined])
