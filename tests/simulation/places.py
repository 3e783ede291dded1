"""Where fleets stand: places by hemisphere, with their climate and zone."""

from typing import NamedTuple

import numpy as np

from tests.simulation.climates import BY_NAME, Climate


class Place(NamedTuple):
    climate: Climate
    latitude: float
    longitude: float
    zone: str


def _place(climate: str, latitude: float, longitude: float, zone: str, warmer_c: float = 0.0) -> Place:
    """A place; `warmer_c`: its mean temperature above the climate's, and less of a season by as much."""
    named = BY_NAME[climate]
    own = named._replace(longitude=longitude, mean_c=named.mean_c + warmer_c, season_c=named.season_c - warmer_c * 0.7)
    return Place(own, latitude, longitude, zone)


PLACES = (
    _place("desert", 33.4, -112.1, "America/Phoenix"),
    _place("mediterranean", 37.5, -5.9, "Europe/Madrid"),
    _place("mediterranean", 40.9, 16.6, "Europe/Rome"),
    _place("temperate", 48.8, 9.3, "Europe/Berlin"),
    _place("temperate", 47.1, 7.4, "Europe/Zurich"),
    _place("maritime", 53.2, -6.9, "Europe/Dublin"),
    _place("maritime", 52.4, -1.6, "Europe/London"),
    _place("alpine", 46.8, 9.9, "Europe/Zurich"),
    _place("continental", 52.1, 20.6, "Europe/Warsaw"),
    _place("continental", 42.0, -91.6, "America/Chicago"),
    _place("subtropical", 29.8, -95.5, "America/Chicago"),
    _place("savanna", 12.4, -1.6, "Africa/Ouagadougou", 5.0),
    _place("desert", -23.7, 133.8, "Australia/Darwin"),
    _place("mediterranean", -34.8, 138.8, "Australia/Adelaide", 1.5),
    _place("mediterranean", -33.5, -70.7, "America/Santiago"),
    _place("maritime", -41.2, 175.4, "Pacific/Auckland", 2.0),
    _place("temperate", -37.6, 144.4, "Australia/Melbourne", 4.5),
    _place("subtropical", -27.6, 152.7, "Australia/Brisbane"),
    _place("subtropical", -34.7, -58.9, "America/Argentina/Buenos_Aires"),
    _place("savanna", -15.3, 28.4, "Africa/Lusaka", 2.5),
)


ALONE_KM = 80.0  # neighbours are looked for within 50 km, a cluster reaches 14; each lone place has its own weather
AWAY_DEG = 0.3
KM_PER_DEG = 111.2


class Spot(NamedTuple):
    """A site's place in its region."""

    region: int
    latitude: float
    longitude: float
    east_km: float
    north_km: float
    is_alone: bool


def draw_spots(
    sites: int, hemisphere: str, rng: np.random.Generator, alone: float = 0.15
) -> tuple[list[Place], list[Spot]]:
    """Regions with clusters of sites, and sites of their own regions far from all others."""
    wanted = [p for p in PLACES if hemisphere == "both" or (p.latitude > 0) == (hemisphere == "north")]
    lone = round(sites * alone)
    clusters = max((sites - lone) // 13, 1)
    chosen = [wanted[n] for n in rng.permutation(len(wanted))[:clusters]]
    if hemisphere == "both" and len({p.latitude > 0 for p in chosen}) == 1 and clusters > 1:
        others = [p for p in wanted if (p.latitude > 0) != (chosen[0].latitude > 0)]
        chosen[-1] = others[int(rng.integers(len(others)))]
    places: list[Place] = []
    spots = []
    places += [_near(place, rng) for place in chosen]
    for number in range(sites - lone):
        region = number % clusters
        radius, angle = 14 * np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
        spots.append(_spot(places, region, radius * np.cos(angle), radius * np.sin(angle), False))
    for number in range(lone):
        place = wanted[int(rng.integers(len(wanted)))]
        spot = place._replace(longitude=place.longitude + rng.uniform(-0.2, 0.2))
        while any(_km(spot, other) < ALONE_KM for other in places):
            spot = spot._replace(latitude=spot.latitude + (AWAY_DEG if number % 2 else -AWAY_DEG))
        places.append(spot)
        spots.append(_spot(places, len(places) - 1, 0.0, 0.0, True))
    return places, spots


def _near(place: Place, rng: np.random.Generator) -> Place:
    latitude = place.latitude + rng.uniform(-0.15, 0.15)
    return place._replace(latitude=latitude, longitude=place.longitude + rng.uniform(-0.2, 0.2))


def _km(one: Place, other: Place) -> float:
    east = (one.longitude - other.longitude) * np.cos(np.radians((one.latitude + other.latitude) / 2))
    return float(KM_PER_DEG * np.hypot(one.latitude - other.latitude, east))


def _spot(places: list[Place], region: int, east: float, north: float, is_alone: bool) -> Spot:
    place = places[region]
    latitude = place.latitude + north / KM_PER_DEG
    longitude = place.longitude + east / (KM_PER_DEG * np.cos(np.radians(latitude)))
    return Spot(region, float(latitude), float(longitude), float(east), float(north), is_alone)
