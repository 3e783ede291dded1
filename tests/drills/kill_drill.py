"""Runs that are killed, interrupted or ended at random moments, over and over, against an undisturbed one.

`python -m tests.drills.kill_drill --tries N --seed S [--minutes M]`. Each try copies a workspace in which something
waits for a command, starts the command and sends it SIGKILL, SIGINT or SIGTERM once it has used a random time of the
processor; now and then a second run is killed too. Then what is asked of a person is done: the command is run again.
The end must be, relation by relation, what an undisturbed run of the command gives: the history, what analysts read,
the digests' facts, the files. Some tries tear the history's file instead: of the blocks that a run rewrote, some are as
before and some as after, as when the machine fails amid a checkpoint. Runs are forked from a process that has the
program loaded (`forked`); one in 25 is a new interpreter, so that its imports are disturbed too.
"""

import argparse
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb

from tests.drills.forked import ROOT, Ended, Forked, Running
from tests.support.fleet import DAY, Fleet, differences, roof, rounded, sunny

DAYS = [DAY + timedelta(days=n) for n in range(3)]
SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)
BLOCK = 4096  # bytes that a file system writes at once
DAMAGED = re.compile(r"the history is (damaged|cut short)")
LIMIT_S = 600.0  # a command that takes longer than this hangs, even on a machine that does much else
IDLE_S = 1.0  # a run that uses no processor for so long waits for something
NEW_INTERPRETER = 0.04  # share of the disturbed runs
MINUTES = 30  # of the exports; few rows are enough
SITES = [{"site_id": name, "timezone": "UTC"} for name in ("S1", "S2")]  # so that no day is touched by an hour of it
SETTINGS = "[ingest]\nsettle_s = 0\nbatch_files = 2\n"
RETIME = ("retime", "S1", "--shift-min", "-60", "--from", str(DAYS[1]))
COMMANDS: dict[str, tuple[str, ...]] = {
    "ingest": ("ingest",),
    "detect": ("detect",),
    "digest": ("digest",),
    "cycle": ("cycle",),
    "retime": RETIME,
    "rebuild": ("ingest", "--rebuild"),
    "publish": ("ingest",),  # on a workspace whose reader is wholly out of date
    "schedule": ("schedule",),
}
TORN = "torn blocks"
READ = {  # relation of the analyst's database -> columns that two ways to the same end agree on
    "reading": "site_id, ts_utc, pv_w, load_w, export_id, clock_shift_min",
    "site_day": "site_id, day, readings, pv_kwh, coverage_pct",
    "finding": "site_id, day, kind, severity, value",
    "exception": "exception_id, severity, status, first_day, last_day, loss_kwh",
    "export_file": "export_id, path, rows_stored, rows_unchanged, rows_replaced, rows_rejected",
    "rejected_row": "export_id, line, reason",
}


class Drill:
    """Workspaces below `root`: one that waits per command, and the state that each command undisturbed ends in."""

    def __init__(self, root: Path, chance: random.Random, forked: Forked) -> None:
        self.root, self.chance, self.forked = root, chance, forked
        self.waiting: dict[str, Path] = {}
        self.expected: dict[str, dict[str, Any]] = {}
        self.used_s: dict[str, float] = {}
        self.counts: Counter[str] = Counter()

    def prepare(self, names: list[str]) -> None:
        """The workspaces: two days judged, then late data for the first of them and the exports of a third."""
        lived = Fleet(self.root / "lived", SITES, settings=SETTINGS)
        for day in DAYS[:2]:
            for site in ("S1", "S2"):
                lived.drop(f"{site}_roof_{day}.csv", roof(sunny(day, minutes=MINUTES)) + "bad,1,1,1\n")
        self.done(lived.space.root, "cycle")
        late = self._copy(lived.space.root, "late")
        fleet = Fleet.of(late)
        fleet.drop("S1_roof_late.csv", roof(sunny(DAYS[0], peak_w=3000, minutes=MINUTES)))
        for site in ("S1", "S2"):
            fleet.drop(f"{site}_roof_{DAYS[2]}.csv", roof(sunny(DAYS[2], minutes=MINUTES)))
        starts = {"digest": lived.space.root, "retime": lived.space.root}
        if "detect" in names:
            starts["detect"] = self._copy(late, "taken")
            self.done(starts["detect"], "ingest")
        if "publish" in names:
            starts["publish"] = self._copy(late, "unread")
            shutil.rmtree(starts["publish"] / "reader")
        for name in [*names, TORN]:
            self.waiting[name] = starts.get(name, late)
            undisturbed = self._copy(self.waiting[name], _undisturbed(name))
            self.used_s[name] = self.done(undisturbed, *self._again(name)).processor_s
            self.expected[name] = state(undisturbed, name)

    def one(self, name: str) -> str | None:
        """What was wrong with one try, or None."""
        root = self._copy(self.waiting[name], "disturbed")
        try:
            if name == TORN:
                how = self._tear(root)
            else:
                how = "; ".join(self._disturbed(root, name) for _ in range(self.chance.choice((1, 1, 2))))
            self.counts[name] += 1
            try:
                self.done(root, *self._again(name))
                wrong: object = differences(self.expected[name], state(root, name))
            except RuntimeError as error:
                wrong = error
            return f"{name}, {how}: {wrong}" if wrong else None
        finally:
            shutil.rmtree(root)

    def _again(self, name: str) -> tuple[str, ...]:
        """What a person runs after the disturbance; the service itself does not end, so a cycle stands for it."""
        return COMMANDS["cycle" if name in ("schedule", TORN) else name]

    def _disturbed(self, root: Path, name: str) -> str:
        number, is_new = self.chance.choice(SIGNALS), self.chance.random() < NEW_INTERPRETER
        most_s = 1.05 * self.used_s[name] + (4.0 if is_new else 0.0)  # beyond its end too; a new one imports first
        after_s = self.chance.uniform(0.0, most_s)
        run: Running | NewInterpreter = (NewInterpreter if is_new else self.forked.start)(root, *COMMANDS[name])
        wait_for(run, after_s)
        run.send(number)
        ended = run.ended(LIMIT_S)
        if ended is None:
            run.send(signal.SIGKILL)
            run.ended(LIMIT_S)
            raise RuntimeError(f"{name} does not end after {number.name}")
        self.counts[number.name] += 1
        self.counts[f"{name} {number.name}"] += 1
        if "Traceback" in ended.said:
            raise RuntimeError(f"{name} ended in a traceback after {number.name}: {ended.said[-2000:]}")
        return f"{number.name} after {after_s:.2f} s of processor, exit status {ended.status}"

    def done(self, root: Path, *arguments: str) -> Ended:
        """The command, undisturbed; after a failure of storage what its one line says: a rebuild.

        Raises RuntimeError where the command ends otherwise.
        """
        ended = self.forked.start(root, *arguments).ended(LIMIT_S)
        if ended is not None and "--rebuild" in ended.said and (ended.status == 4 or DAMAGED.search(ended.said)):
            self.done(root, "ingest", "--rebuild")
            self.done(root, "cycle")
        elif ended is None or ended.status not in (0, 1):
            raise RuntimeError(f"{' '.join(arguments)} ended so: {ended}")
        return ended

    def _tear(self, root: Path) -> str:
        """The history's file with each changed block taken from before or from after a run; archive/ is as after."""
        shutil.rmtree(root)
        shutil.copytree(self.root / _undisturbed(TORN), root)
        database = root / "noonmark.duckdb"
        before = (self.waiting[TORN] / "noonmark.duckdb").read_bytes()
        shutil.copy(self.waiting[TORN] / "noonmark.copy.duckdb", root / "noonmark.copy.duckdb")
        after = database.read_bytes()
        size = max(len(before), len(after))
        old, new = before.ljust(size, b"\0"), after.ljust(size, b"\0")
        torn = bytearray(new)
        count = 0
        for place in range(3 * BLOCK, size, BLOCK):  # beyond the headers, which are written last
            if old[place : place + BLOCK] != new[place : place + BLOCK] and self.chance.random() < 0.5:
                torn[place : place + BLOCK] = old[place : place + BLOCK]
                count += 1
        torn[: 3 * BLOCK] = self.chance.choice((old, new))[: 3 * BLOCK]
        database.write_bytes(bytes(torn))
        return f"{count} blocks as before"

    def _copy(self, source: Path, name: str) -> Path:
        target = self.root / name
        shutil.copytree(source, target)
        return target


def _undisturbed(name: str) -> str:
    """The folder in which the command ran undisturbed."""
    return f"undisturbed-{name.replace(' ', '-')}"


class NewInterpreter(Running):
    """A run as a person starts it."""

    def __init__(self, root: Path, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.drills.forked", "-w", str(root), *arguments], cwd=ROOT, text=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        self.pid = self._process.pid

    def ended(self, limit_s: float) -> Ended | None:
        """How the run ended; None if it has not after so many seconds."""
        try:
            said = self._process.communicate(timeout=limit_s)[1]
        except subprocess.TimeoutExpired:
            return None
        return Ended(self._process.returncode, 0.0, said)


def wait_for(run: Running, after_s: float) -> None:
    """Waits until the run has used so much processor, or none for IDLE_S (it waits itself, or has ended)."""
    used_s, since = 0.0, time.monotonic()
    while (now_s := run.processor_s()) < after_s:
        if now_s > used_s:
            used_s, since = now_s, time.monotonic()
        elif time.monotonic() - since > IDLE_S and run.is_sleeping():
            return
        time.sleep(0.002)


def state(root: Path, name: str) -> dict[str, Any]:
    """What must be the same: the history, what analysts read of it, and the files.

    Of a torn file, the days are judged by a cycle of that day. A digest tells of runs what the moment gave; its facts
    are compared where the command makes one.
    """
    fleet = Fleet.of(root)
    found: dict[str, Any] = fleet.history()
    if name == "retime":
        found["clock_shift"] = fleet.ask("SELECT site_id, shift_min, from_day, to_day, undone_at FROM clock_shift")
    if name == TORN:
        found.pop("export_copy")
    with closing(duckdb.connect(str(root / "reader" / "noonmark.duckdb"), read_only=True)) as con:
        for relation, columns in READ.items():
            rows = con.execute(f"SELECT {columns} FROM {relation} ORDER BY ALL").fetchall()
            found[f"reader: {relation}"] = [tuple(map(rounded, row)) for row in rows]
    if name in ("digest", "cycle", "schedule"):
        found |= {f"digest {path.parent.name}": [facts_of(path)] for path in (root / "digests").glob("*/digest.json")}
    return found | {folder: [(file,) for file in fleet.files(folder)] for folder in ("inbox", "archive", "quarantine")}


def facts_of(path: Path) -> tuple[str, ...]:
    """What a digest says, but for when it was made."""
    facts = json.loads(path.read_text(encoding="utf-8"))
    return tuple(f"{key}: {json.dumps(value)}" for key, value in facts.items() if key not in ("made_at", "title"))


def drill(tries: int, seed: int, *, minutes: float | None = None, names: list[str] | None = None) -> list[str]:
    """The tries whose end was another than the undisturbed one's, told in a line each."""
    chance = random.Random(seed)
    chosen = names or list(COMMANDS)
    faults = []
    with tempfile.TemporaryDirectory(prefix="drill-") as folder, Forked(Path(folder)) as forked:
        work = Drill(Path(folder), chance, forked)
        work.prepare(chosen)
        until = None if minutes is None else time.monotonic() + 60 * minutes
        for number in range(tries):
            if until is not None and time.monotonic() > until:
                break
            try:
                fault = work.one([*chosen, TORN][number % (len(chosen) + 1)])
            except RuntimeError as error:
                fault = str(error)
            if fault is not None:
                faults.append(fault)
                print(f"try {number + 1}: {fault}", flush=True)
            if (number + 1) % 50 == 0:
                print(f"{number + 1} tries so far, {len(faults)} faults; {dict(work.counts)}", flush=True)
        total = sum(work.counts[name] for name in [*COMMANDS, TORN])
        print(f"{total} tries, seed {seed}, {len(faults)} faults; {dict(work.counts)}", flush=True)
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tries", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, help="stop after so many, whatever the tries")
    given = parser.parse_args()
    return 1 if drill(given.tries, given.seed, minutes=given.minutes) else 0


if __name__ == "__main__":
    sys.exit(main())
