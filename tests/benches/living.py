"""Lives through a fleet with the pipeline itself: exports arrive, are taken in, and the night's detection runs.

All of the pipeline that the benches know is imported here.
"""

import functools
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl

import detectors
from pipeline.detection import folding
from pipeline.runs.cycle import detect, take_in
from pipeline.runs.session import opened
from pipeline.workspace.places import Workspace
from tests.simulation.fleet import Fleet
from tests.simulation.workspace import write_register, write_workspace


@dataclass
class Lived:
    """What the pipeline said, day by day."""

    exceptions: pl.DataFrame  # one row per day and exception that is open: as it stood in that night
    final: pl.DataFrame  # all exceptions after the last night
    not_judged: pl.DataFrame  # site_id, day, detector, reason, code
    seconds: dict[str, float] = field(default_factory=dict)  # by detector, and for the other steps
    rows: int = 0
    rejected: int = 0
    quarantined: list[tuple[str, str]] = field(default_factory=list)
    kinds: dict[str, str] = field(default_factory=dict)  # kind -> detector


def live_through(fleet: Fleet, root: Path) -> Lived:
    """Lives through the fleet's days in a workspace at `root`."""
    seconds: dict[str, float] = defaultdict(float)
    with clocked(seconds, "(writing exports)"):
        exports = write_workspace(fleet, root)
    return live_days(
        root, fleet.first, fleet.days, exports.deliver, seconds,
        register=lambda day: write_register(fleet, root, day), register_days=exports.register_days,
    )  # fmt: skip


def live_days(
    root: Path,
    first: date,
    days: int,
    deliver: Callable[[int, Path], int],
    seconds: dict[str, float] | None = None,
    *,
    register: Callable[[int], None] | None = None,
    register_days: Iterable[int] = (),
) -> Lived:
    """Lives through the days in a workspace made at `root`.

    `deliver` writes into the inbox what arrives after a day (0 = the first); `register` writes sites.csv as it stands
    on a day, before the first and on each of `register_days`.
    """
    seconds = defaultdict(float) if seconds is None else seconds
    workspace = Workspace(root)
    nights: list[pl.DataFrame] = []
    lived = Lived(pl.DataFrame(), pl.DataFrame(), pl.DataFrame())
    with _timed_detectors(seconds):
        for begin, end in _spans(set(register_days), days):
            if register is not None:
                register(begin)
            with opened(workspace, is_quiet=True) as run:
                for number in range(begin, end):
                    day = first + timedelta(days=number)
                    with clocked(seconds, "(writing exports)"):
                        deliver(number, workspace.inbox)
                    with clocked(seconds, "(taking in, with site-days)"):
                        taken = take_in(run, night=day)
                    with clocked(seconds, "(detection, all in all)"):
                        detect(run, until=day)
                        now = folding.fold(run.store, day).now.exceptions
                    nights.append(now.filter(pl.col("closed_on").is_null()).with_columns(night=pl.lit(day)))
                    lived.rows += taken.rows_read
                    lived.rejected += taken.rows_rejected
                    lived.quarantined += taken.quarantined
                lived.final = now
                lived.not_judged = run.store.frame("SELECT site_id, day, detector, reason, code FROM not_judged")
    lived.exceptions, lived.seconds, lived.kinds = pl.concat(nights), dict(seconds), detectors.detector_names()
    return lived


@dataclass
class Taken:
    """What taking in a whole fleet gave."""

    rows: pl.DataFrame  # reading_raw
    problems: list[str]  # files in quarantine, rejected rows and cells


def readings_of(fleet: Fleet, root: Path) -> Taken:
    """Every export of the fleet, taken in at once."""
    exports = write_workspace(fleet, root)
    workspace = Workspace(root)
    for number in range(fleet.days + 7):
        exports.deliver(number, workspace.inbox)
    with opened(workspace, is_quiet=True) as run:
        result = take_in(run)
        problems = [f"{place}: {reason}" for place, reason in result.quarantined]
        problems += [f"{result.rows_rejected} rows rejected"] if result.rows_rejected else []
        problems += [f"{result.cells_rejected} cells rejected"] if result.cells_rejected else []
        return Taken(run.store.frame("SELECT * FROM reading_raw"), problems)


def _spans(register_days: set[int], days: int) -> list[tuple[int, int]]:
    cuts = sorted({0, *register_days, days})
    return list(pairwise(cuts))


@contextmanager
def clocked(seconds: dict[str, float], name: str) -> Iterator[None]:
    """Adds the processor time of what is done inside to `seconds[name]`."""
    begin = time.process_time()
    yield
    seconds[name] += time.process_time() - begin


@contextmanager
def _timed_detectors(seconds: dict[str, float]) -> Iterator[None]:
    """Processor time of every detector, of what it keeps of a day and of what the yield detectors share."""
    places: list[tuple[ModuleType, str, Any]] = []

    def watch(module: ModuleType, name: str, label: str) -> None:
        function = getattr(module, name)

        @functools.wraps(function)
        def timed(*args: Any, **kwargs: Any) -> Any:
            with clocked(seconds, label):
                return function(*args, **kwargs)

        places.append((module, name, function))
        setattr(module, name, timed)

    for module in detectors.load():
        watch(module, "detect", module.DETECTOR)
        if hasattr(module, "keep"):
            watch(module, "keep", module.DETECTOR)
    try:
        yield
    finally:
        for module, name, function in places:
            setattr(module, name, function)
