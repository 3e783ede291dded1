"""What a night costs, stage by stage: the whole cycle over a fleet at 5 min with a history behind it.

python -m tests.benches.nights --sites N [--days 30] [--history DAYS] [--base 24] [--faulty SHARE] [--workers W]
    [--keep FOLDER] [--profile FILE]

A base fleet is simulated and lived through; its history is then copied, site by site under new names a little apart,
until there are N sites, and with `--history` once more before itself until it is so long; each site sends one file for
its next local day. Processor time, memory and DuckDB's bare reading of the same files are measured in processes of
their own. With `--keep`, the base fleet is made once.
"""

import argparse
import csv
import io
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from detectors.frames import CHANNELS, POWER_CHANNELS, STRING_CHANNELS
from pipeline.detection import folding, run_detectors
from pipeline.detection import sum_up as summing
from pipeline.ingest.ingest import Ingest
from pipeline.runs import cycle as cycles
from pipeline.runs import session
from pipeline.runs.session import opened, publish
from pipeline.workspace.places import Workspace
from tests.benches.ingest import bare
from tests.benches.living import live_through
from tests.simulation.fleet import FAULTY_SHARE, make_fleet

SEED, FIRST = 414, date(2026, 4, 1)
PALER = 0.97  # the night's powers over those of the day before
PALER_EACH = 0.0003  # of 10,000 sites made from 24, the last is paler by an eighth
APART = {"power": 0.02, "voltage": 0.004}  # from reading to reading, as two sites' meters and houses are
COPY_MEMORY, SITES_AT_ONCE = "4GB", 500  # of copying a fleet, which is no part of what is measured
PROFILE = """
format = "csv"
match = ["*_night_*.csv"]
[site]
from = "file name"
pattern = "^(?P<site>.+)_night_"
[timestamp]
column = "time"
format = "%Y-%m-%d %H:%M:%S"
zone = "utc"
marks = "interval start"
interval_min = 5
"""
STAGES = ("take in", "sum up", "judge", "fold", "digest", "publish", "open and close")


def make_base(root: Path, sites: int, days: int, faulty: float = FAULTY_SHARE) -> None:
    """A workspace that lived through its days, without what comes of them later; the share `faulty` has a fault."""
    fleet = make_fleet(SEED, sites=sites, days=days, first=FIRST, minutes=5, faulty=faulty)
    live_through(fleet, root)


def copy_sites(base: Path, root: Path, sites: int, days: int = 1, history: int = 0) -> None:
    """A workspace of `sites` sites, each with the history of one of the base's, and their exports of the next day.

    The base's `days` are repeated before themselves until there are `history` of them.
    """
    times = max(-(-history // days), 1)
    shutil.copytree(base, root, ignore=shutil.ignore_patterns("inbox", "archive", "digests", "reader", "*.copy.duckdb"))
    space = Workspace(root)
    space.inbox.mkdir()
    with (root / "sites.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    spill = {"memory_limit": COPY_MEMORY, "temp_directory": str(root / "spill")}
    with duckdb.connect(str(space.database), config=spill) as con:
        twofold = {site for (site,) in con.execute("SELECT DISTINCT site_id FROM device").fetchall()}
        known = [row for row in rows if row["site_id"] not in twofold]
        made = [_copy_of(known[n % len(known)], n // len(known)) for n in range(sites)]
        if times > 1:
            made = [{**row, "commissioned_on": ""} for row in made]
        names = pl.DataFrame(
            [(old["site_id"], new["site_id"]) for n, new in enumerate(made) for old in [known[n % len(known)]]],
            schema=["old_id", "new_id"], orient="row",
        )  # fmt: skip
        con.register("names", names.to_arrow())
        for (table,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE NOT internal AND table_name IN "
            "(SELECT table_name FROM duckdb_columns() WHERE column_name = 'site_id') ORDER BY table_name"
        ).fetchall():
            earlier, time = _earlier(con, table, days)
            if table == "feature_row_prints":  # no two sites of a fleet have reported the same readings for a month
                earlier.append("CAST(hash(print, new_id) % 2147483648 AS INTEGER) AS print")
            # As nights have written it: a scan of the last days leaves out what lies before them.
            order = {"ts_utc": "CAST(ts_utc AS DATE), site_id, ts_utc", "day": "day, site_id"}.get(time, "ALL")
            con.execute(f"CREATE TEMP TABLE held AS SELECT * FROM {table}")
            con.execute(f"DELETE FROM {table}")
            for nth in reversed(range(times if earlier else 1)):  # the earliest first, each sorted by itself
                con.execute(
                    f"INSERT INTO {table} SELECT t.* REPLACE ({', '.join(['new_id AS site_id', *earlier])}) "
                    f"FROM held AS t JOIN names ON old_id = site_id, (SELECT {nth} AS nth) ORDER BY {order}"
                )
            con.execute("DROP TABLE held")
        for table in ("reader_part", "reader_due", "export_file", "rejected_row", "rejected_cell", "archived_file"):
            con.execute(f"DELETE FROM {table}")
        con.execute("SET TimeZone = 'UTC'")
        last = con.execute("SELECT max(day) FROM judged").fetchall()[0][0]
        ids = sorted(names["new_id"].to_list())
        for begin in range(0, len(ids), SITES_AT_ONCE):
            _write_exports(con, space, last, ids[begin : begin + SITES_AT_ONCE])
    shutil.rmtree(root / "spill", ignore_errors=True)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(made)
    (root / "sites.csv").write_text(out.getvalue(), encoding="utf-8")
    for name in ("arrays.csv", "devices.csv"):
        (root / name).unlink(missing_ok=True)
    for path in space.profiles.iterdir():
        path.unlink()
    columns = "".join(f'[channels.{name}]\ncolumn = "{name}"\n' for name in CHANNELS)
    (space.profiles / "night.toml").write_text(PROFILE + columns, encoding="utf-8")
    with opened(space, is_quiet=True) as run:  # as the night before left it: the register known, all of it published
        run.store.con.execute("DELETE FROM dirty_day")
        publish(run)


def _earlier(con: duckdb.DuckDBPyConnection, table: str, days: int) -> tuple[list[str], str]:
    """SQL of the columns of a table of days or instants, `nth` times so many days earlier, and the one that it has."""
    columns = con.execute(
        "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? AND NOT internal", [table]
    ).fetchall()
    time = next((name for name in ("ts_utc", "day") if name in dict(columns)), "")
    if not time:
        return [], time
    moved = [
        f"CAST({name} - to_days(CAST({days} * nth AS INTEGER)) AS {kind}) AS {name}"
        for name, kind in columns if kind == "DATE" or kind.startswith("TIMESTAMP")
    ]  # fmt: skip
    return moved, time


def _copy_of(row: dict[str, str], number: int) -> dict[str, str]:
    """The site again, some hundred metres from where it stood: neighbours of neighbours, as fleets are."""
    moved = {name: f"{float(row[name]) + 0.003 * number:.5f}" for name in ("latitude", "longitude")}
    return {**row, **moved, "site_id": f"{row['site_id']}-{number}", "external_id": "", "profile": "night"}


def _write_exports(con: duckdb.DuckDBPyConnection, space: Workspace, last: date, sites: list[str]) -> None:
    """Each site's last local day once more, a day later and a little paler: an exact copy would be told as one.

    Sites that are copies of one site are paler by so much each, and their rows differ by chance, each by one share, so
    that their flows balance: no two sites of a fleet report the same readings, and a site that does is told.
    """
    share = f"{PALER} * (1 - {PALER_EACH} * CAST(regexp_extract(site_id, '[0-9]+$') AS INTEGER))"
    chance = "(hash(site_id, ts_utc) / 18446744073709551616 - 0.5)"
    values = [
        f"{name} * {share} * (1 + {APART['power']} * {chance}) AS {name}" if name in (*POWER_CHANNELS, *STRING_CHANNELS)
        else f"{name} * (1 + {APART['voltage']} * {chance}) AS {name}" if name.startswith("voltage_")
        else name
        for name in CHANNELS
    ]  # fmt: skip
    rows = con.sql(
        f"SELECT site_id, timezone, ts_utc, {', '.join(values)} FROM reading_raw JOIN site USING (site_id) "
        "WHERE CAST(ts_utc AS DATE) BETWEEN $last - 1 AND $last + 1 AND site_id BETWEEN $first AND $final "
        "ORDER BY site_id, ts_utc", params={"last": last, "first": sites[0], "final": sites[-1]},
    ).pl()  # fmt: skip
    held = pl.concat(
        part.filter(pl.col("ts_utc").dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.date() == last)
        for (zone,), part in rows.partition_by("timezone", as_dict=True).items()
    )
    time = (pl.col("ts_utc") + pl.duration(days=1)).dt.strftime("%Y-%m-%d %H:%M:%S")
    held = held.sort("site_id", "ts_utc").select("site_id", time.alias("time"), *CHANNELS)
    parts = held.partition_by("site_id", as_dict=True, include_key=False)
    for site in sites:
        if (site,) in parts:
            parts[site,].write_csv(space.inbox / f"{site}_night_{last + timedelta(days=1)}.csv", float_precision=1)


def night(root: Path) -> dict[str, Any]:
    """Processor seconds of each stage of a cycle, and of the whole; elapsed seconds and peak MiB of the process."""
    seconds = dict.fromkeys(STAGES, 0.0)
    for owner, name, stage in (
        (Ingest, "run", "take in"), (summing, "sum_up", "sum up"), (run_detectors, "judge", "judge"),
        (folding, "update_exceptions", "fold"), (cycles, "write_digest", "digest"), (session, "publish", "publish"),
    ):  # fmt: skip
        _clocked(owner, name, stage, seconds)
    space, wall, begin = Workspace(root), time.perf_counter(), _processor_s()
    with opened(space, is_quiet=True) as run:
        last = run.store.value("SELECT max(day) FROM judged")
        with session.published(run, "cycle") as said:
            result = cycles.cycle(run, day=last + timedelta(days=1))
            said.append("done")
    whole = _processor_s() - begin
    seconds["open and close"] = whole - sum(seconds.values())
    peak = _peak_mib()
    return {
        "seconds": seconds, "whole": whole, "elapsed": time.perf_counter() - wall, "peak": peak,
        "rows": result.taken_in.rows_read, "days": len(result.judged.days), "findings": result.judged.findings,
    }  # fmt: skip


def _processor_s() -> float:
    """Of this process and of the workers that it waited for."""
    return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def _peak_mib() -> float:
    """Of this process alone: what getrusage tells begins with the peak of the process that started it."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")) / 1024


def _clocked(owner: Any, name: str, stage: str, seconds: dict[str, float]) -> None:
    """Counts what a function takes; a stage inside another one is not counted twice."""
    function: Callable[..., Any] = getattr(owner, name)

    @contextmanager
    def clock():  # type: ignore[no-untyped-def]
        begin, inner = _processor_s(), sum(seconds.values())
        yield
        seconds[stage] += _processor_s() - begin - (sum(seconds.values()) - inner)

    def counted(*given: Any, **named: Any) -> Any:
        with clock():
            return function(*given, **named)

    setattr(owner, name, counted)


def bare_s(files: Path, database: Path) -> dict[str, float]:
    """Processor seconds of DuckDB's own reading of the files."""
    begin = _processor_s()
    bare(files, database)
    return {"whole": _processor_s() - begin, "peak": _peak_mib()}


def in_child(task: str, *arguments: str, profile: Path | None = None) -> dict[str, Any]:
    """The task's figures from a process of its own."""
    how = ["-m", "cProfile", "-o", str(profile)] if profile else []
    done = subprocess.run(
        [sys.executable, *how, "-m", "tests.benches.nights", "--task", task, *arguments],
        check=True, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return dict(json.loads(done.stdout.splitlines()[-1]))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benches.nights", description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--days", type=int, default=30, help="of history")
    parser.add_argument("--history", type=int, default=0, help="days of history, if more than are simulated")
    parser.add_argument("--base", type=int, default=24, help="sites that are simulated; the others are copies of them")
    parser.add_argument("--faulty", type=float, default=FAULTY_SHARE, help="share of the base's sites with a fault")
    parser.add_argument("--workers", type=int, default=0, help="[compute] workers")
    parser.add_argument("--keep", type=Path, help="a folder in which the base fleet is kept for the next time")
    parser.add_argument("--profile", type=Path, help="where the night's profile (cProfile) goes")
    parser.add_argument("--task", choices=("night", "bare"), help=argparse.SUPPRESS)
    parser.add_argument("places", nargs="*", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.task:
        print(json.dumps(night(*asked.places) if asked.task == "night" else bare_s(*asked.places)))
        return
    with tempfile.TemporaryDirectory() as place:
        folder = asked.keep or Path(place)
        base = folder / f"base-{asked.base}-{asked.days}-{asked.faulty:.2f}"
        if not base.exists():
            make_base(base, asked.base, asked.days, asked.faulty)
        root = Path(place) / "desk"
        copy_sites(base, root, asked.sites, asked.days, asked.history)
        if asked.workers:
            with (root / "noonmark.toml").open("a", encoding="utf-8") as file:
                file.write(f"[compute]\nworkers = {asked.workers}\n")
        files = Path(place) / "files"
        shutil.copytree(root / "inbox", files)
        theirs = in_child("bare", str(files), str(Path(place) / "bare.duckdb"))
        mine = in_child("night", str(root), profile=asked.profile)
        show(asked.sites, max(asked.days, asked.history), mine, theirs)


def show(sites: int, days: int, mine: dict[str, Any], theirs: dict[str, Any]) -> None:
    print(f"{sites} sites at 5 min, {mine['rows']} rows of one night on {days} days of history; "
          f"{mine['days']} days judged, {mine['findings']} findings")  # fmt: skip
    print("stage            processor s   ms per site   share   against the bare reading")
    for stage, seconds in [*mine["seconds"].items(), ("the whole night", mine["whole"])]:
        print(f"{stage:16} {seconds:11.2f} {1000 * seconds / sites:13.2f} {seconds / mine['whole']:7.0%} "
              f"{seconds / theirs['whole']:12.1f}")  # fmt: skip
    print(f"{mine['elapsed']:.1f} s elapsed, peak {mine['peak']:.0f} MiB; bare reading {theirs['whole']:.2f} s of "
          f"processor, peak {theirs['peak']:.0f} MiB")  # fmt: skip


if __name__ == "__main__":
    main()
