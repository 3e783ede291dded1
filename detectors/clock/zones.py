"""Which time zones would explain an offset: the register's, those around the site, and clocks that never change."""

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from importlib import resources
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from detectors.stats.distance import great_circle_km

Array = npt.NDArray[np.float64]

FIXED = re.compile(r"([+-])(\d{2}):(\d{2})")
NEAR_KM = 2500.0  # ours: a wrong entry is as a rule a neighbour's zone
WEEK_DAYS = 7


class Place(NamedTuple):
    """A zone of the database's table of places."""

    zone: str
    countries: frozenset[str]
    latitude: float
    longitude: float


@lru_cache(maxsize=1024)
def zone_info(name: str) -> tzinfo | None:
    """The zone from the pinned database alone (the system's own may be older), or a fixed offset such as +05:30.

    None if there is no such zone.
    """
    if (offset := FIXED.fullmatch(name)) is not None:
        minutes = int(offset[2]) * 60 + int(offset[3])
        return timezone(timedelta(minutes=-minutes if offset[1] == "-" else minutes))
    if not name or not all(
        part.replace("_", "a").replace("-", "a").replace("+", "a").isalnum() for part in name.split("/")
    ):
        return None
    file = resources.files("tzdata.zoneinfo").joinpath(*name.split("/"))
    if not file.is_file():
        return None
    with file.open("rb") as stream:
        return ZoneInfo.from_file(stream, key=name)


@lru_cache(maxsize=8192)
def _year_offsets(name: str, year: int) -> tuple[float, ...]:
    """Minutes that local time is ahead of UTC, at 12:00 UTC of every day of the year.

    Weeks that begin and end alike are not looked into: no rule holds for less.
    """
    zone = zone_info(name)
    start = datetime(year, 1, 1, 12, tzinfo=UTC)
    days = (datetime(year + 1, 1, 1, 12, tzinfo=UTC) - start).days
    if zone is None:
        return (float("nan"),) * days

    def at(day: int) -> float:
        offset = (start + timedelta(days=day)).astimezone(zone).utcoffset() or timedelta()
        return offset.total_seconds() / 60

    offsets = [at(0)]
    for begin in range(0, days - 1, WEEK_DAYS):
        end = min(begin + WEEK_DAYS, days - 1)
        last = at(end)
        between = range(begin + 1, end)
        offsets += [last] * len(between) if last == offsets[-1] else map(at, between)
        offsets.append(last)
    return tuple(offsets)


@lru_cache(maxsize=4096)
def daily_offsets(name: str, first: date, count: int) -> Array:
    """Minutes that the zone is ahead of UTC at 12:00 UTC of `count` days from `first` on; NaN for an unknown zone."""
    parts: list[float] = []
    year, skip = first.year, first.timetuple().tm_yday - 1
    while len(parts) < count:
        parts += _year_offsets(name, year)[skip:]
        year, skip = year + 1, 0
    offsets = np.array(parts[:count])
    offsets.setflags(write=False)
    return offsets


def changes(name: str, first: date, count: int) -> list[tuple[int, float]]:
    """(index of the first day with the new offset, minutes that the clock was put forward) within those days."""
    offsets = daily_offsets(name, first, count)
    steps = np.diff(offsets)
    return [(int(i) + 1, float(steps[i])) for i in np.flatnonzero(steps)]


@lru_cache(maxsize=1)
def places() -> tuple[Place, ...]:
    """The zones that people live in, with countries and coordinates, from the database's own table."""
    text = resources.files("tzdata.zoneinfo").joinpath("zone1970.tab").read_text(encoding="utf-8")
    found = []
    for line in text.splitlines():
        if line and not line.startswith("#"):
            countries, coordinates, zone = line.split("\t")[:3]
            latitude, longitude = _iso6709(coordinates)
            found.append(Place(zone, frozenset(countries.split(",")), latitude, longitude))
    return tuple(found)


@lru_cache(maxsize=1)
def representatives() -> frozenset[str]:
    """Of zones that keep the same time from now on, the one that most people live in, by the database's own table."""
    text = resources.files("tzdata.zoneinfo").joinpath("zonenow.tab").read_text(encoding="utf-8")
    return frozenset(line.split("\t")[2] for line in text.splitlines() if line and not line.startswith("#"))


def _iso6709(text: str) -> tuple[float, float]:
    """Degrees from +DDMM+DDDMM or +DDMMSS+DDDMMSS."""
    cut = max(text.rfind("+"), text.rfind("-"))
    return _angle(text[:cut], 2), _angle(text[cut:], 3)


def _angle(text: str, degrees: int) -> float:
    digits = text[1:]
    minutes, seconds = digits[degrees : degrees + 2], digits[degrees + 2 :] or "0"
    value = int(digits[:degrees]) + int(minutes) / 60 + int(seconds) / 3600
    return -value if text[0] == "-" else value


@lru_cache(maxsize=1024)
def own_country(home: str) -> frozenset[str]:
    """The zones of the countries in which a zone is kept."""
    countries = next((place.countries for place in places() if place.zone == home), frozenset())
    return frozenset(place.zone for place in places() if place.countries & countries)


@lru_cache(maxsize=4096)
def plausible_zones(
    register: tuple[str, ...], home: str, latitude: float, longitude: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Zones that may have been entered by mistake, most plausible first; then all others, should none of them fit.

    The site's own, the other zones of the register, UTC, then the zones of its country and those of its neighbourhood,
    each by distance; but for its country's, those that stand for all places of the same time come first.
    """
    known = places()
    far = great_circle_km(latitude, longitude, [p.latitude for p in known], [p.longitude for p in known]).tolist()
    by_distance = sorted(zip(far, known, strict=True))
    around = [place for _, place in by_distance]
    own = [p.zone for p in around if p.zone in own_country(home)]
    near = [p for km, p in by_distance if km <= NEAR_KM]
    likely = [home, *register, "UTC", *own, *_well_known_first(near)]
    return tuple(dict.fromkeys(likely)), tuple(_well_known_first(around))


def _well_known_first(some: list[Place]) -> list[str]:
    return [p.zone for p in sorted(some, key=lambda p: p.zone not in representatives())]  # a stable sort


@lru_cache(maxsize=4096)
def is_used_somewhere(minutes: float, day: date) -> bool:
    """Whether some place's clocks are that far ahead of UTC on the day: what nobody keeps, nobody enters."""
    return any(_year_offsets(place.zone, day.year)[day.timetuple().tm_yday - 1] == minutes for place in places())


def is_fixed(name: str) -> bool:
    """Whether it is a name as `fixed_name` gives it."""
    return name.startswith(("UTC+", "UTC-"))


def fixed_name(minutes: float) -> str:
    """A clock without daylight saving, as people write it: UTC+05:30."""
    sign = "-" if minutes < 0 else "+"
    hours, rest = divmod(round(abs(minutes)), 60)
    return f"UTC{sign}{hours:02d}:{rest:02d}"
