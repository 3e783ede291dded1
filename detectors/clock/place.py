"""A place in the register that contradicts the register's zone, where a sign explains what looks like a wrong clock.

The sun is reckoned at the registered coordinates. A longitude of the wrong sign moves its noon by eight minutes a
degree: right stamps look hours off, and moving them would spoil them.
"""

from datetime import date
from typing import NamedTuple

import numpy as np
import tzfpy

from detectors.clock.explain import ZONE_FITS_MAX_MIN, ZONE_FITS_MIN, Claim, turned
from detectors.clock.zones import daily_offsets, zone_info
from detectors.finding import CAUSE, NEXT_STEP, VISIT_IF, EvidenceValue

YEAR_DAYS = 366
MIN_PER_DEG = 4.0  # the earth turns by a degree in four minutes
MIN_MOVED_MIN = 10.0  # ours: a sign that moves noon by less explains nothing that is told


class WrongSign(NamedTuple):
    """Coordinates that are as registered but for a sign, in the registered zone as the registered ones are not."""

    name: str  # of the columns whose sign is wrong
    latitude: float
    longitude: float
    here: str  # where the registered coordinates lie


def zones_at(latitude: float, longitude: float) -> tuple[str, ...]:
    """The zones in use at a place, several where people there disagree; at sea the Etc zones of the meridians."""
    return tuple(name for name in tzfpy.get_tzs(longitude, latitude) if zone_info(name) is not None)


def wrong_sign_of_noon(claim: Claim, minutes: float, uncertainty: float, day: date) -> WrongSign | None:
    """The wrong sign whose other noon is the offset measured, as near as a zone must be; None if there is none."""
    moved = 2 * MIN_PER_DEG * claim.longitude
    fits = float(np.clip(uncertainty, ZONE_FITS_MIN, ZONE_FITS_MAX_MIN))
    if abs(moved) < MIN_MOVED_MIN or abs(turned(minutes - moved)) > fits:
        return None
    return _first(
        claim, day,
        ("longitude", claim.latitude, -claim.longitude),
        ("latitude and longitude", -claim.latitude, -claim.longitude),
    )  # fmt: skip


def wrong_sign_of_season(claim: Claim, day: date) -> WrongSign | None:
    """The wrong sign by which the site stands in the other hemisphere, whose days are long while these are short."""
    return _first(
        claim, day,
        ("latitude", -claim.latitude, claim.longitude),
        ("latitude and longitude", -claim.latitude, -claim.longitude),
    )  # fmt: skip


def _first(claim: Claim, day: date, *others: tuple[str, float, float]) -> WrongSign | None:
    here = zones_at(claim.latitude, claim.longitude)
    if not here or any(_is_same(zone, claim.timezone, day) for zone in here):
        return None  # the place is where the register's zone says
    text = f"at sea ({here[0]})" if here[0].startswith("Etc/") else f"in {here[0]}"
    for name, latitude, longitude in others:
        there = [zone for zone in zones_at(latitude, longitude) if not zone.startswith("Etc/")]
        if any(_is_same(zone, claim.timezone, day) for zone in there):
            return WrongSign(name, latitude, longitude, text)
    return None


def _is_same(one: str, other: str, day: date) -> bool:
    """Whether two zones keep one time in the year from `day` on: the clocks count, not the names."""
    return bool(np.array_equal(daily_offsets(one, day, YEAR_DAYS), daily_offsets(other, day, YEAR_DAYS)))


def evidence_of(wrong: WrongSign, claim: Claim) -> dict[str, EvidenceValue]:
    """What the desk is told in place of a zone: nothing is to be done about the stamps."""
    return {
        "place_sign_name": wrong.name,
        "place_text": wrong.here,
        "place_latitude_deg": wrong.latitude,
        "place_longitude_deg": wrong.longitude,
        "zone_name": None,
        "zone_difference_min": None,
        "zones_text": "no zone: suspect the place in the register",
        "zones_found_count": 0,
        "setting_text": "latitude and longitude of the site in sites.csv",
        "setting_now_text": f"{claim.latitude:g}, {claim.longitude:g}",
        "should_be_text": f"{wrong.latitude:g}, {wrong.longitude:g}",
        CAUSE: f"The register's {wrong.name} has the wrong sign: by it the site stands {wrong.here}, not in "
        f"{claim.timezone}. The stamps are right as far as can be seen.",
        NEXT_STEP: "Desk: compare the place in sites.csv with the site's address and set the sign right; its days are "
        "judged anew then. Do not move the stamps.",
        VISIT_IF: "the place in the register is right: then see to the zone, and to the logger's clock",
    }
