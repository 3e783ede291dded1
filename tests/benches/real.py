"""What the pipeline says of real series: left as they are, and with faults put in.

python -m tests.benches.real [--series NAME ...] [--faults NAME ...] [--days N] [--light] [--together] [--explain]

The series are the open data beside the project and what the pvanalytics wheel carries. Each is judged alone: series
that could be neighbours, or that do not begin together, never share a workspace. The workspaces are temporary; every
export goes the pipeline's own way, day by day. With `--light` whole series go through the yield engine alone, taken in
at once; faults of the yield family are then put in at a fourth, a half and three fourths of the days.
"""

import argparse
import csv
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from detectors.stats.distance import great_circle_km
from tests.benches.living import Lived, live_days
from tests.benches.living_yields import live_nights, take_in
from tests.benches.real_cases import CASES, UNTOUCHED, Case, export_rows, told_zone
from tests.benches.real_scoring import FalseAlarm, PutIn, explained, fault_table, judge, untouched, untouched_table
from tests.benches.scoring import Run, runs_of
from tests.support.real_sites import YIELD_KINDS, RealSite, real_sites

DAYS = 60
APART_KM = 100.0  # ours: twice the reach of the detectors' neighbours
TOGETHER_DAYS = 10  # begin within so many days of each other
LIGHT_DAYS = 400  # with --light: a year, and what it begins with
LIGHT_ONSETS = (0.25, 0.5, 0.75)
REGISTER = (
    "site_id", "name", "latitude", "longitude", "timezone", "export_timezone", "installed_kwp", "inverter_kw",
    "commissioned_on",
)  # fmt: skip
PROFILE = """format = "csv"
match = ["{name}_*.csv"]
[site]
from = "file name"
pattern = "^{name}_(?P<site>.+)_[0-9-]{{10}}"
[timestamp]
column = "Time"
format = "%Y-%m-%d %H:%M"
zone = "export_timezone"
marks = "interval start"
"""


def main(arguments: Sequence[str] | None = None) -> None:
    """Prints the tables."""
    args = _parse(arguments)
    sites = [site for site in real_sites() if not args.series or site.site_id in args.series]
    if not sites:
        raise SystemExit("no series: install pvanalytics, or name the open data's folder in NOONMARK_OPEN_DATA")
    cases = [case for case in CASES if args.faults is None or case.name in args.faults]
    if args.light:
        sites = [whole(site) for site in sites if "pv_w" in site.channels]
        cases = [one for case in cases if case.family == YIELD_KINDS for one in through_the_year(case)]
    apart_km = 0.0 if args.together else APART_KM
    begin = time.process_time()
    said: dict[str, list[Run]] = {}
    alarms: list[FalseAlarm] = []
    faults: list[PutIn] = []
    remarks: list[str] = []
    for case in (UNTOUCHED, *cases):
        for group in groups([site for site in sites if case.fits(site)], apart_km):
            lived = live_case(group, case, args.days, is_light=args.light)
            for site in group:
                days = min(args.days, site.days)
                runs = _runs(lived, site, days)
                if case is UNTOUCHED:
                    said[site.site_id] = runs
                    mine = untouched(site, runs)
                    alarms += mine
                    remarks += explained(lived, f"{site.site_id} untouched", [alarm.run for alarm in mine])
                else:
                    row = judge(case, site, days, runs, said[site.site_id])
                    faults.append(row)
                    remarks += [] if row.found else explained(lived, f"{site.site_id} {case.name}: not found", runs)
        if of_case := [row for row in faults if row.case == case.name]:
            found = sum(row.found for row in of_case)
            print(f"{case.name}: {found} of {len(of_case)} found", file=sys.stderr, flush=True)
        if case is UNTOUCHED:
            print(untouched_table({site.site_id: min(args.days, site.days) for site in sites}, alarms), flush=True)
    if faults:
        print("\n" + fault_table(faults))
    print(f"\n{time.process_time() - begin:.0f} s of processor time")
    if args.explain:
        print("\n".join(remarks))


def _parse(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benches.real", description=__doc__.splitlines()[0])
    parser.add_argument("--series", nargs="+", metavar="NAME", help="only these series")
    names = [case.name for case in CASES]
    parser.add_argument(
        "--faults", nargs="*", choices=names, metavar="NAME",
        help=f"only these faults (none: the series as they are): {', '.join(names)}",
    )  # fmt: skip
    parser.add_argument("--days", type=int, help=f"of each series: {DAYS}, with --light {LIGHT_DAYS}, unless given")
    parser.add_argument("--light", action="store_true", help="whole series through the yield engine alone")
    parser.add_argument("--together", action="store_true", help="neighbours share a workspace")
    parser.add_argument("--explain", action="store_true", help="the evidence of each false alarm, and what was missed")
    args = parser.parse_args(arguments)
    args.days = args.days or (LIGHT_DAYS if args.light else DAYS)
    return args


def whole(site: RealSite) -> RealSite:
    """The series from its second day on, which is the first that is whole in every zone."""
    return replace(site, first=site.begin + timedelta(days=1))


def through_the_year(case: Case) -> list[Case]:
    """The fault at several times of the days, named by its share of them; from the first day on it comes once."""
    if case.is_from_first_day:
        return [case]
    return [replace(case, name=f"{case.name} at {share:g}", onset_share=share) for share in LIGHT_ONSETS]


def groups(sites: Sequence[RealSite], apart_km: float = APART_KM) -> list[list[RealSite]]:
    """Series that can share a workspace: so far apart, and beginning together."""
    out: list[list[RealSite]] = []
    for site in sites:
        for group in out:
            if all(_km(site, other) >= apart_km and abs(site.first - other.first).days <= TOGETHER_DAYS
                   for other in group):  # fmt: skip
                group.append(site)
                break
        else:
            out.append([site])
    return out


def _km(a: RealSite, b: RealSite) -> float:
    return float(great_circle_km(a.latitude, a.longitude, b.latitude, b.longitude))


def _runs(lived: Lived, site: RealSite, days: int) -> list[Run]:
    """What was open at the site while its series lasts, and is shown."""
    last = site.first + timedelta(days=days - 1)
    nights = lived.exceptions.filter((pl.col("site_id") == site.site_id) & (pl.col("night") <= last))
    return [run for run in runs_of(nights) if run.is_shown]


def live_case(sites: Sequence[RealSite], case: Case, days: int, *, is_light: bool = False) -> Lived:
    """Lives through the days of these series, all with the same fault, in a temporary workspace."""
    first = min(site.first for site in sites)
    last = max(site.first + timedelta(days=min(days, site.days) - 1) for site in sites)
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "workspace"
        rows = write_workspace(sites, case, days, root)

        def deliver(number: int, inbox: Path) -> int:
            day = first + timedelta(days=number)
            return sum(_write(inbox, site_id, frame, day) for site_id, frame in rows.items())

        span = (last - first).days + 1
        if not is_light:
            return live_days(root, first, span, deliver)
        for number in range(span):
            deliver(number, root / "inbox")
        roofs = take_in(root, first, span)
        return live_nights(roofs, lambda _: roofs.sites).lived


def write_workspace(sites: Sequence[RealSite], case: Case, days: int, root: Path) -> dict[str, pl.DataFrame]:
    """Makes register, profiles and settings; returns the rows that the exports will hold, by site."""
    (root / "profiles").mkdir(parents=True)
    (root / "inbox").mkdir()
    (root / "noonmark.toml").write_text("[ingest]\nsettle_s = 0\n", encoding="utf-8")
    with (root / "sites.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(REGISTER)
        for site in sites:
            table.writerow((
                site.site_id, site.site_id, site.latitude, site.longitude, site.timezone, told_zone(site, case),
                site.kwp, site.inverter_kw or "", site.first,
            ))  # fmt: skip
    rows = {site.site_id: export_rows(site, case, min(days, site.days)) for site in sites}
    for frame in rows.values():
        name, channels = _form(frame), frame.columns[2:]
        tables = "".join(f'[channels.{channel}]\ncolumn = "{channel}"\n' for channel in channels)
        (root / "profiles" / f"{name}.toml").write_text(PROFILE.format(name=name) + tables, encoding="utf-8")
    return rows


def _form(rows: pl.DataFrame) -> str:
    """The name of the profile: the channels, joined."""
    return "-".join(name.removesuffix("_w") for name in rows.columns[2:])


def _write(inbox: Path, site_id: str, rows: pl.DataFrame, day: date) -> int:
    mine = rows.filter(pl.col("day") == day)
    if mine.is_empty():
        return 0
    cells = mine.select(pl.col("label").dt.strftime("%Y-%m-%d %H:%M").alias("Time"), pl.col(rows.columns[2:]).round(1))
    cells.write_csv(inbox / f"{_form(rows)}_{site_id}_{day}.csv")
    return 1


if __name__ == "__main__":
    main()
