"""The register: which sites there are, and what was agreed and set at commissioning."""

from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import Fault, Notice
from pipeline.frames import TARGETS
from pipeline.register.cells import (
    Cell,
    Values,
    address,
    any_text,
    azimuth,
    battery_size,
    currency,
    identifier,
    iso_date,
    number,
    one_line,
    phases,
    read_rows,
    yes_no,
    zone,
)
from pipeline.register.csv_file import read_table
from pipeline.register.model import Device, Installer, Plane, Register, Site
from pipeline.register.rules import Files, check_register
from pipeline.register.zone_notes import zone_notes
from pipeline.workspace.places import Workspace

__all__ = [
    "ARRAY_CELLS",
    "DEVICE_CELLS",
    "INSTALLER_CELLS",
    "SITE_CELLS",
    "TARGETS",
    "Device",
    "Installer",
    "Notice",
    "Plane",
    "Register",
    "Site",
    "load_register",
    "zone_notes",
]

SITE_CELLS: Mapping[str, Cell] = {
    "site_id": Cell(identifier, required=True),
    "name": Cell(one_line, required=True),
    "latitude": Cell(number(-90, 90), required=True),
    "longitude": Cell(number(-180, 180), required=True),
    "timezone": Cell(zone, required=True),
    "export_timezone": Cell(zone),
    "installed_kwp": Cell(number(above=0), required=True),
    "tilt_deg": Cell(number(0, 90)),
    "azimuth_deg": Cell(azimuth),
    "inverter_kw": Cell(number(above=0)),
    "phases": Cell(phases),
    "feed_in_limit_kw": Cell(number(0)),
    "feed_in_buffer_w": Cell(number(0)),
    "import_limit_kw": Cell(number(above=0)),
    "battery_kwh": Cell(battery_size),
    "battery_reserve_pct": Cell(number(0, 100)),
    "battery_resume_pct": Cell(number(0, 100)),
    "battery_backup_floor_pct": Cell(number(0, 100)),
    "grid_charging": Cell(yes_no),
    "nominal_voltage_v": Cell(number(above=0)),
    "nominal_frequency_hz": Cell(number(above=0)),
    "import_price": Cell(number(0)),
    "feed_in_price": Cell(number()),  # below 0 where feeding in costs
    "currency": Cell(currency),
    "installer_id": Cell(any_text),
    "commissioned_on": Cell(iso_date),
    "profile": Cell(any_text),
    "external_id": Cell(any_text),
    "watched": Cell(yes_no),
    "address": Cell(one_line),
    "contact": Cell(one_line),
    "phone": Cell(one_line),
    "access_note": Cell(one_line),
}
ARRAY_CELLS: Mapping[str, Cell] = {
    "site_id": Cell(any_text, required=True),
    "kwp": Cell(number(above=0), required=True),
    "tilt_deg": Cell(number(0, 90), required=True),
    "azimuth_deg": Cell(azimuth, required=True),
}
DEVICE_CELLS: Mapping[str, Cell] = {
    "site_id": Cell(any_text, required=True),
    "device_id": Cell(any_text, required=True),
    "external_id": Cell(any_text),
    "inverter_kw": Cell(number(above=0)),
}
INSTALLER_CELLS: Mapping[str, Cell] = {
    "installer_id": Cell(any_text, required=True),
    "name": Cell(one_line),
    "email": Cell(address),
}


def load_register(workspace: Workspace) -> tuple[Register, list[Fault]]:
    """The valid rows of the register's files, and every fault of the others, file by file and line by line."""
    sites, faults, unread = _read(workspace.sites_file, SITE_CELLS)
    optional = {}
    for path, columns in (
        (workspace.arrays_file, ARRAY_CELLS),
        (workspace.devices_file, DEVICE_CELLS),
        (workspace.installers_file, INSTALLER_CELLS),
    ):
        if path.exists():
            optional[path], found, _ = _read(path, columns)
            faults += found
    arrays = optional.get(workspace.arrays_file, [])
    devices = optional.get(workspace.devices_file, [])
    installers = optional.get(workspace.installers_file)
    faults += check_register(Files(sites, arrays, devices, installers, unread))
    register = _register(sites, arrays, devices, installers or [])
    order = [path.name for path in (workspace.sites_file, *optional)]
    return register, sorted(faults, key=lambda fault: (order.index(fault.file), fault.line or 0))


def _read(path: Path, columns: Mapping[str, Cell]) -> tuple[list[Values], list[Fault], frozenset[str]]:
    """A file's rows, its faults, and the first cells of rows that could not be read."""
    if not path.exists():
        remedy = "write it, or run `noonmark init` for an example"
        return [], [Fault(path.name, None, None, None, "the register is missing", remedy)], frozenset()
    table = read_table(path, list(columns), [name for name, cell in columns.items() if cell.required])
    rows, faults = read_rows(table.rows, columns, path.name)
    unread = frozenset(row.cells.get("site_id", "") for row in table.unread)
    return rows, table.faults + faults, unread


def _register(sites: list[Values], arrays: list[Values], devices: list[Values], installers: list[Values]) -> Register:
    valid: dict[str, Values] = {}
    for row in sites:
        if row.is_valid:
            valid.setdefault(row.values["site_id"], row)  # of two with one name the first stays
    return Register(
        sites={site_id: Site(**row.values) for site_id, row in valid.items()},
        planes=[Plane(**row.values) for row in arrays if row.is_valid and row.values["site_id"] in valid],
        devices=[Device(**row.values) for row in devices if row.is_valid and row.values["site_id"] in valid],
        installers={row.values["installer_id"]: Installer(**row.values) for row in installers if row.is_valid},
        lines={site_id: row.line for site_id, row in valid.items()},
    )
