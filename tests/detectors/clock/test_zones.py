"""Zones that would explain an offset, against the IANA database read by the standard library."""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from detectors.clock.explain import Claim, explaining
from detectors.clock.zones import changes, daily_offsets, fixed_name, places, plausible_zones, zone_info


@pytest.mark.parametrize("zone", ["Europe/Zurich", "America/Phoenix", "Asia/Kathmandu", "Pacific/Apia", "UTC"])
def test_offsets_of_every_day_over_a_new_year(zone: str) -> None:
    first = date(2024, 11, 20)
    ours = daily_offsets(zone, first, 400)
    noon = datetime(first.year, first.month, first.day, 12, tzinfo=UTC)
    theirs = [(noon + timedelta(days=i)).astimezone(ZoneInfo(zone)).utcoffset() for i in range(400)]
    assert ours.tolist() == [offset.total_seconds() / 60 for offset in theirs if offset is not None]


def test_changes_of_clocks_of_2025() -> None:
    """IANA: Lisbon 30 March +60 and 26 October -60; Lord Howe 5 April (UTC) -30 and 4 October +30; Phoenix none."""
    year = (date(2025, 1, 1), 365)
    found = {zone: changes(zone, *year) for zone in ("Europe/Lisbon", "Australia/Lord_Howe", "America/Phoenix")}
    days = {zone: [(date(2025, 1, 1) + timedelta(days=i), step) for i, step in steps] for zone, steps in found.items()}
    assert days["Europe/Lisbon"] == [(date(2025, 3, 30), 60.0), (date(2025, 10, 26), -60.0)]
    assert days["Australia/Lord_Howe"] == [(date(2025, 4, 6), -30.0), (date(2025, 10, 5), 30.0)]  # at 12:00 UTC
    assert days["America/Phoenix"] == []


def test_a_fixed_offset_is_a_zone_without_changes() -> None:
    assert daily_offsets("-03:30", date(2025, 1, 1), 366).tolist() == [-210.0] * 366
    assert changes("+05:45", date(2025, 1, 1), 366) == []


def test_what_is_no_zone_is_none() -> None:
    assert zone_info("Europe/Zurich") is not None
    for name in ("", "Nowhere/Town", "../tzdata/__init__.py", "/etc/localtime", "zone1970.tab"):
        assert zone_info(name) is None
    assert np.isnan(daily_offsets("Nowhere/Town", date(2025, 1, 1), 3)).all()


def test_the_places_lie_where_the_table_says() -> None:
    """zone1970.tab: Europe/Lisbon +3843-00908, America/Argentina/Ushuaia -5448-06818, Asia/Kathmandu +2743+08519."""
    at = {place.zone: (place.latitude, place.longitude) for place in places()}
    assert at["Europe/Lisbon"] == pytest.approx((38 + 43 / 60, -(9 + 8 / 60)))
    assert at["America/Argentina/Ushuaia"] == pytest.approx((-(54 + 48 / 60), -(68 + 18 / 60)))
    assert at["Asia/Kathmandu"] == pytest.approx((27 + 43 / 60, 85 + 19 / 60))


def test_the_register_comes_first_then_the_neighbourhood() -> None:
    near, others = plausible_zones(("Africa/Lagos",), "Europe/Zurich", 47.4, 8.1)
    assert near[:3] == ("Europe/Zurich", "Africa/Lagos", "UTC")
    assert "Europe/London" in near and "Asia/Tokyo" not in near
    assert "Asia/Tokyo" in others
    # zonenow.tab: Paris stands for central Europe, Lisbon for western Europe, Rome for nobody else.
    assert near.index("Europe/Paris") < near.index("Europe/Lisbon") < near.index("Europe/Rome")
    assert others.index("America/New_York") < others.index("America/Iqaluit")
    ours, _ = plausible_zones((), "Australia/Darwin", -12.5, 130.8)
    assert ours.index("Australia/Brisbane") < ours.index("Pacific/Port_Moresby")  # its own country's first


@pytest.mark.parametrize(("minutes", "name"), [(330, "UTC+05:30"), (-210, "UTC-03:30"), (0, "UTC+00:00")])
def test_a_clock_without_daylight_saving_as_people_write_it(minutes: float, name: str) -> None:
    assert fixed_name(minutes) == name


def _explained(zone: str, place: tuple[float, float], first: date, minutes: float, uncertainty: float) -> list[str]:
    """What explains an offset that 30 days show alike, of a site in `zone` that is stamped in it."""
    days = [first + timedelta(days=n) for n in range(30)]
    light = np.full((1, len(days)), minutes)
    onsets = SimpleNamespace(days=days, first_late=light, last_early=-light)
    claim = Claim(zone, zone, *place, register=(zone,))
    return explaining(onsets, 0, 0, minutes, uncertainty, claim, today=0)  # type: ignore[arg-type]


def test_where_shade_leaves_an_offset_uncertain_usual_mistakes_come_before_zones_of_half_hours() -> None:
    """A roof that faces the evening at standard time in summer seems 39 min early, and one at UTC 97 instead of 120."""
    melbourne = ("Australia/Melbourne", (-36.2, 145.2), date(2025, 10, 15))
    found = _explained(*melbourne, minutes=-39.0, uncertainty=26.0)
    assert found[0] == "UTC+10:00" and "Australia/Broken_Hill" in found
    assert _explained(*melbourne, minutes=-32.0, uncertainty=12.0)[0] == "Australia/Broken_Hill"
    berlin = ("Europe/Berlin", (52.3, 10.6), date(2026, 8, 3))
    assert _explained(*berlin, minutes=-97.0, uncertainty=39.0)[0] == "UTC"
    assert _explained(*berlin, minutes=-97.0, uncertainty=12.0) == []
    assert _explained(*berlin, minutes=-62.0, uncertainty=30.0)[0].startswith("Europe/")


def test_a_zone_of_the_same_country_comes_first_where_the_measured_offset_lies_next_to_it() -> None:
    """The Chatham islands keep 45 minutes more than the rest of New Zealand, and an hour less in winter."""
    chatham = ("Pacific/Chatham", (-43.9, -176.5), date(2026, 1, 20))
    assert _explained(*chatham, minutes=-48.0, uncertainty=20.0)[0] == "Pacific/Auckland"
    assert _explained(*chatham, minutes=-56.0, uncertainty=20.0)[0] == "UTC+12:45"


def test_of_two_zones_that_fit_the_one_next_to_what_was_measured_comes_first() -> None:
    """Dhaka keeps half an hour more than Delhi, Kathmandu a quarter, which lies nearer."""
    found = _explained("Asia/Kolkata", (28.6, 77.2), date(2025, 12, 1), minutes=32.0, uncertainty=18.0)
    assert found[0] == "Asia/Dhaka" and "Asia/Kathmandu" in found
    assert (
        _explained("Asia/Kolkata", (28.6, 77.2), date(2025, 12, 1), minutes=17.0, uncertainty=18.0)[0]
        == "Asia/Kathmandu"
    )
