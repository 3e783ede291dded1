"""The register's cells: what valid ones come to, and every bad one with its file, line, column and value.

The zones that are taken are those of the tzdata package.
"""

import importlib.resources
from datetime import date

import polars as pl
import pytest

from detectors.clock.zones import fixed_name
from detectors.frames import PLANES, SITES
from pipeline.register.load import SITE_CELLS, TARGETS, zone_notes
from tests.support.register_files import HEALTHY, REQUIRED, load, places, write

# the table of the contract, section 4
CONTRACT_COLUMNS = [
    "site_id",
    "name",
    "latitude",
    "longitude",
    "timezone",
    "export_timezone",
    "installed_kwp",
    "tilt_deg",
    "azimuth_deg",
    "inverter_kw",
    "phases",
    "feed_in_limit_kw",
    "feed_in_buffer_w",
    "import_limit_kw",
    "battery_kwh",
    "battery_reserve_pct",
    "battery_resume_pct",
    "battery_backup_floor_pct",
    "grid_charging",
    "nominal_voltage_v",
    "nominal_frequency_hz",
    "import_price",
    "feed_in_price",
    "currency",
    "installer_id",
    "commissioned_on",
    "profile",
    "external_id",
    "watched",
    "address",
    "contact",
    "phone",
    "access_note",
]


def test_the_columns_are_the_contracts():
    assert list(SITE_CELLS) == CONTRACT_COLUMNS
    assert set(SITES) == set(CONTRACT_COLUMNS)


def test_an_empty_register_is_valid(tmp_path):
    write(tmp_path, "sites.csv", REQUIRED)
    register, faults = load(tmp_path)
    assert faults == []
    assert register.frame().schema == SITES
    assert register.planes_frame().schema == PLANES
    assert register.targets("any").schema == TARGETS
    assert zone_notes(register) == []


def test_defaults_of_the_contract(tmp_path):
    write(tmp_path, "sites.csv", ",".join(CONTRACT_COLUMNS), "A,Roof,47,8,Europe/Zurich,,10" + "," * 26)
    register, faults = load(tmp_path)
    assert faults == []
    assert register.sites["A"].model_dump() == {
        "site_id": "A", "name": "Roof", "latitude": 47.0, "longitude": 8.0, "timezone": "Europe/Zurich",
        "export_timezone": "Europe/Zurich", "installed_kwp": 10.0, "tilt_deg": None, "azimuth_deg": None,
        "inverter_kw": None, "phases": 1, "feed_in_limit_kw": None, "feed_in_buffer_w": None, "import_limit_kw": None,
        "battery_kwh": None, "battery_reserve_pct": None, "battery_resume_pct": None, "battery_backup_floor_pct": None,
        "grid_charging": False, "nominal_voltage_v": 230.0, "nominal_frequency_hz": 50.0, "import_price": 0.30,
        "feed_in_price": 0.08, "currency": "EUR", "installer_id": None, "commissioned_on": None, "profile": None,
        "external_id": "A", "watched": True,
        "address": None, "contact": None, "phone": None, "access_note": None,
    }  # fmt: skip
    row = register.frame().row(0, named=True)
    assert (row["export_timezone"], row["external_id"], row["inverter_kw"]) == ("Europe/Zurich", "A", None)


def test_every_value_is_taken_as_written(tmp_path):
    cells = {
        "site_id": "A.b-c_1", "name": '"Roof, upper"', "latitude": "-33.9", "longitude": "+18.5",
        "timezone": "Africa/Johannesburg", "export_timezone": "UTC", "installed_kwp": "1e1", "tilt_deg": "0",
        "azimuth_deg": "360", "inverter_kw": "8.5", "phases": "3", "feed_in_limit_kw": "0", "feed_in_buffer_w": "0",
        "import_limit_kw": "4", "battery_kwh": "10", "battery_reserve_pct": "20", "battery_resume_pct": "20",
        "battery_backup_floor_pct": "0", "grid_charging": "YES", "nominal_voltage_v": "240",
        "nominal_frequency_hz": "60", "import_price": "0", "feed_in_price": "-0.02", "currency": "ZAR",
        "installer_id": "inst", "commissioned_on": "2024-02-29", "profile": "p", "external_id": "Übersee 7",
        "watched": "No",
    }  # fmt: skip
    backwards = list(reversed(cells))
    write(tmp_path, "sites.csv", ",".join(backwards), ",".join(cells[name] for name in backwards))
    register, faults = load(tmp_path)
    assert faults == []
    site = register.sites["A.b-c_1"]
    assert (site.name, site.latitude, site.installed_kwp, site.azimuth_deg) == ("Roof, upper", -33.9, 10.0, 0.0)
    assert (site.phases, site.feed_in_limit_kw, site.grid_charging, site.watched) == (3, 0.0, True, False)
    assert (site.feed_in_price, site.commissioned_on) == (-0.02, date(2024, 2, 29))
    assert (site.export_timezone, site.external_id, site.profile) == ("UTC", "Übersee 7", "p")


def test_a_battery_of_nought_is_none(tmp_path):
    write(tmp_path, "sites.csv", REQUIRED + ",battery_kwh", HEALTHY + ",0")
    register, faults = load(tmp_path)
    assert (faults, register.sites["A"].battery_kwh) == ([], None)


def test_zones_may_be_fixed_offsets(tmp_path):
    header = REQUIRED.replace("timezone", "timezone,export_timezone")
    row = HEALTHY.split(",")
    at = REQUIRED.split(",").index("timezone")
    row[at : at + 1] = ["+01:00", "-03:30"]
    write(tmp_path, "sites.csv", header, ",".join(row))
    register, faults = load(tmp_path)
    site = register.sites["A"]
    assert (faults, site.timezone, site.export_timezone) == ([], "+01:00", "-03:30")

    [note] = [note for note in zone_notes(register) if note.column == "export_timezone"]
    assert "270 min apart" in note.text


def test_an_offset_is_taken_as_the_desk_is_told_it(tmp_path):
    """As `fixed_name` writes what a logger's clock should be set to."""
    header = REQUIRED.replace("timezone", "timezone,export_timezone")
    write(tmp_path, "sites.csv", header, f"A,a,47,8,Europe/Zurich,{fixed_name(60)},10")
    register, faults = load(tmp_path)
    assert (faults, register.sites["A"].export_timezone) == ([], "+01:00")
    write(tmp_path, "sites.csv", header, "A,a,47,8,Europe/Zurich,UTC+1,10")
    assert [fault.problem for fault in load(tmp_path)[1]] == ["unknown zone"]


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("site_id", "a/b", "letters"),
        ("site_id", "..", "letters"),
        ("site_id", "Dächli", "letters"),
        ("latitude", "90.1", "-90 to 90"),
        ("latitude", "nan", "decimal point"),
        ("longitude", "-180.5", "-180 to 180"),
        ("longitude", "inf", "decimal point"),
        ("longitude", "8°", "decimal point"),
        ("latitude", '"47,25"', "write 47.25"),
        ("installed_kwp", "0", "above 0"),
        ("installed_kwp", "-3", "above 0"),
        ("installed_kwp", "10 kWp", "without a unit"),
        ("installed_kwp", "1_000", "decimal point"),
        ("installed_kwp", "1e999", "decimal point"),
        ("installed_kwp", "٣", "decimal point"),
        ("timezone", "Europe/Zürich", "write Europe/Zurich"),
        ("timezone", "europe/zurich", "write Europe/Zurich"),
        ("timezone", "CET+1", "write"),
        ("timezone", "+15:00", "+01:00"),
        ("timezone", "+1:00", "+01:00"),
        ("export_timezone", "UTC+1", "+01:00"),
        ("timezone", "Factory", "IANA"),
        ("export_timezone", "Pacific/Aukland", "write Pacific/Auckland"),
        ("export_timezone", "Kathmandu", "write Asia/Kathmandu"),
        ("tilt_deg", "91", "0 to 90"),
        ("azimuth_deg", "-90", "clockwise from north"),
        ("azimuth_deg", "361", "clockwise from north"),
        ("azimuth_deg", "S", "decimal point"),
        ("inverter_kw", "0", "above 0"),
        ("phases", "2", "write 1 or 3"),
        ("feed_in_limit_kw", "-1", "0 or more"),
        ("feed_in_buffer_w", "-20", "0 or more"),
        ("import_limit_kw", "0", "leave the cell empty"),
        ("battery_kwh", "-5", "0 or more"),
        ("battery_reserve_pct", "101", "0 to 100"),
        ("battery_resume_pct", "50%", "without a unit"),
        ("battery_backup_floor_pct", "-1", "0 to 100"),
        ("grid_charging", "true", "yes or no"),
        ("watched", "1", "yes or no"),
        ("nominal_voltage_v", "0", "above 0"),
        ("nominal_frequency_hz", "-50", "above 0"),
        ("import_price", "-0.1", "0 or more"),
        ("feed_in_price", '"0,08"', "write 0.08"),
        ("currency", "eur", "write EUR"),
        ("currency", "Euro", "three capitals"),
        ("commissioned_on", "31.12.2024", "2026-05-31"),
        ("commissioned_on", "2023-02-29", "2026-05-31"),
        ("commissioned_on", "20240101", "2026-05-31"),
        ("commissioned_on", "2024-W01-1", "2026-05-31"),
    ],
)
def test_a_bad_cell_is_told_with_its_place_and_remedy(tmp_path, column, value, said):
    cells = dict(zip(REQUIRED.split(","), HEALTHY.split(","), strict=True)) | {"site_id": "B", column: value}
    write(tmp_path, "sites.csv", ",".join(cells), "", ",".join(cells.values()))
    register, faults = load(tmp_path)
    assert places(faults) == [("sites.csv", 3, column, value.strip('"'))]
    assert said in faults[0].remedy
    assert register.sites == {}


@pytest.mark.parametrize("column", REQUIRED.split(","))
def test_an_empty_required_cell(tmp_path, column):
    cells = dict(zip(REQUIRED.split(","), HEALTHY.split(","), strict=True)) | {column: " "}
    write(tmp_path, "sites.csv", ",".join(cells), ",".join(cells.values()))
    assert places(load(tmp_path)[1]) == [("sites.csv", 2, column, "")]


def test_all_faults_of_all_files_at_once(tmp_path):
    header = REQUIRED + ",phases,installer_id,tilt_deg"
    write(
        tmp_path, "sites.csv", header,
        "A,Roof A,97.0,8.0,Mars/Base,10,2,i1,",
        "A,Roof B,47.0,8.0,Europe/Zurich,-1,1,i9,30",
        "C,,47.0,x,Europe/Zurich,10,1,,",
        "D,Roof D,47.0,8.0,Europe/Zurich,10",
    )  # fmt: skip
    write(tmp_path, "arrays.csv", "site_id,kwp,tilt_deg,azimuth_deg", "Z,4,95,180", "A,-4,20,400")
    write(tmp_path, "devices.csv", "site_id,device_id,external_id,inverter_kw", "Y,1,,", "A,,,5", "A,1,,", "A,1,x,")
    write(tmp_path, "installers.csv", "installer_id,name,email", "i1,One,one@example", "i1,Two,two.example", ",Three,")
    faults = load(tmp_path)[1]
    assert places(faults) == [
        ("sites.csv", 2, "latitude", "97.0"),
        ("sites.csv", 2, "timezone", "Mars/Base"),
        ("sites.csv", 2, "phases", "2"),
        ("sites.csv", 3, "installed_kwp", "-1"),
        ("sites.csv", 3, "site_id", "A"),
        ("sites.csv", 3, "installer_id", "i9"),
        ("sites.csv", 3, "tilt_deg", "30"),
        ("sites.csv", 4, "name", ""),
        ("sites.csv", 4, "longitude", "x"),
        ("sites.csv", 5, "phases", None),
        ("arrays.csv", 2, "tilt_deg", "95"),
        ("arrays.csv", 2, "site_id", "Z"),
        ("arrays.csv", 3, "kwp", "-4"),
        ("arrays.csv", 3, "azimuth_deg", "400"),
        ("devices.csv", 2, "site_id", "Y"),
        ("devices.csv", 3, "device_id", ""),
        ("devices.csv", 5, "device_id", "1"),
        ("installers.csv", 3, "email", "two.example"),
        ("installers.csv", 3, "installer_id", "i1"),
        ("installers.csv", 4, "installer_id", ""),
    ]
    assert all(fault.remedy for fault in faults)


def test_every_zone_of_the_package_is_taken(tmp_path):
    names = (importlib.resources.files("tzdata") / "zones").read_text().split()
    assert len(names) > 400
    write(
        tmp_path, "sites.csv", REQUIRED, *(f"S{n},n,0,0,{name},1" for n, name in enumerate(names) if name != "Factory")
    )
    register, faults = load(tmp_path)
    assert faults == []
    assert register.frame().filter(pl.col("timezone") != pl.col("export_timezone")).is_empty()
