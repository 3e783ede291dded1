"""Values of the register that are possible one by one, and that nobody means."""

from collections.abc import Iterator
from datetime import UTC, date, datetime

from pipeline.errors import Fault
from pipeline.register.model import Register, Site
from pipeline.register.zone_notes import SITES_FILE, minutes_apart, zones_at

LARGE_KWP = 1000.0  # ours: the largest roofs in a service firm's care stay below 1 MW


def unlikely_values(register: Register, *, from_day: date | None = None) -> list[Fault]:
    """A fault per site that is larger than any roof, or stands elsewhere because its coordinates are swapped.

    `from_day` begins the year in which clocks are compared; None = today.
    """
    begin = from_day or datetime.now(UTC).date()
    begin_s = int(datetime(begin.year, begin.month, begin.day, tzinfo=UTC).timestamp())
    return [fault for site in register.sites.values() for fault in _of_site(site, register, begin_s)]


def _of_site(site: Site, register: Register, begin_s: int) -> Iterator[Fault]:
    line = register.lines.get(site.site_id)
    if site.installed_kwp > LARGE_KWP:
        remedy = f"write kW, not W: {site.installed_kwp / 1000:g}"
        size = f"{site.installed_kwp:g}"
        yield Fault(SITES_FILE, line, "installed_kwp", size, f"more than any roof carries ({LARGE_KWP:g} kWp):", remedy)
    if _is_swapped(site, begin_s):
        problem = f"latitude and longitude look swapped, by them {site.site_id} is not in {site.timezone}:"
        remedy = f"write latitude {site.longitude:g}, longitude {site.latitude:g}"
        yield Fault(SITES_FILE, line, "latitude", f"{site.latitude:g}", problem, remedy)


def _is_swapped(site: Site, begin_s: int) -> bool:
    """Whether no zone at the coordinates keeps the site's time, and one on land at the swapped coordinates does."""
    here = zones_at(site.latitude, site.longitude)
    if not here or abs(site.longitude) > 90 or any(_is_same(zone, site, begin_s) for zone in here):
        return False
    swapped = [zone for zone in zones_at(site.longitude, site.latitude) if not zone.startswith("Etc/")]
    return any(_is_same(zone, site, begin_s) for zone in swapped)


def _is_same(zone: str, site: Site, begin_s: int) -> bool:
    return minutes_apart(zone, site.timezone, begin_s) == (0, 0)
