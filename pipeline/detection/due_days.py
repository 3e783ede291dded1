"""Which days are to be judged: those that changed and are over, and those that look back on them.

A day is over at each site by its own clock. It is judged once it is over at most sites, of these alone; the others
are judged with it again once it is over there, so that a far zone holds nobody back.
"""

from collections.abc import Mapping
from datetime import date, datetime, timedelta

from pipeline.store import Store, history, register, verdicts
from pipeline.timezones.local_time import day_start, utc_midnight

DAY_WINDOW = 90  # days that detectors look back on site-days: a season's change, and a month of past beyond two


def due_days(store: Store, now: datetime, judge_after_h: float) -> list[date]:
    """Days not yet judged or due again, oldest first, and the judged ones after them, which look back on them.

    A day is due once it has ended at most watched sites, some hours ago; again, once it has at one not judged yet.
    """
    settled, zones = now - timedelta(hours=judge_after_h), register.watched_zones(store)
    open_days = sorted({
        day for day, zone in verdicts.unjudged_days(store)
        if (zone is None or _ended(zone, day) <= settled) and _is_over(zones, day, settled)
    })  # fmt: skip
    if not open_days:
        return []
    last_judged = verdicts.last_judged_day(store)
    first, last = open_days[0], max(open_days[-1], last_judged or open_days[-1])
    span = sorted({day + timedelta(days=n) for day in history.days_with_readings(store) for n in range(DAY_WINDOW + 1)})
    # Further from any reading nothing can be judged; but a day that is due is judged, or it would be due for ever: a
    # correction that was taken back may have left it without a reading.
    asked = sorted({*open_days, *(day for day in span if first <= day <= last)})
    return [day for day in asked if _is_over(zones, day, settled)]


def _ended(zone: str, day: date) -> datetime:
    """The instant at which a local day has ended."""
    return day_start(zone, day + timedelta(days=1))


def has_ended(store: Store, day: date, now: datetime) -> bool:
    """Whether the local day is over at most watched sites: at half of them or more."""
    return _is_over(register.watched_zones(store), day, now)


def _is_over(zones: Mapping[str, int], day: date, now: datetime) -> bool:
    """The same; `zones`: zone -> how many watched sites lie in it."""
    if not zones:
        return utc_midnight(day + timedelta(days=1)) <= now
    over = sum(count for zone, count in zones.items() if _ended(zone, day) <= now)
    return 2 * over >= sum(zones.values())


def zones_not_over(store: Store, day: date, now: datetime) -> list[str]:
    """The zones of watched sites at which the local day is not over."""
    return [zone for zone in register.watched_zones(store) if _ended(zone, day) > now]
