"""Sizes that nobody means: watts written for kilowatts are refused, what may be meant so is only noticed."""

import pytest

from pipeline.runs.check import check
from tests.support.fleet import Fleet


@pytest.mark.parametrize(
    ("kwp", "inverter", "is_refused", "is_noticed"),
    [
        ("9.4", "10", False, False),
        ("94", "10", False, True),
        ("9400", "10", True, False),
        ("1200", "", False, True),  # there are such roofs, and 1.2 kWp written in watts
        ("1200", "1000", False, False),
        ("400", "", False, False),
    ],
)
def test_a_size_beside_its_inverter(tmp_path, kwp, inverter, is_refused, is_noticed):
    fleet = Fleet(tmp_path, [{"site_id": "S1", "installed_kwp": kwp, "inverter_kw": inverter}])
    result = check(fleet.space)
    assert [one.column for one in result.faults] == ["installed_kwp"] * is_refused
    assert [one.column for one in result.notices if one.column == "installed_kwp"] == ["installed_kwp"] * is_noticed


@pytest.mark.parametrize(
    ("kwp", "battery", "said"),
    [
        ("6", "100", "100 kWh beside 6 kWp"),
        ("6", "10000", "10 if Wh are meant"),
        ("10", "0.5", "0.5 kWh beside 10 kWp"),
        ("6", "10", None),
        ("6", "25", None),  # two days' need of a house
        ("30", "5", None),
        ("6", "", None),
    ],
)
def test_a_battery_beside_its_roof(tmp_path, kwp, battery, said):
    fleet = Fleet(tmp_path, [{"site_id": "S1", "installed_kwp": kwp, "battery_kwh": battery}])
    result = check(fleet.space)
    told = [one.text for one in result.notices if one.column == "battery_kwh"]
    assert result.faults == [] and len(told) == (said is not None)
    assert said is None or said in told[0]


@pytest.mark.parametrize(("length", "is_refused"), [(100, False), (101, True)])
def test_an_id_names_files_so_it_has_a_length(tmp_path, length, is_refused):
    fleet = Fleet(tmp_path, [{"site_id": "a" * length}])
    faults = [(one.column, one.problem) for one in check(fleet.space).faults]
    assert bool(faults) is is_refused
    if is_refused:
        assert faults == [("site_id", "an identifier of 101 characters")]
