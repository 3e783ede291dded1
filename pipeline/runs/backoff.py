"""How long a job that failed waits before it is tried again."""

import time

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
