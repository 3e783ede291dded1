"""Values of the register that are possible one by one, and that nobody means."""

from collections.abc import Iterator
from datetime import UTC, date, datetime

from detectors.stats.curtailment import MAX_TARGET_W
from pipeline.errors import Fault, Notice
from pipeline.register.model import Register, Site
from pipeline.register.zone_notes import SITES_FILE, minutes_apart, zones_at

LARGE_KWP = 1000.0  # ours: few roofs in a service firm's care are larger, and watts taken for kW are
WATTS = 200.0  # ours: so many times an inverter's rating are watts beside kW; modules exceed it by half at most
# ours: what a roof makes on a good day; larger batteries are rare, and ten times a usual one is beyond it
LARGE_BATTERY_KWH_PER_KWP = 5.0
SMALL_BATTERY_KWH_PER_KWP = 0.1  # ours: six minutes of full sun fill it
FAR = 3.0  # ours: modules that exceed their inverter by so much, or fall short of it, are another site's or mistyped


def unlikely_values(register: Register, *, from_day: date | None = None) -> list[Fault]:
    """A fault per site of which W were taken for kW, or that stands elsewhere because its coordinates are swapped.

    `from_day` begins the year in which clocks are compared; None = today.
    """
    begin = from_day or datetime.now(UTC).date()
    begin_s = int(datetime(begin.year, begin.month, begin.day, tzinfo=UTC).timestamp())
    return [fault for site in register.sites.values() for fault in _of_site(site, register, begin_s)]


def _of_site(site: Site, register: Register, begin_s: int) -> Iterator[Fault]:
    line = register.lines.get(site.site_id)
    if site.inverter_kw is not None and site.installed_kwp > WATTS * site.inverter_kw:
        problem = f"{site.installed_kwp / site.inverter_kw:.0f} times the inverter's {site.inverter_kw:g} kW:"
        remedy = f"write kW, not W: {site.installed_kwp / 1000:g}"
        yield Fault(SITES_FILE, line, "installed_kwp", f"{site.installed_kwp:g}", problem, remedy)
    if _is_swapped(site, begin_s):
        problem = f"latitude and longitude look swapped, by them {site.site_id} is not in {site.timezone}:"
        remedy = f"write latitude {site.longitude:g}, longitude {site.latitude:g}"
        yield Fault(SITES_FILE, line, "latitude", f"{site.latitude:g}", problem, remedy)


def unlikely_notes(register: Register, *, on_day: date | None = None) -> list[Notice]:
    """What may be meant so, and makes a site useless if it is not; `on_day` None = today."""
    today = on_day or datetime.now(UTC).date()
    return [note for site in register.sites.values() for note in _notes(site, register.lines.get(site.site_id), today)]


def _notes(site: Site, line: int | None, today: date) -> Iterator[Notice]:
    if site.commissioned_on is not None and site.commissioned_on > today:
        since = site.commissioned_on.isoformat()
        text = f"{site.site_id} is judged from {since} on, which was to come when this was checked"
        yield Notice(SITES_FILE, line, "commissioned_on", since, text)
    yield from _size_notes(site, line)
    yield from _battery_notes(site, line)
    if site.feed_in_buffer_w is not None and site.feed_in_buffer_w > MAX_TARGET_W:
        watts = f"{site.feed_in_buffer_w:g}"
        text = f"{site.site_id} keeps up an import of {watts} W by the register, others {MAX_TARGET_W:g} at most"
        yield Notice(SITES_FILE, line, "feed_in_buffer_w", watts, text)
    levels = ("battery_reserve_pct", "battery_resume_pct", "battery_backup_floor_pct")
    if site.battery_kwh is None and (named := [name for name in levels if getattr(site, name) is not None]):
        value = f"{getattr(site, named[0]):g}"
        text = f"{site.site_id} has levels of a battery but no battery_kwh, so none of its battery is judged"
        yield Notice(SITES_FILE, line, named[0], value, text)


def _size_notes(site: Site, line: int | None) -> Iterator[Notice]:
    size = f"{site.installed_kwp:g}"
    if site.inverter_kw is None:
        if site.installed_kwp > LARGE_KWP:
            text = f"{site.site_id} has {size} kWp by the register, {site.installed_kwp / 1000:g} if W are meant"
            yield Notice(SITES_FILE, line, "installed_kwp", size, text)
    elif site.installed_kwp > WATTS * site.inverter_kw:
        return  # a fault by itself
    elif not site.inverter_kw / FAR <= site.installed_kwp <= site.inverter_kw * FAR:
        text = f"{site.site_id} has {size} kWp on an inverter of {site.inverter_kw:g} kW by the register"
        yield Notice(SITES_FILE, line, "installed_kwp", size, text)


def _battery_notes(site: Site, line: int | None) -> Iterator[Notice]:
    if site.battery_kwh is None or site.battery_kwh <= 0:
        return
    per_kwp = site.battery_kwh / site.installed_kwp
    if SMALL_BATTERY_KWH_PER_KWP <= per_kwp <= LARGE_BATTERY_KWH_PER_KWP:
        return
    size = f"{site.battery_kwh:g}"
    text = f"{site.site_id} has a battery of {size} kWh beside {site.installed_kwp:g} kWp by the register"
    if per_kwp > WATTS:
        text += f", {site.battery_kwh / 1000:g} if Wh are meant"
    elif per_kwp > LARGE_BATTERY_KWH_PER_KWP:
        text += ", more than such a roof makes on a good day: what it should yield is reckoned with it"
    yield Notice(SITES_FILE, line, "battery_kwh", size, text)


def _is_swapped(site: Site, begin_s: int) -> bool:
    """Whether no zone at the coordinates keeps the site's time, and one on land at the swapped coordinates does."""
    here = zones_at(site.latitude, site.longitude)
    if not here or abs(site.longitude) > 90 or any(_is_same(zone, site, begin_s) for zone in here):
        return False
    swapped = [zone for zone in zones_at(site.longitude, site.latitude) if not zone.startswith("Etc/")]
    return any(_is_same(zone, site, begin_s) for zone in swapped)


def _is_same(zone: str, site: Site, begin_s: int) -> bool:
    return minutes_apart(zone, site.timezone, begin_s) == (0, 0)
