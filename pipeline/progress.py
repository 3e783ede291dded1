"""How far long work has come: a bar on a terminal, plain lines in a pipe; always on stderr."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

Advance = Callable[[int], None]
LINE_EVERY_S = 10.0  # ours: a log that grows by a line now and then, not by a line per file


def silent(_: int) -> None:
    """Tells nobody."""


@contextmanager
def shown(what: str, total: int, unit: str) -> Iterator[Advance]:
    """A function to call with the number of units done since the last call."""
    console = Console(stderr=True)
    if console.is_terminal:
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn(unit),
            TimeRemainingColumn(),
        )
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda count: bar.advance(task, count)
        return
    done = 0
    last_line_at = time.monotonic()

    def advance(count: int) -> None:
        nonlocal done, last_line_at
        done += count
        if time.monotonic() - last_line_at >= LINE_EVERY_S and done < total:
            last_line_at = time.monotonic()
            print(f"{what}: {done} of {total} {unit}", file=sys.stderr, flush=True)

    yield advance
