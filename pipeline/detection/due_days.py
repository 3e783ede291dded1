"""Which days are to be judged: those that changed and have ended at every site, and those that look back on them."""

from collections.abc import Callable
from datetime import date, datetime, timedelta

from pipeline.store import Store, history, register, verdicts
from pipeline.timezones.local_time import day_start, utc_midnight

DAY_WINDOW = 90  # days that detectors look back on site-days: a season's change, and a month of past beyond two


def due_days(store: Store, now: datetime, judge_after_h: float) -> list[date]:
    """Days not yet judged or due again, oldest first, and the judged ones after them, which look back on them.

    A day is due once it has ended at every watched site, some hours ago.
    """
    open_days = verdicts.unjudged_days(store)
    if not open_days:
        return []
    ends = _day_ends(store)
    last_judged = verdicts.last_judged_day(store)
    first, last = open_days[0], max(open_days[-1], last_judged or open_days[-1])
    span = sorted({day + timedelta(days=n) for day in history.days_with_readings(store) for n in range(DAY_WINDOW + 1)})
    # Further from any reading nothing can be judged; but a day that is due is judged, or it would be due for ever: a
    # correction that was taken back may have left it without a reading.
    asked = sorted({*open_days, *(day for day in span if first <= day <= last)})
    return [day for day in asked if ends(day) + timedelta(hours=judge_after_h) <= now]


def _day_ends(store: Store) -> Callable[[date], datetime]:
    """The instant at which a local day has ended at every watched site."""
    zones = register.watched_zones(store)

    def ends(day: date) -> datetime:
        return max(
            (day_start(zone, day + timedelta(days=1)) for zone in zones), default=utc_midnight(day + timedelta(days=1))
        )

    return ends


def has_ended(store: Store, day: date, now: datetime) -> bool:
    """Whether the local day is over at every watched site."""
    return _day_ends(store)(day) <= now
