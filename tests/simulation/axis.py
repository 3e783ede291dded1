"""The time axis of a simulation: equal steps of true time."""

from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Axis:
    """Steps from the UTC midnight before `first` to the one after the last day and a day more."""

    def __init__(self, first: date, days: int, step_s: int) -> None:
        self.first, self.days, self.step_s = first, days, step_s
        self.start_s = datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp() - 86_400.0
        self.steps = (days + 2) * 86_400 // step_s

    @cached_property
    def mid_s(self) -> Array:
        """The middle of each step, seconds since 1970."""
        return np.asarray(self.start_s + (np.arange(self.steps) + 0.5) * self.step_s, dtype=np.float64)

    @cached_property
    def edges_s(self) -> Array:
        """The edges of the steps, one more than there are steps."""
        return np.asarray(self.start_s + np.arange(self.steps + 1) * float(self.step_s), dtype=np.float64)

    def midnight_s(self, zone: str, number: int) -> float:
        """When local day `number` (0 = the first) begins, seconds since 1970."""
        day = self.first + timedelta(days=number)
        return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).timestamp()

    def local_day(self, zone: str) -> NDArray[np.int64]:
        """The number of the local day of each step; below 0 and above `days` - 1 outside the span."""
        bounds = np.array([self.midnight_s(zone, n) for n in range(self.days + 2)])
        return np.searchsorted(bounds, self.mid_s, side="right") - 1

    def local_hour(self, zone: str) -> Array:
        """Hours since local midnight (elapsed, so off by the change on two days a year)."""
        bounds = np.array([self.midnight_s(zone, n) for n in range(-2, self.days + 3)])
        at = np.searchsorted(bounds, self.mid_s, side="right") - 1
        return np.asarray((self.mid_s - bounds[at]) / 3600.0, dtype=np.float64)

    def within(self, begin_s: float, end_s: float) -> NDArray[np.bool_]:
        """Steps whose middle lies in the span."""
        return (self.mid_s >= begin_s) & (self.mid_s < end_s)


def offsets_s(zone: str, at_s: Array) -> Array:
    """The zone's offset from UTC at instants, by the hour."""
    hours, place = np.unique(at_s // 900, return_inverse=True)
    name = ZoneInfo(zone)
    values = [datetime.fromtimestamp(float(h) * 900, name).utcoffset() for h in hours]
    return np.array([v.total_seconds() if v is not None else 0.0 for v in values])[place]
