"""Mangled exports of every form of the samples, taken in by the thousand.

python -m tests.drills.fuzz --count N --seed S

Each batch of damaged files must be taken in without an error; every file must end in archive/ or in quarantine/ with a
reason that was foreseen; every row that was read must be accounted for; a row that was rejected must be in
rejected_row; no file may appear outside the workspace. A file of which only K lines were spoilt, cell by cell, must
lose no more than K rows. At the end the days are summed up and the days' reader is published.
"""

import argparse
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from pipeline.ingest import arrivals
from pipeline.ingest.ingest import Ingest
from pipeline.runs import session
from pipeline.store import ledger
from pipeline.workspace import resources
from pipeline.workspace.places import Workspace
from tests.drills.mangling import NASTY_CELLS, mangled, unpacked

AT_ONCE = 100
TOLD_EVERY = 1000
SPOILT = "only some cells"
MAX_ROWS = 400  # of a sample that is mangled: a day at 5 min and its header; longer ones are shortened


class Sample(NamedTuple):
    """An export of the samples, unpacked."""

    name: str
    folder: str
    member: str
    data: bytes


def samples() -> list[list[Sample]]:
    """Exports of each form, a few each, the forms side by side so that each is chosen as often."""
    root = resources.folder("sample_exports") / "exports"
    forms = []
    for folder in sorted(path for path in root.iterdir() if path.is_dir()):
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        forms.append([_sample(root, path) for path in files[:: max(len(files) // 6, 1)]])
    return forms


def _sample(root: Path, path: Path) -> Sample:
    data = unpacked(path.name, path.read_bytes())
    lines = data.split(b"\n")
    if len(lines) > MAX_ROWS and data[:1] not in b"{[":
        data = b"\n".join(lines[:MAX_ROWS]) + b"\n"
    member = path.name.removesuffix(".zip") + ".csv"
    if path.suffix == ".zip":
        import zipfile

        with zipfile.ZipFile(path) as pack:
            member = pack.namelist()[0]
    return Sample(path.name, path.parent.relative_to(root).as_posix(), member, data)


def make_workspace(root: Path) -> Workspace:
    """The samples' register and profiles."""
    source = resources.folder("sample_exports")
    root.mkdir(parents=True)
    for name in ("sites.csv", "arrays.csv", "devices.csv", "installers.csv"):
        shutil.copy(source / name, root / name)
    shutil.copytree(source / "profiles", root / "profiles")
    (root / "inbox").mkdir()
    (root / "noonmark.toml").write_text("[ingest]\nsettle_s = 0\nmax_export_mib = 8\n", encoding="utf-8")
    return Workspace(root)


def spoilt(sample: Sample, chance: random.Random) -> tuple[bytes, int]:
    """A CSV with a cell spoilt in some lines of rows, and in how many: quotes and line ends are left alone."""
    lines = sample.data.split(b"\n")
    separator = max((b";", b",", b"\t"), key=sample.data.count)
    last_head = next(n for n, line in enumerate(lines) if line.count(separator) == lines[-2].count(separator))
    places = chance.sample(range(last_head + 1, len(lines) - 1), 3)
    for place in places:
        cells = lines[place].split(separator)
        safe = [cell for cell in NASTY_CELLS if not set(cell) & set("\"'\n\r\x00;,\t\ufeff")]
        cells[chance.randrange(len(cells))] = chance.choice(safe).encode("utf-8")
        lines[place] = separator.join(cells)
    return b"\n".join(lines), len(places)


def fill(space: Workspace, forms: list[list[Sample]], count: int, chance: random.Random) -> dict[str, str]:
    """Puts damaged exports into the inbox: name -> how each was damaged."""
    made = {}
    for number in range(count):
        sample = chance.choice(chance.choice(forms))
        data, how = mangled(sample.name, sample.data, sample.member, chance)
        folder = space.inbox / sample.folder / f"{number}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / sample.name).write_bytes(data)
        made[f"{sample.folder}/{number}/{sample.name}"] = how
    return made


def faults_of(run: session.Opened, made: dict[str, str], outside: set[Path]) -> Iterator[str]:
    """Takes the inbox in; what was wrong with it, a line each."""
    space, before = run.workspace, ledger.last_export_id(run.store)
    work = Ingest(run.store, space, run.settings, run.register, run.profiles)
    result = work.run(arrivals.find(space, ()).arrivals)
    for place, reason in [*result.quarantined, *result.skipped]:
        if "not foreseen" in reason:
            yield f"{place} ({made.get(place, '?')}): {reason}"
    for name in (path.relative_to(space.inbox).as_posix() for path in space.inbox.rglob("*") if path.is_file()):
        yield f"{name} ({made.get(name, '?')}): is still in the inbox"
    wrong = run.store.con.execute(
        """
        SELECT f.path, f.rows_read, f.rows_rejected, count(r.export_id) FROM export_file AS f
        LEFT JOIN rejected_row AS r USING (export_id) WHERE f.export_id > ? GROUP BY ALL
        HAVING f.rows_rejected <> count(r.export_id)
            OR f.rows_read <> f.rows_stored + f.rows_unchanged + f.rows_replaced + f.rows_rejected
        """,
        [before],
    ).fetchall()
    for path, read, rejected, held in wrong:
        yield f"{path} ({made.get(path, '?')}): {read} rows read, {rejected} rejected and {held} of them kept"
    for folder in sorted(space.inbox.rglob("*"), reverse=True):  # else every later look into the inbox takes longer
        if folder.is_dir():
            folder.rmdir()
    if strange := set(space.root.parent.iterdir()) - outside:
        yield f"files outside the workspace: {sorted(map(str, strange))}"


def spoilt_rows(run: session.Opened, forms: list[list[Sample]], count: int, chance: random.Random) -> Iterator[str]:
    """Files with some cells spoilt lose the rows of these cells at most."""
    space = run.workspace
    rows: dict[str, tuple[int, int]] = {}
    # A stray file of the samples belongs to no profile: it is set aside whole.
    tables = [one for form in forms for one in form if one.name.endswith(".csv") and one.folder != "stray"]
    for number in range(count):
        sample = chance.choice(tables)
        data, lines = spoilt(sample, chance)
        folder = space.inbox / sample.folder / f"spoilt-{number}"
        folder.mkdir(parents=True)
        (folder / sample.name).write_bytes(data)
        rows[f"{sample.folder}/spoilt-{number}/{sample.name}"] = (data.count(b"\n"), lines)
    yield from faults_of(run, dict.fromkeys(rows, SPOILT), set(space.root.parent.iterdir()))
    known = run.store.con.execute("SELECT path, rows_read, rows_rejected FROM export_file").fetchall()
    told = {path: (read, rejected) for path, read, rejected in known}
    for path, (_, lines) in rows.items():
        read, rejected = told.get(path, (0, 0))
        if read == 0 or rejected > lines:
            yield f"{path} ({SPOILT}): {lines} lines were spoilt, and of {read} rows {rejected} were rejected"


def fuzz(count: int, seed: int, *, is_summed_up: bool = True) -> list[str]:
    """What went wrong with so many damaged exports, a line each."""
    chance, forms, faults = random.Random(seed), samples(), []
    ways: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        space = make_workspace(Path(folder) / "desk")
        with session.opened(space, is_quiet=True) as run:
            for start in range(0, count, AT_ONCE):
                made = fill(space, forms, min(AT_ONCE, count - start), chance)
                ways.update(how.partition(",")[0] for how in made.values())
                faults += list(faults_of(run, made, set(space.root.parent.iterdir())))
                if start and start % TOLD_EVERY == 0:
                    print(
                        f"{start} exports, {len(faults)} faults, {time.process_time():.0f} s of processor", flush=True
                    )
            faults += list(spoilt_rows(run, forms, max(count // 20, 3), chance))
            keys = "site_id, device_id, ts_utc"
            twofold = run.store.value(f"SELECT count(*) - count(DISTINCT ({keys})) FROM reading_raw")
            faults += [f"{twofold} readings are there twice"] if twofold else []
            if is_summed_up:
                session.sum_up(run)
                session.publish(run)
            total = run.store.value("SELECT count(*) FROM reading_raw")
    print(f"{count} exports, seed {seed}, {len(faults)} faults, {total} readings; {dict(ways)}", flush=True)
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.drills.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    faults = fuzz(given.count, given.seed)
    for fault in faults:
        print(fault)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
