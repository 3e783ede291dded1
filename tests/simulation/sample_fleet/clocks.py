"""The clocks of the loggers: what each one believes the time to be, and when it really is.

`logger_axis` gives for every 5-minute row the start of its interval as the logger's own clock has it (UTC as the logger
believes it) and as it truly was.
"""

from datetime import UTC, date, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from tests.simulation.sample_fleet.faults import DRIFT_S_PER_DAY, STEP_MIN, planted
from tests.simulation.sample_fleet.sites import FIRST_DAY, REGIONS, Site
from tests.simulation.sample_fleet.weather import GRID_START_S, GRID_STEPS, STEP_S

STEP_HOUR = 14  # local hour at which a hand turned the clock


class Axis(NamedTuple):
    """Unix seconds, one entry per 5-minute row."""

    stamped_s: np.ndarray
    true_s: np.ndarray


def at_local(zone: str, day: date, hour: int = 0) -> float:
    """Unix seconds of a local time."""
    return datetime(day.year, day.month, day.day, hour, tzinfo=ZoneInfo(zone)).timestamp()


def logger_axis(site: Site) -> Axis:
    """The rows of one logger; a clock set forward leaves a gap in its stamps, a clock that gains has shorter steps."""
    stamped_s = GRID_START_S + STEP_S * np.arange(GRID_STEPS, dtype=float)
    zone = REGIONS[site.region].zone
    error_s = np.zeros(GRID_STEPS)
    keep = np.ones(GRID_STEPS, dtype=bool)
    if planted(site.site_id, "clock-drift"):
        days = (stamped_s - at_local(zone, FIRST_DAY)) / 86400
        error_s = DRIFT_S_PER_DAY * np.clip(days, 0, None)
    if step := planted(site.site_id, "clock-step"):
        turned_s = at_local(zone, step.first_day, STEP_HOUR)
        error_s = np.where(stamped_s >= turned_s, STEP_MIN * 60.0, 0.0)
        keep = (stamped_s < turned_s) | (stamped_s >= turned_s + STEP_MIN * 60)
    return Axis(stamped_s[keep], (stamped_s - error_s)[keep])


def written_zone(site: Site) -> ZoneInfo:
    """The zone in which the exporting system writes the site's stamps."""
    return ZoneInfo(site.written_zone or REGIONS[site.region].zone)


def wall_clock(stamp_s: float, zone: ZoneInfo) -> datetime:
    """A stamp as the zone's wall clock shows it."""
    return datetime.fromtimestamp(stamp_s, UTC).astimezone(zone)


def local_days(at_s: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """The local day of each instant, as numpy datetime64[D]."""
    offsets = np.array([offset_s(float(s), zone) for s in at_s])
    return ((at_s + offsets) // 86400).astype("int64").astype("datetime64[D]")


def offset_s(at_s: float, zone: ZoneInfo) -> float:
    """The zone's distance from UTC at an instant, in seconds."""
    offset = datetime.fromtimestamp(at_s, UTC).astimezone(zone).utcoffset()
    assert offset is not None
    return offset.total_seconds()
