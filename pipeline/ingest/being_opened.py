"""The mark of files being read, which outlives a run that is killed: a file that ends every run is found by it.

Which file of several it was shows when each is read alone. A large one that was read alone is taken to have exhausted
the memory; a small one may have been open by chance when the machine stopped, so it is tried again.
"""

import contextlib
import json
from collections.abc import Mapping
from typing import NamedTuple

from pipeline.ingest.arrivals import Arrival, state
from pipeline.workspace.files import replace_file
from pipeline.workspace.places import Workspace

LARGE_BYTES = 8 * 2**20  # ours: opened; what is smaller takes less memory than a run does anyway
TRIES = 3  # ours: chance does not stop three runs at one small file


class _Attempt(NamedTuple):
    tries: int
    is_alone: bool
    opened_bytes: int


class Opening:
    """What a killed run was reading, and the mark of what this run reads."""

    def __init__(self, workspace: Workspace) -> None:
        self._file = workspace.root / ".noonmark.opening"
        self._before: dict[str, _Attempt] = {}
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError, IndexError, KeyError):
            read = json.loads(self._file.read_text(encoding="utf-8"))
            self._before = {
                str(key): _Attempt(int(attempt[0]), bool(attempt[1]), int(attempt[2])) for key, attempt in read.items()
            }

    def is_suspect(self, arrival: Arrival) -> bool:
        """Whether a run ended while it read the file, or others with it: it is to be read alone."""
        return bool(self._before) and _key(arrival) in self._before

    def has_ended_runs(self, arrival: Arrival) -> bool:
        """Whether the file is taken to be what ended the run before."""
        attempt = self._before.get(_key(arrival)) if self._before else None
        return (
            attempt is not None
            and bool(attempt.is_alone)
            and (attempt.opened_bytes > LARGE_BYTES or attempt.tries >= TRIES)
        )

    def begin(self, opened_bytes: Mapping[Arrival, int]) -> None:
        """Marks the files as being read; with how many bytes, as far as that is known."""
        is_alone = len(opened_bytes) == 1
        attempts = {
            key: _Attempt(self._before[key].tries + 1 if key in self._before else 1, is_alone, size)
            for arrival, size in opened_bytes.items()
            for key in [_key(arrival)]
        }
        unread = {key: attempt for key, attempt in self._before.items() if key not in attempts}
        replace_file(self._file, json.dumps(unread | attempts))

    def end(self, arrivals: Mapping[Arrival, int]) -> None:
        """The files were read: nothing is held against them any more."""
        for arrival in arrivals:
            self._before.pop(_key(arrival), None)
        if self._before:
            self.begin({})
        else:
            self._file.unlink(missing_ok=True)


def _key(arrival: Arrival) -> str:
    return f"{arrival.place} {state(arrival.path)}"
