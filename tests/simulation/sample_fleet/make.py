"""Makes the invented fleet again: register, exports and the table of what was planted.

The same bytes come out on every run. Profiles, README.md and noonmark.toml are written by hand and stay as they are.
"""

import csv
import io
import shutil
from collections.abc import Collection
from datetime import date
from pathlib import Path

from tests.simulation.sample_fleet import register
from tests.simulation.sample_fleet.faults import FAULTS, LOOK_ALIKES, Planted
from tests.simulation.sample_fleet.formats import WRITERS, stray_file, to_rows
from tests.simulation.sample_fleet.measure import measured_size
from tests.simulation.sample_fleet.physics import Series, simulate
from tests.simulation.sample_fleet.sites import DAYS, REGIONS, SITES, Site
from tests.simulation.sample_fleet.weather import region_sky


def make_exports(
    out: Path, *, kinds: Collection[str] = tuple(WRITERS), days: Collection[date] = tuple(DAYS)
) -> dict[Site, Series]:
    """The series behind the exports of these kinds, after writing their files of these days below OUT/exports."""
    skies = {name: region_sky(region) for name, region in REGIONS.items()}
    made = {site: simulate(site, skies[site.region]) for site in SITES if site.kind in kinds}
    for kind in kinds:
        fleet = {site: to_rows(site, series) for site, series in made.items() if site.kind == kind}
        for name, data in WRITERS[kind](fleet, sorted(days)):
            _write(out / "exports" / name, data)
    return made


def make_fleet(out: Path) -> None:
    """Everything that this script makes, below OUT; an earlier OUT/exports is replaced."""
    shutil.rmtree(out / "exports", ignore_errors=True)
    made = make_exports(out)
    name, data = stray_file()
    _write(out / "exports" / name, data)
    for name, text in register.tables().items():
        _write(out / name, text.encode())
    by_id = {site.site_id: series for site, series in made.items()}
    lines = [_fault_cells(fault, by_id[fault.site_id]) for fault in (*FAULTS, *LOOK_ALIKES)]
    _write(out / "faults.csv", _faults_csv(lines).encode())
    _write(out / "FAULTS.md", register.faults_page(lines).encode())


def _fault_cells(fault: Planted, series: Series) -> dict[str, str]:
    size = measured_size(fault, series) if fault.size is None else fault.size
    return {
        "site_id": fault.site_id,
        "kind": fault.kind,
        "first_day": str(fault.first_day),
        "last_day": str(fault.last_day),
        "size": "" if size is None else f"{size:g}",
        "unit": fault.unit,
        "offset_min": "" if fault.offset_min is None else f"{fault.offset_min:g}",
        "note": fault.note,
    }


def _faults_csv(lines: list[dict[str, str]]) -> str:
    text = io.StringIO()
    out = csv.DictWriter(text, list(lines[0]), lineterminator="\n")
    out.writeheader()
    out.writerows(lines)
    return text.getvalue()


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
