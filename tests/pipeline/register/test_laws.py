"""What must hold between the cells and files of a register: levels, planes, installers and names."""

import pytest

from pipeline.register.load import TARGETS
from tests.support.register_files import HEALTHY, REQUIRED, load, places, write


@pytest.mark.parametrize(
    ("floor", "reserve", "resume", "bad"),
    [
        ("10", "35", "50", []),
        ("20", "20", "20", []),
        ("40", "35", "50", [("battery_backup_floor_pct", "40")]),
        ("10", "60", "50", [("battery_reserve_pct", "60")]),
        ("60", "", "50", [("battery_backup_floor_pct", "60")]),
        ("70", "60", "50", [("battery_backup_floor_pct", "70"), ("battery_reserve_pct", "60")]),
        ("", "60", "", []),  # a default never makes a row wrong
        ("", "5", "", []),
    ],
)
def test_battery_levels_rise(tmp_path, floor, reserve, resume, bad):
    header = REQUIRED + ",battery_backup_floor_pct,battery_reserve_pct,battery_resume_pct"
    write(tmp_path, "sites.csv", header, f"{HEALTHY},{floor},{reserve},{resume}")
    assert places(load(tmp_path)[1]) == [("sites.csv", 2, column, value) for column, value in bad]


@pytest.mark.parametrize(
    ("kwps", "is_valid"),
    [
        ((6, 4), True),
        ((6, 4.1), True),  # 1 % of 10 kWp is 0.1 kWp
        ((6, 3.9), True),
        ((6, 4.11), False),
        ((6, 3.89), False),
        ((3.3, 3.3, 3.5), True),  # 10.1 but for binary fractions
    ],
)
def test_planes_sum_to_the_installed_capacity(tmp_path, kwps, is_valid):
    write(tmp_path, "sites.csv", REQUIRED, HEALTHY)
    write(
        tmp_path,
        "arrays.csv",
        "site_id,kwp,tilt_deg,azimuth_deg",
        *(f"A,{kwp},20,{n * 90}" for n, kwp in enumerate(kwps)),
    )
    register, faults = load(tmp_path)
    assert places(faults) == ([] if is_valid else [("arrays.csv", 2, "kwp", f"{sum(kwps):g}")])
    assert register.planes_frame()["kwp"].to_list() == list(kwps)


def test_installers_are_looked_up_only_where_there_is_a_file(tmp_path):
    write(tmp_path, "sites.csv", REQUIRED + ",installer_id", HEALTHY + ",north")
    assert load(tmp_path)[1] == []
    write(tmp_path, "installers.csv", "installer_id,name,email", "norht,North,desk@example.org")
    faults = load(tmp_path)[1]
    assert places(faults) == [("sites.csv", 2, "installer_id", "north")]
    assert faults[0].remedy == "write norht"


def site_lines(*sites: tuple[str, str, str]) -> list[str]:
    """site_id, profile, external_id on an otherwise valid row."""
    return [REQUIRED + ",profile,external_id"] + [f"{s},n,47,8,UTC,10,{p},{x}" for s, p, x in sites]


@pytest.mark.parametrize(
    ("sites", "bad"),
    [
        ([("A", "", "x"), ("B", "", "x")], [("sites.csv", 3, "external_id", "x")]),
        ([("A", "p", "x"), ("B", "p", "x")], [("sites.csv", 3, "external_id", "x")]),
        ([("A", "p", "x"), ("B", "", "x")], [("sites.csv", 3, "external_id", "x")]),
        ([("A", "p", "x"), ("B", "q", "x")], []),
        ([("A", "", ""), ("B", "", "A")], [("sites.csv", 3, "external_id", "A")]),
        ([("A", "", "x"), ("B", "", "X")], []),
    ],
)
def test_one_name_for_two_sites(tmp_path, sites, bad):
    write(tmp_path, "sites.csv", *site_lines(*sites))
    assert places(load(tmp_path)[1]) == bad


def test_one_name_for_a_device_and_another_site(tmp_path):
    write(tmp_path, "sites.csv", *site_lines(("A", "", "x"), ("B", "", ""), ("C", "p", "")))
    write(tmp_path, "devices.csv", "site_id,device_id,external_id", "B,1,x", "B,2,", "C,2,", "C,3,B")
    assert places(load(tmp_path)[1]) == [
        ("devices.csv", 2, "external_id", "x"),
        ("devices.csv", 4, "external_id", "2"),
    ]  # B has devices, so no export means the site by its own name: device 3 of C may bear it


def test_targets(tmp_path):
    write(tmp_path, "sites.csv", *site_lines(("A", "", "x"), ("B", "p", ""), ("C", "q", "")))
    write(tmp_path, "devices.csv", "site_id,device_id,external_id,inverter_kw", "B,1,b-one,5", "B,2,,")
    register, faults = load(tmp_path)
    assert faults == []
    assert register.targets("p").rows() == [
        ("x", "A", "", "UTC", "UTC", None, 47.0, 8.0),
        ("b-one", "B", "1", "UTC", "UTC", None, 47.0, 8.0),
        ("2", "B", "2", "UTC", "UTC", None, 47.0, 8.0),
    ]
    assert register.targets("q")["external_id"].to_list() == ["x", "C"]
    assert register.targets("p").schema == TARGETS
