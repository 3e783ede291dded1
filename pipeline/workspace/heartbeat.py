"""The heartbeat of the long-running service: a small file from which `status` sees whether it lives."""

import json
import logging
import os
import threading
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from pipeline.workspace.files import replace_file
from pipeline.workspace.places import Workspace

BEAT_S = 30.0  # between two beats
LOG = logging.getLogger("noonmark")


class Heartbeat:
    """What the service says of itself: since when it runs, when it was last alive, and how its jobs last ended.

    The run ledger holds the same of jobs that came to open the history; a job that did not (a fault in the register,
    a workspace that is held) is known from here alone.
    """

    def __init__(self, workspace: Workspace, **plan: Any) -> None:
        self.path, self._lock = workspace.heartbeat_file, threading.Lock()  # jobs end on threads of their own
        now = _now()
        self.facts: dict[str, Any] = {
            "pid": os.getpid(), "started_at": now, "beat_at": now, "stopped_at": None, **plan, "jobs": {},
        }  # fmt: skip

    def beat(self, *, next_runs: Mapping[str, str] | None = None) -> None:
        """Notes that the service is alive now, and when its jobs run next (job -> instant)."""
        self._write(beat_at=_now(), **({} if next_runs is None else {"next_runs": dict(next_runs)}))

    def note(self, job: str, failure: str | None) -> None:
        """Keeps how a job ended; None for well."""
        ended = {"last_good_at": _now()} if failure is None else {"last_failed_at": _now(), "failure": failure}
        with self._lock:
            known = self.facts["jobs"].get(job, {"last_good_at": None, "last_failed_at": None, "failure": None})
            self.facts["jobs"][job] = known | ended
        self._write()

    def stop(self) -> None:
        """Notes that the service was stopped on purpose."""
        self._write(stopped_at=_now())

    def _write(self, **changed: Any) -> None:
        with self._lock:
            self.facts.update(changed)
            try:
                replace_file(self.path, json.dumps(self.facts, indent=1) + "\n")
            except OSError as error:  # a full disk: the jobs tell of it too, and the service outlives it
                LOG.warning("the heartbeat cannot be written: %s", error)


def read_heartbeat(workspace: Workspace) -> dict[str, Any] | None:
    """The last beat, or None where no service ever ran here, or the file is not what one writes."""
    try:
        facts = json.loads(workspace.heartbeat_file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    is_beat = isinstance(facts, dict) and {"started_at", "beat_at", "stopped_at", "jobs"} <= facts.keys()
    return facts if is_beat else None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
