"""A small workspace to try commands on: two sites in one zone, one kind of export, a few days of readings."""

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.workspace.places import Workspace

ZONE = "Europe/Vienna"
DAYS = (date(2026, 5, 4), date(2026, 5, 5), date(2026, 5, 6))

SITES = """site_id,name,latitude,longitude,timezone,installed_kwp,feed_in_limit_kw,battery_kwh,installer_id
R-1,Mill Lane,48.2,16.4,Europe/Vienna,10,,,I-1
R-2,Pond Row,48.2,16.5,Europe/Vienna,10,0,10,I-1
"""
INSTALLERS = "installer_id,name,email\nI-1,Larch Fitters,post@larch.example\n"
PROFILE = """
format = "csv"
match = ["*_hourly_*.csv"]
[site]
from = "file name"
pattern = "^(?P<site>[A-Z0-9-]+)_hourly"
[timestamp]
column = "time"
format = "%Y-%m-%d %H:%M"
marks = "interval start"
interval_min = 15
[channels.pv_w]
column = "pv"
[channels.load_w]
column = "load"
[channels.grid_w]
column = "grid"
[channels.soc_pct]
column = "soc"
[channels.module_temp_c]
column = "temp"
"""


def power(at: datetime, peak_w: float = 8000.0) -> float:
    """A plausible sun over Vienna: light from about 05:30 to 20:15 in May, local time."""
    hour = at.hour + at.minute / 60
    return round(max(0.0, peak_w * math.sin(math.pi * (hour - 5.5) / 14.75)), 1) if 5.5 < hour < 20.25 else 0.0


LIVELY_W = (-20.0, 10.0, -5.0, 15.0, 5.0, -15.0, 20.0, -10.0)  # a load that moves around its average


def lines(day: date, *, feeds_in: bool, load_w: float = 500.0) -> list[str]:
    """The day's export, header first, a quarter of an hour a line; no two days of a week are the same."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(ZONE)).astimezone(UTC)
    temp_c = 21.5 + day.toordinal() % 31 / 10
    found = ["time,pv,load,grid,soc,temp"]
    for n in range(96):
        at = (midnight + n * timedelta(minutes=15)).astimezone(ZoneInfo(ZONE))
        pv, load = power(at), load_w + LIVELY_W[n % len(LIVELY_W)]
        grid = load - pv if feeds_in else max(20.0, load - pv)
        found.append(f"{at:%Y-%m-%d %H:%M},{pv},{load},{round(grid, 1)},60,{temp_c}")
    return found


def write(folder: Path, site: str, day: date, rows: list[str]) -> Path:
    path = folder / f"{site}_hourly_{day}.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def make(folder: Path, *, with_exports: bool = True, days: Sequence[date] = DAYS) -> Workspace:
    """The workspace, with exports of these days in its inbox: R-2 may not feed the grid, and does."""
    space = Workspace(folder)
    space.inbox.mkdir(parents=True)
    space.profiles.mkdir()
    space.sites_file.write_text(SITES, encoding="utf-8")
    space.installers_file.write_text(INSTALLERS, encoding="utf-8")
    (space.profiles / "hourly.toml").write_text(PROFILE, encoding="utf-8")
    space.settings_file.write_text("[ingest]\nsettle_s = 0\n", encoding="utf-8")
    if with_exports:
        for day in days:
            write(space.inbox, "R-1", day, lines(day, feeds_in=True))
            write(space.inbox, "R-2", day, lines(day, feeds_in=True))
    return space
