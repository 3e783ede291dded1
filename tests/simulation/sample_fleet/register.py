"""What the firm's register says of the fleet, with the gaps and the mistakes that a register has."""

import csv
import io

from tests.simulation.sample_fleet.faults import DAMAGED, NO_FAULT
from tests.simulation.sample_fleet.sites import DEVICES, REGIONS, SITES, Spec

SITE_COLUMNS = (
    *("site_id", "name", "latitude", "longitude"),
    *("timezone", "export_timezone", "installed_kwp", "tilt_deg"),
    *("azimuth_deg", "inverter_kw", "phases", "feed_in_limit_kw"),
    *("feed_in_buffer_w", "battery_kwh", "battery_reserve_pct", "battery_resume_pct"),
    *("grid_charging", "nominal_voltage_v", "nominal_frequency_hz", "import_price"),
    *("feed_in_price", "currency", "installer_id", "commissioned_on"),
    *("profile", "external_id", "watched"),
)
MONEY = {  # region -> import price, feed-in price, currency, installer
    "Birkmatt": ("0.31", "0.09", "CHF", "lantern"),
    "Nirvali": ("8.40", "2.90", "INR", "banyan"),
    "Wattlebrow": ("0.42", "0.05", "AUD", "gumnut"),
    "Klipdraai": ("3.10", "0.85", "ZAR", "rooibok"),
    "Cold Spur": ("0.15", "0.06", "USD", ""),
}
INSTALLERS = (
    ("lantern", "Lantern Roofworks", "visits@lantern.example"),
    ("banyan", "Banyan Shade Electrics", "service@banyan.example"),
    ("gumnut", "Gumnut Solar Fitters", "jobs@gumnut.example"),
    ("rooibok", "Rooibok Field Service", ""),
)


def tables() -> dict[str, str]:
    """File name -> text of the register's four tables."""
    planes = [
        (site.site_id, f"{kwp:g}", f"{tilt:g}", f"{azimuth:g}")
        for site in SITES
        if site.bearing is None
        for kwp, tilt, azimuth in site.planes
    ]
    devices = [(site_id, *device[:2], f"{device[2]:g}") for site_id, units in DEVICES.items() for device in units]
    return {
        "sites.csv": _csv(SITE_COLUMNS, [[_cells(site)[name] for name in SITE_COLUMNS] for site in SITES]),
        "arrays.csv": _csv(["site_id", "kwp", "tilt_deg", "azimuth_deg"], planes),
        "devices.csv": _csv(["site_id", "device_id", "external_id", "inverter_kw"], devices),
        "installers.csv": _csv(["installer_id", "name", "email"], INSTALLERS),
    }


def _cells(site: Spec) -> dict[str, str]:
    region = REGIONS[site.region]
    latitude, longitude = site.place
    import_price, feed_in_price, currency, installer = MONEY[site.region]
    cells = dict.fromkeys(SITE_COLUMNS, "") | {
        "site_id": site.site_id,
        "name": site.name,
        "latitude": f"{latitude:.4f}",
        "longitude": f"{longitude:.4f}",
        "timezone": region.zone,
        "installed_kwp": f"{site.kwp:g}",
        "tilt_deg": f"{site.bearing[0]:g}" if site.bearing else "",
        "azimuth_deg": f"{site.bearing[1]:g}" if site.bearing else "",
        "inverter_kw": f"{site.inverter_kw:g}",
        "feed_in_limit_kw": "" if site.feed_in_limit_kw is None else f"{site.feed_in_limit_kw:g}",
        "battery_kwh": f"{site.battery_kwh:g}" if site.battery_kwh else "",
        "import_price": import_price,
        "feed_in_price": feed_in_price,
        "currency": currency,
        "installer_id": installer,
    }
    if site.nominal_v != 230:
        cells |= {"nominal_voltage_v": f"{site.nominal_v:g}", "nominal_frequency_hz": "60"}
    if site.battery_kwh > 10:  # some were written down in full, most left to the defaults
        cells |= {"battery_reserve_pct": "35", "battery_resume_pct": "50", "grid_charging": "no"}
    if site.external_id != site.site_id:
        cells |= {"external_id": site.external_id, "profile": site.kind}
    return cells | site.register


def _csv(columns: list[str] | tuple[str, ...], rows: object) -> str:
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(columns)
    out.writerows(rows)  # type: ignore[arg-type]
    return text.getvalue()


def faults_page(lines: list[dict[str, str]]) -> str:
    """FAULTS.md: the same table as faults.csv, for reading, and the damaged files."""
    head = "| site | {} | from | to | {}what is there |\n"
    faults = [
        "| {site_id} | {kind} | {first_day} | {last_day} | {size} {unit} | {note} |\n".format_map(x)
        for x in lines
        if x["kind"] != NO_FAULT
    ]
    looks = [
        f"| {x['site_id']} | {x['first_day']} | {x['last_day']} | {x['note']} |\n"
        for x in lines
        if x["kind"] == NO_FAULT
    ]
    damaged = [f"| `exports/{name}` | {what} |\n" for name, what in DAMAGED]
    return "".join(
        (
            "# What was planted in this fleet\n\n",
            "Made by `make_fleet.py` together with the exports; `faults.csv` holds the same for programs.\n",
            "Clock faults: stamped - true, so positive where stamps run late. Days are local to the site.\n\n",
            "## Faults\n\n",
            head.format("kind", "size | "),
            "| --- | --- | --- | --- | --- | --- |\n",
            *faults,
            "\n## No faults, though they may look like some\n\n",
            "| site | from | to | what is there |\n| --- | --- | --- | --- |\n",
            *looks,
            "\n## Damaged files\n\n| file | what is wrong |\n| --- | --- |\n",
            *damaged,
        )
    )
