"""How much memory large and hostile exports take: `python -m tests.benches.memory [CASE ...]`.

Each is taken in by a process of its own, through the whole command; told are its peak resident memory, what it had
before it read anything, and what became of the export. CSVs of several sizes show whether memory follows the size.
"""

import argparse
import gzip
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path

from pipeline.commands.cli import main as noonmark
from tests.benches.ingest import COLUMNS, prepare, rows

MIB = 2**20
SITES = 1000
ROOT = Path(__file__).parents[2]
JSON_PROFILE = """
format = "json"
match = ["*.json"]
[json]
records = "rows"
[site]
from = "column"
column = "site"
[timestamp]
column = "time"
format = "%Y-%m-%d %H:%M:%S"
marks = "interval start"
"""


def blocks(size: int) -> Iterator[bytes]:
    """A CSV of so many bytes, day by day of 1,000 sites."""
    yield f"site,time,{','.join(COLUMNS)}\n".encode()
    sites = [("\n".join(rows(site, date(2000, 1, 1))) + "\n").encode() for site in range(SITES)]
    day = date(2025, 6, 1)
    while True:
        for block in sites:
            yield block.replace(b"2000-01-01", day.isoformat().encode())
            if (size := size - len(block)) <= 0:
                return
        day += timedelta(days=1)


def csv_of(size: int) -> Callable[[Path], None]:
    def make(inbox: Path) -> None:
        with (inbox / "large.csv").open("wb") as file:
            file.writelines(blocks(size))

    return make


def gz_of(size: int) -> Callable[[Path], None]:
    def make(inbox: Path) -> None:
        with gzip.open(inbox / "large.csv.gz", "wb", compresslevel=1) as file:
            file.writelines(blocks(size))

    return make


def one_line(inbox: Path) -> None:
    with (inbox / "line.csv").open("wb") as file:
        file.write(f"site,time,{','.join(COLUMNS)}\nS00001,2026-06-10 00:00:00,".encode())
        file.writelines(b"1" * MIB for _ in range(200))


def bomb(inbox: Path) -> None:
    """What 2 MB may hold: a gigabyte of one row, over and over."""
    row = b"S00001,2026-06-10 00:00:00" + b",1.0" * len(COLUMNS) + b"\n"
    with gzip.open(inbox / "bomb.csv.gz", "wb") as file:
        file.write(f"site,time,{','.join(COLUMNS)}\n".encode())
        file.writelines(row * 20_000 for _ in range(1000 * MIB // (len(row) * 20_000)))


def json_of(size: int) -> Callable[[Path], None]:
    def make(inbox: Path) -> None:
        names = ("site", "time", *COLUMNS)
        with (inbox / "large.json").open("w", encoding="utf-8") as file:
            file.write('{"rows": [')
            written, day, begins = 0, date(2025, 6, 1), ""
            while written < size - 70_000:
                for site in range(SITES):
                    cells = (dict(zip(names, line.split(","), strict=True)) for line in rows(site, day))
                    text = ",".join(json.dumps(record) for record in cells)
                    written += file.write(begins + text)
                    begins = ","
                    if written >= size - 70_000:
                        break
                day += timedelta(days=1)
            file.write("]}")

    return make


CASES: dict[str, Callable[[Path], None]] = {
    "CSV of 64 MB": csv_of(64_000_000),
    "CSV of 250 MB": csv_of(250_000_000),
    "CSV of 500 MB": csv_of(500_000_000),
    "gz of 1 GB of rows": gz_of(1_000_000_000),
    "gz of 1 GB of one row": bomb,
    "one line of 200 MB": one_line,
    "JSON of 64 MB": json_of(64_000_000),
    "JSON of 100 MB": json_of(100_000_000),
}


def measured(name: str, folder: Path) -> dict[str, object]:
    """What became of the case, and the memory that it took."""
    desk = folder / "desk"
    if not desk.exists():
        prepare(desk, SITES)
        channels = "".join(f'[channels.{channel}]\ncolumn = "{channel}"\n' for channel in COLUMNS)
        (desk / "profiles" / "json.toml").write_text(JSON_PROFILE + channels, encoding="utf-8")
        bench = desk / "profiles" / "bench.toml"
        bench.write_text(bench.read_text(encoding="utf-8").replace('"*.csv"', '"*.csv*"'), encoding="utf-8")
    for used in ("inbox", "quarantine", "archive"):
        for path in (desk / used).rglob("*"):
            if path.is_file():
                path.unlink()
    for database in desk.glob("noonmark.*db"):
        database.unlink()
    CASES[name](desk / "inbox")
    done = subprocess.run(
        [sys.executable, "-m", "tests.benches.memory", "--in", str(desk)], capture_output=True, text=True, cwd=ROOT
    )
    told = done.stdout.strip().splitlines()
    if done.returncode or not told:
        return {"outcome": f"ended with {done.returncode}: {done.stderr[-300:]}"}
    return dict(json.loads(told[-1]))


def take_in(desk: Path) -> None:
    """`noonmark ingest`, in this process; prints what it took."""
    before, started = _peak_mib(), time.process_time()
    sys.argv = ["noonmark", "-w", str(desk), "ingest"]
    status = noonmark()
    reasons = [path.read_text(encoding="utf-8").split("\n")[0] for path in (desk / "quarantine").glob("*.reason.txt")]
    outcome = reasons[0] if reasons else "taken in"
    print(json.dumps({
        "peak": _peak_mib(), "before": before, "s": time.process_time() - started, "status": status, "outcome": outcome
    }))  # fmt: skip


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", nargs="*", choices=[*CASES, []])
    parser.add_argument("--in", dest="desk", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.desk:
        take_in(asked.desk)
        return
    print("| export | peak MiB | before | processor s | exit status | outcome |\n| --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        for name in asked.cases or CASES:
            found = measured(name, Path(folder))
            figures = [f"{found.get(key, 0):.0f}" for key in ("peak", "before", "s", "status")]
            print(f"| {name} | {' | '.join(figures)} | {found['outcome']} |", flush=True)


if __name__ == "__main__":
    main()
