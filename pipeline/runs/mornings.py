"""When the day's cycle is due: at one instant of each calendar day of a zone, whatever its clock does."""

from datetime import UTC, date, datetime, timedelta

from apscheduler.triggers.base import BaseTrigger

from pipeline.timezones.zones import tzinfo_of


def morning_of(day: date, at: str, zone: str) -> datetime:
    """The instant (UTC) of HH:MM on a day: the first where the clock shows it twice; where it is left out, as much
    later as the clock was put forward (PEP 495, fold 0)."""
    hour, minute = map(int, at.split(":"))
    local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=tzinfo_of(zone))
    return local.astimezone(UTC)


def next_morning(after: datetime, at: str, zone: str) -> datetime:
    """The first morning (UTC) later than an instant."""
    day = after.astimezone(tzinfo_of(zone)).date() - timedelta(days=1)
    while (found := morning_of(day, at, zone)) <= after:
        day += timedelta(days=1)
    return found


def last_morning(before: datetime, at: str, zone: str) -> datetime:
    """The last morning (UTC) that is not later than an instant."""
    day = before.astimezone(tzinfo_of(zone)).date() + timedelta(days=1)
    while (found := morning_of(day, at, zone)) > before:
        day -= timedelta(days=1)
    return found


class EachMorning(BaseTrigger):
    """The scheduler's trigger of it. (Its own cron trigger fires twice where the clock shows the time twice.)"""

    def __init__(self, at: str, zone: str) -> None:
        self.at, self.zone = at, zone

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        """The morning after the one before, or after now."""
        return next_morning(previous or now, self.at, self.zone)
