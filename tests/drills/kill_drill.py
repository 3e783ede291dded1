"""Runs that are killed, interrupted or ended at random moments, over and over, against an undisturbed one.

`python -m tests.drills.kill_drill --tries N --seed S [--minutes M]`. Each try copies a workspace in which something
waits for a command, starts the command in a process of its own and sends it SIGKILL, SIGINT or SIGTERM after a random
time; now and then a second run is killed too. Then what is asked of a person is done: the command is run again. The end
must be, relation by relation, what an undisturbed run of the command gives. Some tries tear the history's file instead:
of the blocks that a run rewrote, some are as before and some as after, as when the machine fails amid a checkpoint.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.support.fleet import DAY, Fleet, differences, roof, sunny

ROOT = Path(__file__).parents[2]
DAYS = [DAY + timedelta(days=n) for n in range(3)]
SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)
BLOCK = 4096  # bytes that a file system writes at once
LIMIT_S = 300.0  # a command that takes longer than this hangs
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


class Drill:
    """Workspaces below `root`: one that waits per command, and the state that each command undisturbed ends in."""

    def __init__(self, root: Path, chance: random.Random) -> None:
        self.root, self.chance = root, chance
        self.waiting: dict[str, Path] = {}
        self.expected: dict[str, dict[str, Any]] = {}
        self.took_s: dict[str, float] = {}
        self.counts: Counter[str] = Counter()

    def prepare(self, names: list[str]) -> None:
        """The workspaces: two days judged, then late data for the first of them and the exports of a third."""
        lived = Fleet(self.root / "lived", 2, settings="[ingest]\nsettle_s = 0\nbatch_files = 2\n")
        for day in DAYS[:2]:
            for site in ("S1", "S2"):
                lived.drop(f"{site}_roof_{day}.csv", roof(sunny(day)) + "bad,1,1,1\n")
            lived.cycle()
        late = self._copy(lived.space.root, "late")
        fleet = Fleet.of(late)
        fleet.drop("S1_roof_late.csv", roof(sunny(DAYS[0], peak_w=3000)))
        for site in ("S1", "S2"):
            fleet.drop(f"{site}_roof_{DAYS[2]}.csv", roof(sunny(DAYS[2])))
        starts = {"digest": lived.space.root, "retime": lived.space.root}
        if "detect" in names:
            starts["detect"] = self._copy(late, "taken")
            Fleet.of(starts["detect"]).take_in()
        if "publish" in names:
            starts["publish"] = self._copy(late, "unread")
            shutil.rmtree(starts["publish"] / "reader")
        for name in [*names, TORN]:
            self.waiting[name] = starts.get(name, late)
            undisturbed = self._copy(self.waiting[name], f"undisturbed-{name.replace(' ', '-')}")
            started = time.monotonic()
            done(undisturbed, *self._again(name))
            self.took_s[name] = time.monotonic() - started
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
                done(root, *self._again(name))
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
        how, after_s = self.chance.choice(SIGNALS), self.chance.uniform(0.1, 1.05 * self.took_s[name])
        process = started_with(root, *COMMANDS[name])
        time.sleep(after_s)
        process.send_signal(how)
        try:
            said = process.communicate(timeout=LIMIT_S)[1]
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise RuntimeError(f"{name} does not end after {how.name}") from None
        self.counts[how.name] += 1
        if "Traceback" in said:
            raise RuntimeError(f"{name} ended in a traceback after {how.name}: {said[-2000:]}")
        return f"{how.name} after {after_s:.2f} s, exit status {process.returncode}"

    def _tear(self, root: Path) -> str:
        """The history's file with each changed block taken from before or from after a run; archive/ is as after."""
        database = root / "noonmark.duckdb"
        before = database.read_bytes()
        done(root, "cycle")
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


def started_with(root: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.commands.start", "-w", str(root), *arguments], cwd=ROOT, text=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def done(root: Path, *arguments: str) -> None:
    """The command, undisturbed; after a failure of storage what its one line says: a rebuild. Raises RuntimeError."""
    process = started_with(root, *arguments)
    said = process.communicate(timeout=LIMIT_S)[1]
    if process.returncode == 4 and "--rebuild" in said:
        done(root, "ingest", "--rebuild")
        done(root, "cycle")
    elif process.returncode not in (0, 1):
        raise RuntimeError(f"{' '.join(arguments)} ended with {process.returncode}: {said[-2000:]}")


def state(root: Path, name: str) -> dict[str, Any]:
    """What must be the same: the history, and the files. Of a torn file, the days are judged by a cycle of that day."""
    fleet = Fleet.of(root)
    found: dict[str, Any] = fleet.history()
    if name == "retime":
        found["clock_shift"] = fleet.ask("SELECT site_id, shift_min, from_day, to_day, undone_at FROM clock_shift")
    if name == TORN:
        found.pop("export_copy")
    return found | {folder: [(file,) for file in fleet.files(folder)] for folder in ("inbox", "archive", "quarantine")}


def drill(tries: int, seed: int, *, minutes: float | None = None, names: list[str] | None = None) -> list[str]:
    """The tries whose end was another than the undisturbed one's, told in a line each."""
    chance = random.Random(seed)
    chosen = names or list(COMMANDS)
    faults = []
    with tempfile.TemporaryDirectory(prefix="drill-") as folder:
        work = Drill(Path(folder), chance)
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
