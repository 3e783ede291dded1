"""Zones by name, from the pinned `tzdata` package alone: the databases of the operating system, of Polars and of DuckDB
differ from it and from each other."""

import re
from datetime import timedelta, timezone, tzinfo
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from zoneinfo import ZoneInfo

_WRITTEN = re.compile(r"[+-](0\d|1[0-4]):[0-5]\d")  # the widest in use are -12:00 and +14:00
_FIXED = re.compile(r"([+-])(\d{2}):?(\d{2})")


@lru_cache(maxsize=1)
def zone_names() -> frozenset[str]:
    """Every name of the pinned IANA database."""
    return frozenset(files("tzdata").joinpath("zones").read_text(encoding="utf-8").split()) - {"Factory", "localtime"}


def is_zone(name: str) -> bool:
    """Whether `name` is a zone of the pinned IANA database, to the letter."""
    return name in zone_names()


def fixed_offset_s(text: str) -> int | None:
    """Seconds east of UTC of `utc`, `UTC`, `Z` or `+05:30`; None for anything else."""
    if text in ("utc", "UTC", "Z"):
        return 0
    if (found := _FIXED.fullmatch(text)) is None or int(found[2]) > 18 or int(found[3]) > 59:
        return None
    return (int(found[2]) * 3600 + int(found[3]) * 60) * (-1 if found[1] == "-" else 1)


def is_fixed_offset(text: str) -> bool:
    """Whether `text` is an offset from UTC as people write it down: +05:30, no wider than any in use."""
    return _WRITTEN.fullmatch(text) is not None


@lru_cache(maxsize=1024)
def tzinfo_of(zone: str) -> tzinfo:
    """The zone of the pinned database, or the fixed offset, for the standard library's datetimes.

    Raises KeyError for a name that is no zone.
    """
    if (fixed := fixed_offset_s(zone)) is not None:
        return timezone(timedelta(seconds=fixed))
    if not is_zone(zone):
        raise KeyError(zone)
    # Not ZoneInfo(zone): that prefers the operating system's files, and to turn it off would do so for other code too.
    with file_of(zone).open("rb") as file:
        return ZoneInfo.from_file(file, key=zone)


def file_of(zone: str) -> Traversable:
    """The zone's TZif file."""
    return files("tzdata").joinpath("zoneinfo", *zone.split("/"))
