"""Errors in exports, profiles and registers: each costs no more than itself, and its remedy is the right one."""

import gzip
import json
import time
from pathlib import Path

import pytest

from pipeline.config.suggestions import zone_remedy
from pipeline.profiles.site_pattern import PatternError, compiled, site_in
from pipeline.runs import check
from pipeline.timezones.zones import zone_names
from tests.pipeline.ingest.test_ingest import MORNING
from tests.support.fleet import PROFILES, Fleet, roof, sunny

pytestmark = pytest.mark.usefixtures("no_detectors")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


@pytest.mark.parametrize("is_packed", [False, True])
def test_one_undecodable_byte_costs_its_line(fleet: Fleet, is_packed: bool) -> None:
    lines = roof(sunny()).encode().split(b"\n")
    lines[40] = lines[40].replace(b"400", b"40\xff")
    content = b"\n".join(lines)
    name = "S1_roof_a.csv.gz" if is_packed else "S1_roof_a.csv"
    fleet.drop(name, gzip.compress(content) if is_packed else content)
    assert fleet.take_in().quarantined == [] and fleet.ledger() == {name: (96, 95, 0, 0, 1)}
    ((line, reason),) = fleet.ask("SELECT line, reason FROM rejected_row")
    assert line == 41 and "not utf-8" in reason


def test_a_header_that_cannot_be_decoded_is_the_profiles_fault(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", roof(sunny()).replace("load", "l\xf6ad").encode("latin-1"))
    assert fleet.take_in().needs_person and "set encoding" in fleet.reason("S1_roof_a.csv")


@pytest.mark.parametrize("is_inner", [False, True])
def test_json_that_names_a_key_twice_is_not_read_as_half_of_it(tmp_path: Path, is_inner: bool) -> None:
    """RFC 8259, 4: what a reader makes of names that are not unique is unpredictable."""
    toml = PROFILES["roof"].replace('format = "csv"', 'format = "json"').replace("*_roof_*.csv", "*_roof_*.json")
    toml = toml.replace("[site]", '[json]\nrecords = "rows"\n[site]')
    fleet = Fleet(tmp_path, profiles={"roof": toml})
    rows = json.dumps([{"t": stamp, "pv": 1, "load": 1, "v": 230} for stamp in MORNING])
    twice = rows.replace('"pv": 1', '"pv": 1, "pv": 2', 1)
    fleet.drop("S1_roof_a.json", f'{{"rows": {twice}}}' if is_inner else f'{{"rows": {rows}, "rows": []}}')
    assert fleet.take_in().needs_person and fleet.ledger() == {}
    assert f"the key '{'pv' if is_inner else 'rows'}' stands twice" in fleet.reason("S1_roof_a.json")


def test_a_line_of_ndjson_that_names_a_key_twice_is_rejected(fleet: Fleet) -> None:
    lines = [f'{{"site": "S1", "t": "{stamp}", "what": "soc", "value": 50}}' for stamp in MORNING]
    lines[1] = lines[1].replace('"value"', '"value": 7, "value"')
    fleet.drop("a.ndjson", "\n".join([*lines, ""]))
    fleet.take_in()
    assert fleet.ledger() == {"a.ndjson": (4, 3, 0, 0, 1)}
    assert "'value' stands twice" in fleet.value("SELECT reason FROM rejected_row")


def test_a_repeat_inside_a_repeat_ends(tmp_path: Path) -> None:
    """On 60 letters, a backtracking engine would try 2**60 ways to part them."""
    pattern = compiled("^(?P<site>([a-z]+)*)_roof")
    started = time.process_time()
    assert site_in(pattern, "a" * 60 + "!") is None and site_in(pattern, "abc_roof_1.csv") == "abc"
    assert time.process_time() - started < 60  # years, else
    with pytest.raises(PatternError):
        compiled("(?=x)(?P<site>.*)")
    fleet = Fleet(tmp_path, profiles={"roof": PROFILES["roof"].replace("^(?P<site>[A-Za-z0-9]+)", "(?P<site>.+)(?=_)")})
    (fault,) = check.check(fleet.space).faults
    assert "look-around" in fault.remedy


@pytest.mark.parametrize(("written", "meant"), [("CEST", "Europe/Vienna"), ("CET ", "Europe/Vienna"), ("PST", "Los_A")])
def test_an_abbreviation_is_answered_with_a_place(written: str, meant: str) -> None:
    assert meant in zone_remedy(written, (), zone_names(), "write an IANA name")


def test_a_region_alone_makes_no_place_likely() -> None:
    assert zone_remedy("Europe/Nowhere", (), zone_names(), "write an IANA name") == "write an IANA name"
    assert zone_remedy("America/Argentina/Buenos_Ayres", (), zone_names(), "") == "write America/Argentina/Buenos_Aires"


def test_the_last_word_of_a_choice_is_enough_to_know_it(tmp_path: Path) -> None:
    marked = PROFILES["roof"].replace('zone = "utc"', 'zone = "utc"\nmarks = "start"')
    (fault,) = check.check(Fleet(tmp_path, profiles={"roof": marked}).space).faults
    assert fault.remedy == 'write "interval start"'


def test_zones_of_profiles_and_registers_are_answered_alike(tmp_path: Path) -> None:
    profile = PROFILES["roof"].replace('zone = "utc"', 'zone = "CEST"')
    fleet = Fleet(tmp_path, [{"site_id": "S1", "timezone": "CEST"}], profiles={"roof": profile})
    faults = check.check(fleet.space).faults
    assert len(faults) == 2 and all("Europe/Vienna" in fault.remedy for fault in faults)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([{"site_id": "roof-1"}, {"site_id": "Roof-1"}], "capitals only"),
        ([{"site_id": "S1", "name": "Invented\x07 roof"}], "control character"),
    ],
)
def test_what_a_register_may_not_hold(tmp_path: Path, rows: list[dict[str, str]], said: str) -> None:
    faults = check.check(Fleet(tmp_path, rows).space).faults
    assert len(faults) == 1 and said in str(faults[0])


@pytest.mark.parametrize(
    ("row", "column", "remedy"),
    [
        ({"installed_kwp": "5000", "inverter_kw": "5"}, "installed_kwp", "write kW, not W: 5"),
        ({"latitude": "11.0", "longitude": "48.0"}, "latitude", "write latitude 48, longitude 11"),
        ({"installed_kwp": "1000"}, None, None),
        ({"timezone": "America/Denver"}, None, None),  # in another zone, where swapped coordinates help nothing
        ({"latitude": "11.0", "longitude": "48.0", "timezone": "Africa/Mogadishu"}, None, None),  # it may stand there
        ({"latitude": "-33.9", "longitude": "151.2", "timezone": "Australia/Sydney"}, None, None),
    ],
)
def test_a_size_and_a_place_that_nobody_means_are_faults(
    tmp_path: Path, row: dict[str, str], column: str | None, remedy: str | None
) -> None:
    faults = check.check(Fleet(tmp_path, [{"site_id": "S1", **row}]).space).faults
    found = [(fault.file, fault.line, fault.column, fault.remedy) for fault in faults]
    assert found == ([] if column is None else [("sites.csv", 2, column, remedy)])
