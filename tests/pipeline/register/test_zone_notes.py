"""Zones at places: the map against known places, two zones' clocks against zoneinfo."""

import itertools
from datetime import date, datetime, timedelta

import pytest

from pipeline.register.load import Register, Site, zone_notes
from pipeline.register.zone_notes import minutes_apart
from pipeline.timezones.zones import tzinfo_of


def fleet_of(*places: tuple[float, float, str, str]) -> Register:
    sites = [
        Site(
            site_id=f"S{n}", name="n", latitude=lat, longitude=lon, timezone=tz, export_timezone=export, installed_kwp=1
        )
        for n, (lat, lon, tz, export) in enumerate(places)
    ]
    return Register(sites={site.site_id: site for site in sites}, lines={s.site_id: n + 2 for n, s in enumerate(sites)})


def test_notes_on_zones():
    register = fleet_of(
        (48.85, 2.35, "Europe/London", ""),  # Paris, an hour ahead all year
        (48.85, 2.35, "Europe/Berlin", "Europe/Vienna"),  # other names, the same clocks
        (33.45, -112.07, "America/Denver", ""),  # Phoenix: no daylight saving
        (27.70, 85.32, "Asia/Kolkata", ""),  # Kathmandu: +5:45 against +5:30
        (-31.55, 159.08, "Australia/Sydney", ""),  # Lord Howe: 10:30/11:00 against 10:00/11:00
        (0.0, 0.0, "Europe/Vienna", ""),  # coordinates that were never filled in
        (47.0, 8.0, "Europe/Zurich", "UTC"),
    )
    notes = [(note.line, note.column, note.text) for note in zone_notes(register, from_day=date(2026, 1, 1))]
    says = "by its coordinates, the register says"
    part = "apart for a part of the year"
    assert notes == [
        (2, "timezone", f"S0 stands in Europe/Paris {says} Europe/London (60 min apart)"),
        (4, "timezone", f"S2 stands in America/Phoenix {says} America/Denver (60 min {part})"),
        (5, "timezone", f"S3 stands in Asia/Kathmandu {says} Asia/Kolkata (15 min apart)"),
        (6, "timezone", f"S4 stands in Australia/Lord_Howe {says} Australia/Sydney (30 min {part})"),
        (7, "timezone", f"S5 stands at sea (Etc/GMT) {says} Europe/Vienna (60 to 120 min apart)"),
        (8, "export_timezone", "S6 is stamped in UTC by its exports, it stands in Europe/Zurich (60 to 120 min apart)"),
    ]


@pytest.mark.parametrize("lat", [-90.0, 0.0, 90.0])
@pytest.mark.parametrize("lon", [-180.0, 0.0, 180.0])
def test_the_corners_of_the_map_have_a_zone(lat, lon):
    assert isinstance(zone_notes(fleet_of((lat, lon, "UTC", ""))), list)


PAIRS = [
    ("Europe/Paris", "Europe/London"),
    ("Europe/Dublin", "Europe/London"),
    ("Africa/Casablanca", "Africa/Algiers"),
    ("America/Phoenix", "America/Denver"),
    ("America/New_York", "America/Chicago"),
    ("America/Sao_Paulo", "America/Santiago"),
    ("Australia/Adelaide", "Australia/Sydney"),
    ("Pacific/Auckland", "Pacific/Chatham"),
    ("Asia/Tehran", "Asia/Kabul"),
    ("Europe/Chisinau", "Europe/Kyiv"),
]


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_minutes_apart_against_zoneinfo_hour_by_hour(one, other):
    begin = datetime(2026, 1, 1, tzinfo=tzinfo_of("UTC"))
    hours = (begin + timedelta(hours=n) for n in range(366 * 24))
    by_hour = [
        abs(t.astimezone(tzinfo_of(one)).utcoffset() - t.astimezone(tzinfo_of(other)).utcoffset()) for t in hours
    ]
    runs = [(apart // timedelta(minutes=1), len(list(run))) for apart, run in itertools.groupby(by_hour)]
    apart = [minutes for minutes, length in runs if length >= 24]  # not the hours between two zones' changes
    assert minutes_apart(one, other, int(begin.timestamp())) == (min(apart), max(apart))
