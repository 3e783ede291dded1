"""When the service waits, what its clocks say, and when it is told to stop."""

import signal
import threading
import time
from typing import NamedTuple

LONGEST_S = 3600.0  # ours: what a person has to see to is not seen to faster by asking often


class Backoff:
    """How long jobs that failed wait before they are tried again: twice as long after each failure in a row."""

    def __init__(self, first_s: float) -> None:
        self.first_s, self.failures, self.due = first_s, 0, 0.0  # `due` by the clock that nobody sets

    def note(self, *, is_good: bool) -> float:
        """Seconds until the next try, 0 after a good end."""
        self.failures = 0 if is_good else self.failures + 1
        wait_s = 0.0 if is_good else min(self.first_s * 2 ** (self.failures - 1), max(LONGEST_S, self.first_s))
        self.due = time.monotonic() + wait_s
        return wait_s

    def is_over(self) -> bool:
        """Whether the wait is over."""
        return time.monotonic() >= self.due


class Clocks(NamedTuple):
    """What this machine's clock says, and how long it runs by one that nobody sets, in s."""

    wall_s: float
    steady_s: float

    @classmethod
    def now(cls) -> "Clocks":
        """Both as they stand."""
        return cls(time.time(), time.monotonic())


def stop_requested() -> threading.Event:
    """Set by SIGTERM or SIGINT from here on; set already if an interrupt came before and was lost.

    What a handler raises in a destructor ends there. A command would merely go on to its end; the service has none.
    """
    stop = threading.Event()
    before = signal.getsignal(signal.SIGINT)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if getattr(before, "count", 0):
        stop.set()
    return stop
