"""How fast exports are taken in, against DuckDB's bare read_csv of the same files: `python -m tests.benches.ingest`.

Ratios of medians within one run, of elapsed and of processor time; the bare reading checks nothing, knows no zone and
accounts for no row. `--year` also takes the same day into a history that already holds a year of the same sites (some
minutes, 3 GB of disk).
"""

import argparse
import json
import math
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb

from pipeline.detection import sum_up
from pipeline.ingest import arrivals
from pipeline.ingest.ingest import Ingest
from pipeline.runs.session import opened, publish
from pipeline.workspace.places import Workspace

DAY = date(2026, 6, 10)
COLUMNS = ("pv_w", "load_w", "grid_w", "battery_w", "soc_pct", "pv1_w", "pv2_w", "voltage_l1_v", "frequency_hz",
           "inverter_temp_c")  # fmt: skip
PROFILE = """
format = "csv"
match = [{match}]
[site]
from = "column"
column = "site"
[timestamp]
column = "time"
format = "%Y-%m-%d %H:%M:%S"
marks = "interval start"
interval_min = 5
"""


def rows(site: int, day: date) -> Iterator[str]:
    """A day of one site at 5 min, twelve columns."""
    for n in range(288):
        at = datetime(day.year, day.month, day.day) + n * timedelta(minutes=5)  # noqa: DTZ001 - a wall clock
        pv = (
            max(0.0, 5000 * math.sin(math.pi * (n - 70) / 150)) * (0.8 + 0.2 * math.sin(site + n))
            if 70 < n < 220
            else 0.0
        )
        load = 400 + 300 * abs(math.sin(n / 11 + site))
        cells = (pv, load, load - pv, 0.0, 50 + n % 40, pv / 2, pv / 2, 230 + n % 5, 50.01, 31.5)
        yield f"S{site:05d},{at:%Y-%m-%d %H:%M:%S}," + ",".join(f"{cell:.1f}" for cell in cells)


def prepare(folder: Path, sites: int) -> None:
    """A workspace without exports, and the exports beside it: one file per site, and one for all."""
    (folder / "profiles").mkdir(parents=True)
    (folder / "inbox").mkdir()
    register = ["site_id,name,latitude,longitude,timezone,installed_kwp"]
    register += [f"S{n:05d},Roof {n},{47 + n % 50 / 100},{8 + n % 70 / 100},Europe/Zurich,6" for n in range(sites)]
    (folder / "sites.csv").write_text("\n".join(register) + "\n", encoding="utf-8")
    (folder / "noonmark.toml").write_text("[ingest]\nsettle_s = 0\n", encoding="utf-8")
    channels = "".join(f'[channels.{name}]\ncolumn = "{name}"\n' for name in COLUMNS)
    (folder / "profiles" / "bench.toml").write_text(PROFILE.format(match='"*.csv"') + channels, encoding="utf-8")
    header = "site,time," + ",".join(COLUMNS)
    for name in ("each", "all"):
        (folder.parent / name).mkdir()
    with (folder.parent / "all" / f"all_{DAY}.csv").open("w", encoding="utf-8") as whole:
        whole.write(header + "\n")
        for site in range(sites):
            lines = "\n".join(rows(site, DAY)) + "\n"
            whole.write(lines)
            (folder.parent / "each" / f"S{site:05d}_{DAY}.csv").write_text(f"{header}\n{lines}", encoding="utf-8")


def bare(files: Path, database: Path) -> dict[str, float]:
    """DuckDB's own typed reading of the files into a table of a file."""
    database.unlink(missing_ok=True)
    start, before = time.perf_counter(), processor_s()
    with duckdb.connect(str(database)) as con:
        con.execute(f"CREATE TABLE bare AS SELECT * FROM read_csv('{files}/*.csv')")
    return {"ingest": time.perf_counter() - start, "processor": processor_s() - before}


def processor_s() -> float:
    """What this process has used."""
    return sum(resource.getrusage(resource.RUSAGE_SELF)[:2])


def ours(files: Path, root: Path) -> dict[str, float]:
    """Taking in, and what follows it: summing up, publishing."""
    space = Workspace(root)
    for path in files.iterdir():
        shutil.copy(path, space.inbox / path.name)
    with opened(space, is_quiet=True) as run:
        start, before = time.perf_counter(), processor_s()
        waiting = arrivals.let_settle(arrivals.find(space, ()), 0)
        result = Ingest(run.store, space, run.settings, run.register, run.profiles).run(waiting.arrivals)
        taken, used = time.perf_counter(), processor_s() - before
        sum_up.sum_up(run.store)
        summed = time.perf_counter()
        publish(run)
        published = time.perf_counter()
    assert result.rows_read == result.rows_stored + result.rows_unchanged + result.rows_replaced
    return {"ingest": taken - start, "processor": used, "sum up": summed - taken, "publish": published - summed}


def fill_a_year(root: Path, sites: int) -> None:
    """Readings of the year before DAY, a day at a time as they would have come, straight into the history."""
    with opened(Workspace(root), is_quiet=True) as run:
        first = datetime(DAY.year, DAY.month, DAY.day, tzinfo=UTC) - timedelta(days=365, hours=2)
        for day in range(365):
            run.store.con.execute(
                """
                INSERT INTO reading_raw BY NAME
                SELECT printf('S%05d', s) AS site_id, '' AS device_id,
                    CAST(? AS TIMESTAMPTZ) + to_minutes(5 * i) AS ts_utc,
                    300 AS interval_s, 'start' AS marks, CAST(i AS VARCHAR) AS ts_export, 0 AS export_id,
                    i % 5000 * 1.0 AS pv_w, 400 + i % 300 * 1.0 AS load_w,
                    400 - i % 4000 * 1.0 AS grid_w, 0.0 AS battery_w,
                    50 + i % 40 * 1.0 AS soc_pct, i % 2500 * 1.0 AS pv1_w, i % 2500 * 1.0 AS pv2_w,
                    230 + i % 5 * 1.0 AS voltage_l1_v, 50.01 AS frequency_hz, 31.5 AS inverter_temp_c
                FROM range(?) AS t(s), range(288) AS u(i) ORDER BY s, i
                """,
                [first + timedelta(days=day), sites],
            ).fetchall()
        run.store.con.execute("CHECKPOINT history")


def in_child(task: str, *arguments: str) -> dict[str, float]:
    """The task's figures, and its peak memory in MiB, from a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benches.ingest", "--task", task, *arguments],
        check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return dict(json.loads(done.stdout))


def compare(folder: Path, kind: str, runs: int, template: Path) -> tuple[dict[str, float], dict[str, float]]:
    """Medians of (ours, bare), in turn."""
    mine, theirs = [], []
    for n in range(runs):
        work = folder / f"run-{kind}-{n}"
        shutil.copytree(template, work)
        os.sync()  # or the writing back of the copy would be measured too
        mine.append(in_child("ours", str(folder / kind), str(work)))
        theirs.append(in_child("bare", str(folder / kind), str(folder / f"bare-{kind}-{n}.duckdb")))
        shutil.rmtree(work)
    return tuple({name: statistics.median(one[name] for one in found) for name in found[0]} for found in (mine, theirs))  # type: ignore[return-value]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--year", action="store_true", help="also with a year of history")
    parser.add_argument("--task", choices=["ours", "bare"])
    parser.add_argument("places", nargs="*", type=Path)
    asked = parser.parse_args()
    if asked.task:
        found = (ours if asked.task == "ours" else bare)(*asked.places)
        print(json.dumps({**found, "peak MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
        return
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        prepare(folder / "desk", asked.sites)
        print(
            f"{asked.sites} sites x 288 rows x 12 columns, median of {asked.runs} runs in turn with DuckDB's read_csv"
        )
        print("            elapsed                   processor")
        print("files      ingest s   bare s   ratio  ingest s   bare s   ratio   sum up s  publish s  peak MiB")
        empty: dict[str, float] = {}
        for kind in ("each", "all"):
            mine, theirs = compare(folder, kind, asked.runs, folder / "desk")
            empty = mine if kind == "each" else empty
            show("one for all" if kind == "all" else "one each", mine, theirs)
        if asked.year:
            fill_a_year(folder / "desk", asked.sites)
            mine, theirs = compare(folder, "each", asked.runs, folder / "desk")
            show("with year", mine, theirs)
            print(f"on a history of a year against an empty one: {mine['ingest'] / empty['ingest']:.2f}")


def show(name: str, mine: dict[str, float], theirs: dict[str, float]) -> None:
    ratios = "".join(
        f" {mine[what]:8.2f} {theirs[what]:8.2f} {mine[what] / theirs[what]:7.2f} " for what in ("ingest", "processor")
    )
    print(f"{name:11}{ratios} {mine['sum up']:9.2f} {mine['publish']:10.2f} {mine['peak MiB']:9.0f}")


if __name__ == "__main__":
    main()
