"""What each column of the register's files means, for people who fill them in."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from pipeline.register.cells import Cell
from pipeline.register.load import ARRAY_CELLS, DEVICE_CELLS, INSTALLER_CELLS, SITE_CELLS
from pipeline.register.model import Device, Installer, Plane, Site

FILES: Mapping[str, tuple[Mapping[str, Cell], type[BaseModel]]] = {
    "sites.csv": (SITE_CELLS, Site),
    "arrays.csv": (ARRAY_CELLS, Plane),
    "devices.csv": (DEVICE_CELLS, Device),
    "installers.csv": (INSTALLER_CELLS, Installer),
}
OTHERS = {("sites.csv", "export_timezone"): "= timezone", ("sites.csv", "external_id"): "= site_id",
          ("devices.csv", "external_id"): "= device_id"}  # fmt: skip
MEANINGS: Mapping[str, Mapping[str, str]] = {
    "sites.csv": {
        "site_id": "letters, digits, `-`, `_` and `.`; unique",
        "name": "what people call the site",
        "latitude": "degrees north, WGS84; south is negative",
        "longitude": "degrees east, WGS84; west is negative",
        "timezone": "zone where the site stands: an IANA name such as Europe/Vienna, or an offset such as +01:00",
        "export_timezone": "zone that was entered for the site in the system that writes its exports",
        "installed_kwp": "kW at standard test conditions: peak capacity of all modules",
        "tilt_deg": "degrees from horizontal, if one plane; empty = learned from the data",
        "azimuth_deg": "degrees clockwise from north (180 = south), if one plane; empty = learned from the data",
        "inverter_kw": "kW: AC rating of all inverters",
        "phases": "1 or 3",
        "feed_in_limit_kw": "kW; empty = no limit, 0 = may not feed the grid",
        "feed_in_buffer_w": "W: the import that the inverter keeps up so as not to feed in; empty = not known",
        "import_limit_kw": "kW: peak shaving, if set",
        "battery_kwh": "kWh: capacity; empty = no battery",
        "battery_reserve_pct": "%: discharge stops here while the grid is there; empty = not known",
        "battery_resume_pct": "%: after that stop, discharge waits until this; empty = not known",
        "battery_backup_floor_pct": "%: discharge stops here when the grid is out; empty = not known",
        "grid_charging": "yes or no: may the battery charge from the grid",
        "nominal_voltage_v": "V, phase to neutral",
        "nominal_frequency_hz": "Hz, of the grid",
        "import_price": "money per kWh imported",
        "feed_in_price": "money per kWh fed in; below 0 where feeding in costs",
        "currency": "ISO 4217 code",
        "installer_id": "a row of installers.csv",
        "commissioned_on": "ISO date; readings before it are kept, not judged",
        "profile": "name of the profile; empty = found by the profile's `match`",
        "external_id": "what the exports call the site",
        "watched": "yes or no; no = its data is kept, nothing is raised",
        "address": "where the site is, for the installer's sheet",
        "contact": "whom the installer asks for",
        "phone": "the contact's telephone number",
        "access_note": "how to get in: keys, ladder, dog",
    },
    "arrays.csv": {
        "site_id": "a row of sites.csv, of which tilt_deg and azimuth_deg then stay empty",
        "kwp": "kW of this plane's modules; a site's planes sum to its installed_kwp within 1 %",
        "tilt_deg": "degrees from horizontal",
        "azimuth_deg": "degrees clockwise from north (180 = south)",
    },
    "devices.csv": {
        "site_id": "a row of sites.csv, which is then the sum of its devices",
        "device_id": "unique within the site",
        "external_id": "what the exports call the device",
        "inverter_kw": "kW: AC rating",
    },
    "installers.csv": {
        "installer_id": "unique",
        "name": "of the firm or person",
        "email": "one address",
    },
}


class Column(NamedTuple):
    """One column of one file, in words."""

    file: str
    name: str
    default: str  # "required", the value that an empty cell stands for, or "" = not known, not applicable
    meaning: str


def columns() -> Iterator[Column]:
    """Every column of the register's files, in their order."""
    for file, (cells, model) in FILES.items():
        for name, cell in cells.items():
            default = (
                "required" if cell.required else OTHERS.get((file, name), _shown(model.model_fields[name].default))
            )
            yield Column(file, name, default, MEANINGS[file][name])


def _shown(default: Any) -> str:
    if default is None or default is PydanticUndefined:
        return ""
    if isinstance(default, bool):
        return "yes" if default else "no"
    return f"{default:g}" if isinstance(default, float) else str(default)
