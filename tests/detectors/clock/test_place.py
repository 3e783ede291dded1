"""Coordinates of the wrong sign: the stamps are right, and the sun reckoned there is not. The roofs' sun is pvlib's."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from detectors.clock.explain import Claim
from detectors.clock.kinds import KINDS
from detectors.clock.light import light_onsets
from detectors.clock.place import wrong_sign_of_noon, zones_at
from detectors.finding import Finding, NotJudged, cause_of, filled, next_step_of, title_of, visit_if_of
from tests.support.clock_roofs import Roof, constant, readings, register, right
from tests.support.clock_verdicts import FIRST, judge, only

TRUE = Roof("roof", latitude=46.06, longitude=14.97, timezone="Europe/Ljubljana", seed=3)
LAST = FIRST + timedelta(days=19)
KIND = KINDS["time-zone-wrong"]


def _told(registered: Roof, error=right) -> Finding:
    light = light_onsets(readings(TRUE, FIRST, 20, 5, error), register([registered]))
    return only(judge(light, LAST, registered))


def test_a_longitude_of_the_wrong_sign_is_the_cause_and_nothing_is_to_be_moved():
    found = _told(replace(TRUE, longitude=-14.97))
    values = {"site_id": "roof", "timezone": TRUE.timezone, **found.evidence}
    assert found.kind == "time-zone-wrong" and found.value == pytest.approx(-8 * 14.97, abs=6)
    assert filled(KIND.command, values) == "" and "UTC" not in found.summary
    assert "at sea (Etc/GMT+1)" in found.summary and "46.06, 14.97" in found.summary
    assert title_of(KIND, values) == "The register's longitude is wrong"
    assert "wrong sign" in cause_of(KIND, values) and "sites.csv" in next_step_of(KIND, values)
    assert (filled(KIND.now, values), filled(KIND.should_be, values)) == ("46.06, -14.97", "46.06, 14.97")
    assert "place in the register is right" in visit_if_of(KIND, values)


def test_a_zone_that_is_wrong_at_a_right_place_is_a_zone():
    found = _told(TRUE, constant(-120.0))
    values = {"site_id": "roof", "timezone": TRUE.timezone, **found.evidence}
    assert filled(KIND.command, values).startswith("noonmark retime roof --shift-min 120")
    assert title_of(KIND, values) == KIND.title


def test_a_sign_that_does_not_explain_the_offset_is_not_named():
    found = _told(replace(TRUE, longitude=-14.97), constant(60.0))
    assert found.value == pytest.approx(60 - 8 * 14.97, abs=6) and "place_sign_name" not in found.evidence


CLAIM = Claim("Europe/Ljubljana", "Europe/Ljubljana", 46.06, -14.97, ())
DAY = date(2025, 6, 10)


@pytest.mark.parametrize(
    ("claim", "minutes", "name"),
    [
        (CLAIM, -120.0, "longitude"),
        (CLAIM, 120.0, None),
        (CLAIM._replace(longitude=14.97), 120.0, None),  # it stands in its zone
        (CLAIM._replace(latitude=-46.06), -120.0, "latitude and longitude"),
        (Claim("America/Denver", "America/Denver", 39.7, 105.0, ()), 840.0, "longitude"),  # the day goes round
        (Claim("America/Denver", "America/Denver", 39.7, 105.0, ()), -600.0, "longitude"),
        (Claim("Europe/London", "Europe/London", 51.5, 0.5, ()), 4.0, None),
        (Claim("Europe/Berlin", "Europe/Berlin", 46.06, -14.97, ()), -120.0, "longitude"),  # the clocks count
    ],
)
def test_the_sign_that_brings_the_place_into_its_zone(claim: Claim, minutes: float, name: str | None):
    wrong = wrong_sign_of_noon(claim, minutes, 5.0, DAY)
    assert (wrong and wrong.name) == name


def test_days_of_the_other_hemisphere_name_the_latitude():
    southern = replace(TRUE, latitude=-46.06)
    summer = date(2025, 6, 1)
    light = light_onsets(readings(TRUE, summer, 20, 5, right), register([southern]))
    (told,) = judge(light, summer + timedelta(days=19), southern)
    assert isinstance(told, NotJudged) and told.reason.code == "longer-than-the-sun-there"
    assert "latitude" in told.reason


def test_zones_of_a_place():
    assert "Europe/Ljubljana" in zones_at(46.06, 14.97) and zones_at(46.06, -14.97)[0].startswith("Etc/")
