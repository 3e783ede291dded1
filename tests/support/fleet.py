"""Small workspaces for tests: a register, profiles of several kinds, an inbox to fill, histories to compare."""

import contextlib
import csv
import io
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import duckdb

from pipeline.ingest.ingest import IngestResult
from pipeline.runs import cycle, session
from pipeline.runs.rebuild import rebuild
from pipeline.runs.session import Opened
from pipeline.store.connection import quoted
from pipeline.workspace.places import Workspace

DAY = date(2026, 3, 10)
SITE = {
    "name": "Invented roof", "latitude": "48.0", "longitude": "11.0",
    "timezone": "Europe/Berlin", "installed_kwp": "10",
}  # fmt: skip
PROFILES = {
    # one file per site, named SITE_roof_ANYTHING.csv
    "roof": """
format = "csv"
match = ["*_roof_*.csv"]
[site]
from = "file name"
pattern = "^(?P<site>[A-Za-z0-9]+)_roof"
[timestamp]
column = "t"
format = "%Y-%m-%d %H:%M"
zone = "utc"
[channels.pv_w]
column = "pv"
[channels.load_w]
column = "load"
[channels.voltage_l1_v]
column = "v"
""",
    # many sites in one file
    "meter": """
format = "csv"
match = ["meter_*.csv"]
[site]
from = "column"
column = "site"
[timestamp]
column = "t"
format = "%Y-%m-%d %H:%M"
zone = "utc"
interval_min = 15
[channels.grid_w]
column = "grid"
""",
    # one file per site with lifetime counters
    "count": """
format = "csv"
match = ["*_count_*.csv"]
[site]
from = "file name"
pattern = "^(?P<site>[A-Za-z0-9]+)_count"
[timestamp]
column = "t"
format = "%Y-%m-%d %H:%M"
zone = "utc"
interval_min = 15
[channels.pv_kwh_total]
column = "total"
counter = "lifetime"
""",
    # one row per quantity
    "long": """
format = "ndjson"
match = ["*.ndjson"]
[site]
from = "column"
column = "site"
[timestamp]
column = "t"
format = "%Y-%m-%d %H:%M"
zone = "utc"
interval_min = 15
[long]
channel_column = "what"
value_column = "value"
[channels.soc_pct]
column = "soc"
[channels.battery_w]
column = "battery"
""",
}


@cache
def _connection(_thread: int) -> duckdb.DuckDBPyConnection:
    """One for all questions of a thread: a new one costs more than to look into a file."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    return con


class Fleet:
    """A workspace below `root` with sites S1, S2, ... (or those given) and the profiles above."""

    def __init__(
        self,
        root: Path,
        sites: int | Sequence[Mapping[str, str]] = 3,
        *,
        devices: Iterable[tuple[str, str]] = (),
        profiles: Mapping[str, str] = PROFILES,
        settings: str = "[ingest]\nsettle_s = 0\n",
    ) -> None:
        self.space = Workspace(root)
        rows = [{"site_id": f"S{n + 1}"} for n in range(sites)] if isinstance(sites, int) else list(sites)
        for folder in (self.space.inbox, self.space.profiles):
            folder.mkdir(parents=True, exist_ok=True)
        self.register(rows)
        pairs = list(devices)
        if pairs:
            text = "".join(f"{site},{device},{site}{device},\n" for site, device in pairs)
            self.space.devices_file.write_text(f"site_id,device_id,external_id,inverter_kw\n{text}", encoding="utf-8")
        for name, toml in profiles.items():
            self.profile(name, toml)
        self.space.settings_file.write_text(settings, encoding="utf-8")

    @classmethod
    def of(cls, root: Path) -> "Fleet":
        """A workspace that is there already."""
        made = cls.__new__(cls)
        made.space = Workspace(root)
        return made

    def register(self, rows: Sequence[Mapping[str, str]]) -> None:
        full = [{**SITE, **row} for row in rows]
        names = list(dict.fromkeys(name for row in full for name in row))
        out = io.StringIO()
        writer = csv.DictWriter(out, ["site_id", *(name for name in names if name != "site_id")], lineterminator="\n")
        writer.writeheader()
        writer.writerows(full)
        self.space.sites_file.write_text(out.getvalue(), encoding="utf-8")

    def profile(self, name: str, toml: str) -> None:
        (self.space.profiles / f"{name}.toml").write_text(toml, encoding="utf-8")

    def drop(self, name: str, content: str | bytes) -> Path:
        """A file in the inbox."""
        path = self.space.inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        return path

    @contextlib.contextmanager
    def run(self) -> Iterator[Opened]:
        with session.opened(self.space, is_quiet=True) as run:
            yield run

    def take_in(self, *paths: Path, is_published: bool = False) -> IngestResult:
        with self.run() as run:
            result = cycle.take_in(run, paths)
            if is_published:
                session.publish(run)
        return result

    def cycle(self, day: date | None = None, *, is_published: bool = True) -> cycle.CycleResult:
        with self.run() as run:
            with session.recorded(run.store, "cycle"):
                result = cycle.cycle(run, day=day)
            if is_published:
                session.publish(run)
        return result

    def rebuild(self) -> IngestResult:
        return rebuild(self.space, is_quiet=True)

    def ask(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Rows of the history itself; between runs nobody holds it."""
        with self._read() as con:
            return con.execute(sql, list(parameters)).fetchall()

    @contextlib.contextmanager
    def _read(self) -> Iterator[duckdb.DuckDBPyConnection]:
        con = _connection(threading.get_ident())
        con.execute(f"ATTACH '{quoted(self.space.database)}' AS looked_at (READ_ONLY)")
        try:
            con.execute("USE looked_at")
            yield con
        finally:
            con.execute("USE memory")
            con.execute("DETACH looked_at")

    def value(self, sql: str) -> Any:
        return self.ask(sql)[0][0]

    def ledger(self) -> dict[str, tuple[int, int, int, int, int]]:
        """path -> rows read, stored, unchanged, replaced, rejected."""
        rows = self.ask(
            "SELECT path, rows_read, rows_stored, rows_unchanged, rows_replaced, rows_rejected FROM export_file"
        )
        return {path: tuple(counts) for path, *counts in rows}

    def files(self, folder: str) -> list[str]:
        """Every file below a folder of the workspace."""
        root = self.space.root / folder
        found = [path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()]
        return sorted(found)

    def reason(self, name: str) -> str:
        return (self.space.quarantine / f"{name}.reason.txt").read_text(encoding="utf-8")

    def history(self, *, is_numbered: bool = True) -> dict[str, list[tuple[Any, ...]]]:
        """What two runs over the same exports must agree on: everything but the times of the runs themselves.

        Without numbers, what hangs on the order of arrival is left out too: who was first, and what was rejected where.
        """
        tables = {
            "reading_raw": "* EXCLUDE (export_id, ts_export)" if not is_numbered else "*",
            "site_day": "*", "feature_daylight": "*", "finding": "*", "not_judged": "*", "judged": "site_id, day",
            "exception": "*", "revisit": "*", "dirty_day": "DISTINCT site_id, day", "due_day": "*",
            "known_interval": "*", "device_channel": "*", "known_spring_hour": "*",
        }  # fmt: skip
        if is_numbered:
            tables |= {
                "export_file": "* EXCLUDE (taken_in_at)", "rejected_row": "*", "rejected_cell": "*",
                "export_copy": "export_id, path", "decision": "*", "clock_shift": "*", "clock_shift_span": "*",
                "site_profile": "*",
            }  # fmt: skip
        with self._read() as con:
            rows = {
                table: con.execute(f"SELECT {columns} FROM {table} ORDER BY ALL").fetchall()
                for table, columns in tables.items()
            }
        return {table: [tuple(map(rounded, row)) for row in found] for table, found in rows.items()}


def rounded(value: Any) -> Any:
    """Sums of the same terms in another order differ in the last bit (IEEE 754): nine digits are compared."""
    return float(f"{value:.9g}") if isinstance(value, float) else value


def stamps(count: int, *, start: datetime | None = None, minutes: int = 15, day: date = DAY) -> list[str]:
    first = start or datetime(day.year, day.month, day.day, tzinfo=UTC)
    return [f"{first + timedelta(minutes=minutes * n):%Y-%m-%d %H:%M}" for n in range(count)]


def table(columns: str, rows: Iterable[Sequence[object]]) -> str:
    """A CSV; None is an empty cell."""
    lines = [",".join("" if cell is None else str(cell) for cell in row) for row in rows]
    return "\n".join([columns, *lines, ""])


def roof(values: Sequence[tuple[str, float | None, float | None]]) -> str:
    """An export of profile `roof` from (stamp, pv, load)."""
    return table("t,pv,load,v", [(t, pv, load, 230) for t, pv, load in values])


def sunny(day: date = DAY, *, peak_w: float = 6000.0, minutes: int = 15) -> list[tuple[str, float, float]]:
    """(stamp, pv, load) of a clear day: a parabola from 06:00 to 18:00 UTC over a steady load."""
    result = []
    for number, stamp in enumerate(stamps(1440 // minutes, minutes=minutes, day=day)):
        hour = (number * minutes) / 60
        result.append((stamp, round(peak_w * max(0.0, 1 - ((hour - 12) / 6) ** 2), 1), 400.0))
    return result


def differences(one: Mapping[str, list[tuple]], other: Mapping[str, list[tuple]]) -> dict[str, tuple[list, list]]:
    """Table -> the first rows that only one of the two histories has; empty if they agree."""
    found = {}
    for name in sorted({*one, *other}):
        if one.get(name) != other.get(name):
            left, right = one.get(name, []), other.get(name, [])
            found[name] = ([row for row in left if row not in right][:3], [row for row in right if row not in left][:3])
    return found
