"""Runs of the program that cost no new interpreter: a process has it loaded, and forks for each run.

The process that is forked has run nothing, so it holds no pool of threads and no connection, and a fork of it is as a
new process is once its imports are done and its tables of zones and templates are read. What dies at a signal is the
forked run alone. Most detectors are silent in it: what a run that ends early leaves behind does not depend on which of
them there are, and those that stay open exceptions, look back on days, and are given features of both sorts.
"""

import gc
import importlib
import json
import os
import pkgutil
import select
import signal
import subprocess
import sys
import time
from contextlib import suppress
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

from pipeline.commands import start

ROOT = Path(__file__).parents[2]
LISTENING = ("clock", "site-silent", "balance-broken", "readings-frozen", "no-generation")
LAZY = (
    "pvlib",
    "h5py",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.sparse.csgraph",
    "scipy.spatial",
    "scipy.special",
    "scipy.stats",
    "encodings.utf_8_sig",
    "encodings.unicode_escape",
    "tzdata.zoneinfo",
)  # loaded when needed


class Ended(NamedTuple):
    """How a run ended."""

    status: int  # exit status; negative: the signal's number
    processor_s: float
    said: str  # on stderr


class Running:
    """A run of the program that can be sent signals."""

    def __init__(self, forked: "Forked", pid: int, said: Path) -> None:
        self._forked, self.pid, self._said = forked, pid, said

    def processor_s(self) -> float:
        """Seconds of processor that the run has used; the last moment's once it has ended."""
        with suppress(OSError):
            return time.clock_gettime(((~self.pid) << 3) | 2)  # clock_getcpuclockid(3) of Linux
        return float("inf")

    def is_sleeping(self) -> bool:
        """Whether the run waits for something other than a processor, or has ended."""
        with suppress(OSError):
            about = Path(f"/proc/{self.pid}/stat").read_text(encoding="ascii", errors="replace")
            return about.rpartition(")")[2].split()[0] != "R"
        return True

    def send(self, number: signal.Signals) -> None:
        """Sends the signal; nothing if the run has ended."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, number)

    def ended(self, limit_s: float) -> Ended | None:
        """How the run ended; None if it has not after so many seconds."""
        told = self._forked.line(limit_s)
        if told is None:
            return None
        status, used = json.loads(told)
        return Ended(status, used, self._said.read_text(encoding="utf-8", errors="replace"))


class Forked:
    """The process that forks; use as a context manager."""

    def __init__(self, scratch: Path) -> None:
        """`scratch`: a folder for what the runs say."""
        self._said = scratch / "stderr.txt"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.drills.forked"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            process_group=0, env={**os.environ, "PYTHONPATH": str(ROOT), "POLARS_MAX_THREADS": "1"},
        )  # fmt: skip
        self._held = b""

    def __enter__(self) -> "Forked":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()  # it ends with its input
        self._process.wait()

    def start(self, root: Path, *arguments: str) -> Running:
        """A run on a workspace. One at a time: the one before must have ended."""
        assert self._process.stdin is not None
        order = [str(self._said), "-w", str(root), *arguments]
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        self._process.stdin.flush()
        told = self.line(None)
        assert told is not None
        return Running(self, int(told), self._said)

    def line(self, limit_s: float | None) -> str | None:
        """The next line that the process says; None after so many seconds. Raises RuntimeError if it ended."""
        assert self._process.stdout is not None
        until = None if limit_s is None else time.monotonic() + limit_s
        while b"\n" not in self._held:
            left = None if until is None else max(0.0, until - time.monotonic())
            if not select.select([self._process.stdout], [], [], left)[0]:
                return None
            more = os.read(self._process.stdout.fileno(), 4096)
            if not more:
                raise RuntimeError("the process that forks has ended")
            self._held += more
        line, self._held = self._held.split(b"\n", 1)
        return line.decode()


def load_all() -> None:
    """Imports every module of the program, and what it imports or reads when first needed."""
    for package in (importlib.import_module("pipeline"), importlib.import_module("detectors")):
        for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            importlib.import_module(module.name)
    for name in LAZY:
        importlib.import_module(name)
    from detectors.clock.zones import daily_offsets, places
    from pipeline.digest.rendering import environment
    from pipeline.register.zone_notes import zones_at

    zones_at(0.0, 0.0)
    for place in places():
        daily_offsets(place.zone, date(2026, 1, 1), 365)
    for template in environment().list_templates(extensions=["j2"]):
        environment().get_template(template)


def silence() -> None:
    """Leaves the detectors of LISTENING; the others are there, and say nothing."""
    import detectors

    for module in detectors.load():
        if module.DETECTOR not in LISTENING:
            vars(module)["detect"] = _say_nothing


def _say_nothing() -> list[object]:
    return []


def serve() -> None:
    """Forks a run for each line of the input, and says its process number, then its exit status and processor time."""
    load_all()
    silence()
    gc.freeze()  # what is loaded stays shared with the forked runs
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # until the program's own handler is set
    for line in iter(sys.stdin.buffer.readline, b""):
        said, *arguments = json.loads(line)
        pid = os.fork()
        if pid == 0:
            for number, path in ((0, os.devnull), (1, os.devnull), (2, said)):
                os.dup2(os.open(path, os.O_RDONLY if number == 0 else os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
            sys.argv = ["noonmark", *arguments]
            start.entry()
        os.write(1, b"%d\n" % pid)
        _, status, used = os.wait4(pid, 0)
        code = os.waitstatus_to_exitcode(status)
        os.write(1, json.dumps([code, used.ru_utime + used.ru_stime]).encode() + b"\n")


def run_once(arguments: list[str]) -> None:
    """A run in this new interpreter, of the same detectors."""
    # Not the default: Polars, once loaded, calls the handler that it finds, and there is none to call then.
    signal.signal(signal.SIGINT, lambda *_: os._exit(start.INTERRUPTED))
    silence()
    sys.argv = ["noonmark", *arguments]
    start.entry()


if __name__ == "__main__":
    run_once(sys.argv[1:]) if len(sys.argv) > 1 else serve()
