"""What must hold between the rows and the files of the register."""

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from pipeline.config.suggestions import name_remedy
from pipeline.errors import Fault
from pipeline.register.cells import Values, repeated

ARRAYS_TOLERANCE = 0.01  # of installed_kwp, by which the planes' sum may differ
LEVELS = ("battery_backup_floor_pct", "battery_reserve_pct", "battery_resume_pct")  # each at most the next


class Files(NamedTuple):
    """The files' names as they are shown, and their rows; None = the file isn't there."""

    sites: list[Values]
    arrays: list[Values]
    devices: list[Values]
    installers: list[Values] | None
    unread_sites: frozenset[str] = frozenset()  # named by rows of sites.csv that have a fault of their own
    sites_file: str = "sites.csv"
    arrays_file: str = "arrays.csv"
    devices_file: str = "devices.csv"
    installers_file: str = "installers.csv"


def check_register(files: Files) -> Iterator[Fault]:
    """Every fault that one row alone doesn't show."""
    for rule in (_unique_ids, _levels, _installers, _known_sites, _planes, _device_ids, _external_ids):
        yield from rule(files)


def _unique_ids(files: Files) -> Iterator[Fault]:
    for row, first in repeated(files.sites, "site_id"):
        problem = f"already on line {first}:"
        yield Fault(files.sites_file, row.line, "site_id", row.cells["site_id"], problem, "give each site its own")
    yield from _ids_of_case(files)
    for row, first in repeated(files.installers or [], "installer_id"):
        value, problem = row.cells["installer_id"], f"already on line {first}:"
        yield Fault(files.installers_file, row.line, "installer_id", value, problem, "give each installer their own")


def _ids_of_case(files: Files) -> Iterator[Fault]:
    """Ids that differ in capitals only: one page of the digest would overwrite the other on many file systems."""
    first: dict[str, tuple[int, str]] = {}
    for row in files.sites:
        written = row.cells.get("site_id", "")
        line, other = first.setdefault(written.casefold(), (row.line, written))
        if other != written:
            problem = f"differs in capitals only from {other} on line {line}:"
            yield Fault(files.sites_file, row.line, "site_id", written, problem, "give each site an id of its own")


def _levels(files: Files) -> Iterator[Fault]:
    """Floor <= reserve <= resume among the levels that the row gives."""
    for row in files.sites:
        given = [(level, row.values[level]) for level in LEVELS if level in row.values]
        for (lower, low), (upper, high) in pairwise(given):
            if low > high:
                yield Fault(
                    files.sites_file, row.line, lower, row.cells[lower], f"above {upper} ({high:g}):",
                    "battery levels rise from backup floor to reserve to resume",
                )  # fmt: skip


def _installers(files: Files) -> Iterator[Fault]:
    if files.installers is None:
        return
    known = {row.cells.get("installer_id", "") for row in files.installers}
    for row in files.sites:
        installer = row.cells.get("installer_id")
        if installer and installer not in known:
            remedy = name_remedy(installer, known, f"add the installer to {files.installers_file}")
            yield Fault(files.sites_file, row.line, "installer_id", installer, "unknown installer", remedy)


def _known_sites(files: Files) -> Iterator[Fault]:
    known = {row.cells.get("site_id", "") for row in files.sites} | files.unread_sites
    for file, rows in ((files.arrays_file, files.arrays), (files.devices_file, files.devices)):
        for row in rows:
            site = row.cells.get("site_id")
            if site and site not in known:
                remedy = name_remedy(site, known, f"add the site to {files.sites_file}, or remove the row")
                yield Fault(file, row.line, "site_id", site, "unknown site", remedy)


def _planes(files: Files) -> Iterator[Fault]:
    planes: dict[str, list[Values]] = {}
    for row in files.arrays:
        planes.setdefault(row.cells.get("site_id", ""), []).append(row)
    for site in files.sites:
        rows = planes.get(site.cells.get("site_id", "")) if site.cells.get("site_id") else None
        if not rows:
            continue
        for column in ("tilt_deg", "azimuth_deg"):
            if site.cells.get(column):
                problem = f"also in {files.arrays_file} (line {rows[0].line}):"
                remedy = f"leave it empty: the planes of {files.arrays_file} count"
                yield Fault(files.sites_file, site.line, column, site.cells[column], problem, remedy)
        if "installed_kwp" in site.values and all("kwp" in row.values for row in rows):
            yield from _sum(files, site, rows)


def _sum(files: Files, site: Values, rows: list[Values]) -> Iterator[Fault]:
    installed = site.values["installed_kwp"]
    total = math.fsum(row.values["kwp"] for row in rows)
    if abs(total - installed) > ARRAYS_TOLERANCE * installed * (1 + 1e-9):  # 1e-9: room for binary fractions
        site_id = site.cells["site_id"]
        problem = f"the planes of {site_id} do not sum to its {installed:g} kWp but to"
        remedy = f"fix kwp here, or installed_kwp in {files.sites_file} line {site.line}"
        yield Fault(files.arrays_file, rows[0].line, "kwp", f"{total:g}", problem, remedy)


def _device_ids(files: Files) -> Iterator[Fault]:
    first: dict[tuple[str, str], int] = {}
    for row in files.devices:
        site, device = row.cells.get("site_id", ""), row.cells.get("device_id", "")
        line = first.setdefault((site, device), row.line)
        if site and device and line != row.line:
            problem = f"already on line {line} for {site}:"
            yield Fault(files.devices_file, row.line, "device_id", device, problem, "give each device its own")


class _Named(NamedTuple):
    """A site or a device under the name that exports use."""

    file: str
    line: int
    owner: str
    profile: str


def _external_ids(files: Files) -> Iterator[Fault]:
    """Two that the same export could mean by the same name; a site that has devices goes by their names alone."""
    by_name: dict[str, list[_Named]] = {}
    for name, named in _names(files):
        others = by_name.setdefault(name, [])
        for other in others:
            if other.owner != named.owner and (
                not other.profile or not named.profile or other.profile == named.profile
            ):
                problem = f"already means {other.owner} ({other.file} line {other.line}):"
                remedy = "give each its own external_id, or profiles of their own"
                yield Fault(named.file, named.line, "external_id", name, problem, remedy)
                break
        others.append(named)


def _names(files: Files) -> Iterator[tuple[str, _Named]]:
    profiles = {row.cells.get("site_id", ""): row.cells.get("profile", "") for row in files.sites}
    with_devices = {row.cells.get("site_id", "") for row in files.devices}
    for row in files.sites:
        site = row.cells.get("site_id", "")
        name = row.cells.get("external_id") or site
        if name and site not in with_devices:
            yield name, _Named(files.sites_file, row.line, f"site {site}", row.cells.get("profile", ""))
    for row in files.devices:
        site, device = row.cells.get("site_id", ""), row.cells.get("device_id", "")
        name = row.cells.get("external_id") or device
        if name and site in profiles:
            yield name, _Named(files.devices_file, row.line, f"device {device} of {site}", profiles[site])
