"""When hours of generation contradict a registered capacity. Standard test conditions rate modules at 1 kW/m2 and 25
degC (IEC 61215), so an hour by 1.3 times the capacity is beyond any weather."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.features.flow_peaks import SCHEMA
from detectors.solar.ratings import beyond_capacity
from tests.support import build

DAY = build.DAY


def _beyond(peaks_kw: dict[int, float], **register) -> pl.DataFrame:
    """By days before the judged one, the peaks of a site of 5 kWp, unless `register` says otherwise."""
    rows = [
        {"site_id": "roof-1", "day": DAY - timedelta(days=ago), "pv_peak_w": 1000 * peak_kw}
        for ago, peak_kw in peaks_kw.items()
    ]
    site = {"installed_kwp": 5.0, "inverter_kw": 10.0, "battery_kwh": None, **register}
    return beyond_capacity(build.frame(SCHEMA, rows), build.sites(site), DAY)


FITTING = dict.fromkeys(range(3, 40), 4.5)


@pytest.mark.parametrize(
    ("peaks_kw", "register", "is_told"),
    [
        (FITTING | {1: 7.0, 0: 8.0}, {}, True),
        (FITTING | {1: 7.0, 0: 4.0}, {}, False),  # one such day
        (FITTING | {1: 6.4, 0: 6.4}, {}, False),  # within 1.3 times
        ({30: 7.0, 29: 8.0} | dict.fromkeys(range(20), 2.0), {}, False),  # over for longer than a fortnight
        (FITTING | {1: 30.0, 0: 30.0}, {}, False),  # beyond the inverter too: a wrong unit
        (FITTING | {1: 18.0, 0: 18.0}, {"inverter_kw": None}, True),
        (FITTING | {1: 30.0, 0: 30.0}, {"inverter_kw": None}, False),
        (FITTING | {1: 15.0, 0: 15.0}, {"battery_kwh": 10.0}, True),  # past the inverter into the battery
        ({0: 8.0}, {}, True),  # on the site's first day
        ({5: 2.0, 0: 8.0}, {}, True),  # after a dull week
        ({60: 8.0, 59: 2.0, 0: 8.0}, {}, False),  # nobody remembers what was before
        ({}, {}, False),
    ],
)
def test_hours_beyond_the_modules_tell_of_the_register_where_they_come_back(peaks_kw, register, is_told):
    assert _beyond(peaks_kw, **register).height == is_told


def test_the_first_day_is_the_sites_own_where_no_day_spoke_against_it():
    found = _beyond({9: 3.0, 8: 7.5, 4: 9.0, 0: 2.0}).row(0, named=True)
    assert found["first_day"] == DAY - timedelta(days=9)
    assert (found["days"], found["peak_w"]) == (2, 9000.0)
    later = _beyond(dict.fromkeys(range(5, 30), 4.0) | {4: 9.0, 2: 8.0}).row(0, named=True)
    assert later["first_day"] == DAY - timedelta(days=4)
