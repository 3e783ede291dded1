"""The zone at a place, and where the register's zones keep another time than it."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from functools import lru_cache

import numpy as np

from detectors.clock.place import zones_at
from pipeline.errors import Notice
from pipeline.register.model import Register, Site
from pipeline.timezones.conversion import transitions

DAY_S = 86_400
YEAR_S = 366 * DAY_S  # a year of any length: every rule of a zone comes round once
SITES_FILE = "sites.csv"


def zone_notes(register: Register, *, from_day: date | None = None) -> list[Notice]:
    """Where the zone at the coordinates, or export_timezone, keeps another time than timezone in the year to come.

    The clocks count, not the names: Europe/Vienna and Europe/Berlin are one. `from_day` None = today.
    """
    begin = from_day or datetime.now(UTC).date()
    begin_s = int(datetime(begin.year, begin.month, begin.day, tzinfo=UTC).timestamp())
    return [
        note for site in register.sites.values() for note in _notes(site, register.lines.get(site.site_id), begin_s)
    ]


def _notes(site: Site, line: int | None, begin_s: int) -> Iterator[Notice]:
    zones = zones_at(site.latitude, site.longitude)
    apart = [minutes_apart(zone, site.timezone, begin_s) for zone in zones]
    if zones and (0, 0) not in apart:
        at_sea = zones[0].startswith("Etc/")
        place = f"at sea ({zones[0]})" if at_sea else f"in {zones[0]}"
        text = f"{site.site_id} stands {place} by its coordinates, the register says {site.timezone}"
        yield Notice(SITES_FILE, line, "timezone", site.timezone, f"{text} ({_in_words(*apart[0])})")
    ahead = minutes_apart(site.export_timezone, site.timezone, begin_s)
    if ahead != (0, 0):
        text = f"{site.site_id} is stamped in {site.export_timezone} by its exports, it stands in {site.timezone}"
        yield Notice(SITES_FILE, line, "export_timezone", site.export_timezone, f"{text} ({_in_words(*ahead)})")


def _in_words(min_minutes: int, max_minutes: int) -> str:
    if min_minutes == max_minutes:
        return f"{min_minutes} min apart"
    return (
        f"{max_minutes} min apart for a part of the year"
        if min_minutes == 0
        else f"{min_minutes} to {max_minutes} min apart"
    )


@lru_cache(maxsize=4096)
def minutes_apart(one: str, other: str, begin_s: int) -> tuple[int, int]:
    """The least and the most that two zones' clocks differ in the year from `begin_s` (s since 1970), in minutes.

    Spans under a day don't count: neighbours change their clocks in the same night, some hours apart.
    """
    tables = [transitions(one), transitions(other)]
    changes = np.concatenate([[begin_s], *(table.from_utc_s for table in tables)])
    changes = np.unique(changes[(changes >= begin_s) & (changes < begin_s + YEAR_S)])
    changes = changes[np.diff(changes, append=begin_s + YEAR_S) >= DAY_S]
    offsets = [
        table.offset_s[np.maximum(np.searchsorted(table.from_utc_s, changes, side="right") - 1, 0)] for table in tables
    ]
    apart = np.abs(offsets[0] - offsets[1]) // 60
    return int(apart.min()), int(apart.max())
