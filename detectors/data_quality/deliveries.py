"""When the readings of sites and devices began, paused and ended, day by day: the rhythm in which they arrive.

All hours are wall-clock hours of the site; a change of clocks shifts them by one hour, which no judgement here notices.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

import numpy as np
import polars as pl

from detectors.frames import CHANNELS
from detectors.solar.position import daylight_h
from detectors.stats.robust import Array
from detectors.stats.rows import ordered
from detectors.stats.units import in_units

DAY_H = 24.0
USUAL_SHARE = 0.05  # ours: what comes back more often than once in 20 days belongs to the site's rhythm ...
USUAL_TIMES = 3  # ... three weekends do, two long outages do not
LEARNING_DAYS = 10  # ours: in the first ten days one return has to do, in the next ten two
DAYLIGHT_MARGIN_H = 2.0  # ours: loggers wake and sleep with the first and last light, twilight included
FULL_DAY_H = 22.0  # ours: where the day is longer than this, daylight and the whole day are the same
MOSTLY = 0.8  # ours: of its days
ENDS_EARLY_H = 1.0  # ours: a last day that ends an hour before its usual end was already cut short


def delivery_rows(device_readings: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, device_id, first_h, last_h, gap_h, covered_h] of each device and local day with any value."""
    since_midnight = pl.col("ts_local") - pl.col("day").cast(pl.Datetime("us"))
    present = [name for name in CHANNELS if device_readings[name].null_count() < device_readings.height]
    has_value = pl.any_horizontal(pl.lit(False), *(pl.col(name).is_not_null() for name in present))
    rows = in_units(device_readings).select(
        "site_id", "day", "device_id", "unit", has_value=has_value,
        start_h=since_midnight.dt.total_seconds() / 3600, length_h=pl.col("interval_s") / 3600,
    )  # fmt: skip
    rows = ordered(rows.filter("has_value"), "unit", "start_h")
    # Sorted by their own group, a shift needs no window: the first row of each group is masked.
    is_next = (pl.col("unit") == pl.col("unit").shift(1)).fill_null(False)
    pause_h = pl.when(is_next).then(pl.col("start_h") - (pl.col("start_h") + pl.col("length_h")).shift(1))
    return (
        rows.with_columns(pause_h=pause_h)
        .group_by("unit", maintain_order=True)
        .agg(
            pl.col("site_id", "device_id", "day").first(),
            first_h=pl.col("start_h").min(),
            last_h=(pl.col("start_h") + pl.col("length_h")).max(),
            gap_h=pl.col("pause_h").max().fill_null(0.0).clip(lower_bound=0.0),
            covered_h=(pl.col("length_h") + pl.min_horizontal("pause_h", pl.lit(0.0)).fill_null(0.0)).sum(),
        )
        .sort("site_id", "day", "device_id")
    )


def known_deliveries(deliveries: pl.DataFrame, days: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """The deliveries up to `day` since each site was commissioned; where none were noted, the site-day stands in."""
    noted = deliveries.filter(pl.col("day") <= day)
    summed = days.filter((pl.col("day") < day) & (pl.col("readings") > 0)).join(
        noted, on=["site_id", "day"], how="anti"
    )
    whole = summed.select(
        "site_id",
        "day",
        device_id=pl.lit(""),
        first_h=pl.lit(0.0),
        last_h=pl.lit(24.0),
        gap_h=pl.lit(0.0),
        covered_h=pl.col("coverage_pct").fill_null(100.0) * 0.24,
    )
    since = sites.select("site_id", "commissioned_on")
    return (
        pl.concat([noted, whole.select(noted.columns)])
        .join(since, on="site_id", how="inner")
        .filter(pl.col("commissioned_on").is_null() | (pl.col("day") >= pl.col("commissioned_on")))
        .drop("commissioned_on")
    )


def fleet_first(rows: pl.DataFrame, days: pl.DataFrame, day: date) -> date:
    """The first day of the fleet's deliveries and site-days; else `day`."""
    return min([first for frame in (rows, days) if isinstance(first := frame["day"].min(), date)] + [day])


def older_deliveries(
    silent_units: pl.DataFrame, rows: pl.DataFrame, key: Sequence[str], first_day: date
) -> pl.DataFrame:
    """The last delivery, as in `rows`, of each silent unit that has none among them.

    One from before `first_day` stands at that day, its hours counted back from there: 0 and less.
    """
    last = silent_units.filter(pl.col("last_day").is_not_null()).join(rows, on=key, how="anti")
    day = pl.max_horizontal("last_day", pl.lit(first_day))
    last_h = pl.col("last_h") - DAY_H * (day - pl.col("last_day")).dt.total_days()
    return (
        last.sort("last_day", "last_h")
        .group_by(key, maintain_order=True)
        .last()
        .select(
            "site_id", "device_id", day=day, first_h=last_h, last_h=last_h,
            gap_h=pl.lit(0.0), covered_h=pl.lit(DAY_H),
        )
        .select(rows.columns)
    )  # fmt: skip


@dataclass(frozen=True)
class Past:
    """The deliveries of some units (sites or devices) over the days of a window, arrays [units, days]."""

    day: date  # the window's last
    first_day: date
    started_on: list[date]  # per unit: the first day on which there could have been readings
    missing_since: list[date | None]  # per unit: the first day of its silence, where it was noted when that began
    delivered: np.ndarray  # bool
    first_h: Array  # NaN where nothing was delivered, like last_h
    last_h: Array
    gap_h: Array
    covered_h: Array  # 0 where nothing was delivered
    daylight_h: Array
    before: np.ndarray  # place of the last day with readings up to and including each day; -1 = none

    @classmethod
    def of_sites(cls, rows: pl.DataFrame, sites: pl.DataFrame, first_day: date, day: date) -> "Past":
        """The sites' own: a site delivers while one of its devices does.

        `sites`: SITES, and `silent_since` where it is known, of SILENT_UNITS; likewise in `of_devices`.
        """
        whole = rows.group_by("site_id", "day").agg(
            pl.col("first_h").min(), pl.col("last_h").max(), pl.col("gap_h").min(), pl.col("covered_h").max()
        )
        return cls._of(whole, sites, ["site_id"], first_day, day)

    @classmethod
    def of_devices(cls, rows: pl.DataFrame, units: pl.DataFrame, first_day: date, day: date) -> "Past":
        """The devices' own; `units`: site_id, device_id and the columns of SITES."""
        return cls._of(rows, units, ["site_id", "device_id"], first_day, day)

    @classmethod
    def _of(cls, rows: pl.DataFrame, units: pl.DataFrame, key: Sequence[str], first_day: date, day: date) -> "Past":
        count = (day - first_day).days + 1
        placed = rows.join(units.select(key).with_row_index("place"), on=key, how="inner").select(
            "place", "first_h", "last_h", "gap_h", "covered_h", at=(pl.col("day") - first_day).dt.total_days()
        )
        place, at = placed["place"].to_numpy(), placed["at"].to_numpy()

        def laid_out(name: str, nothing: float) -> Array:
            table = np.full((units.height, count), nothing)
            table[place, at] = placed[name].to_numpy()
            return table

        delivered = np.zeros((units.height, count), bool)
        delivered[place, at] = True
        latitude = units["latitude"].to_numpy()
        since = units["silent_since"].to_list() if "silent_since" in units.columns else [None] * units.height
        daylight = [daylight_h(latitude, first_day + timedelta(days=n)) for n in range(count)]
        return cls(
            day=day,
            first_day=first_day,
            started_on=[
                max(first_day, begun or first_day) if noted is None or delivered[at].any() else noted
                for at, (begun, noted) in enumerate(zip(units["commissioned_on"], since, strict=True))
            ],
            missing_since=since,
            delivered=delivered,
            first_h=laid_out("first_h", np.nan),
            last_h=laid_out("last_h", np.nan),
            gap_h=laid_out("gap_h", np.nan),
            covered_h=laid_out("covered_h", 0.0),
            daylight_h=np.stack(daylight, axis=1),
            before=np.maximum.accumulate(np.where(delivered, np.arange(count), -1), axis=1),
        )

    @cached_property
    def has_reported(self) -> np.ndarray:
        """Whether there were readings up to each day."""
        return self.before >= 0

    @cached_property
    def _started_at(self) -> Array:
        return np.array([(since - self.first_day).days for since in self.started_on], dtype=float)

    @cached_property
    def silent_h(self) -> Array:
        """Hours from the last reading, or from the unit's start where there was none, to the end of each day."""
        end = DAY_H * (np.arange(self.delivered.shape[1]) + 1)
        last = np.take_along_axis(self.last_h, np.maximum(self.before, 0), axis=1)
        since = np.where(self.has_reported, DAY_H * self.before + last, DAY_H * self._started_at[:, None])
        return np.maximum(end[None, :] - since, 0.0)

    @cached_property
    def missed_daylight_h(self) -> Array:
        """Hours of daylight on the days after the last one with readings."""
        passed = np.cumsum(self.daylight_h, axis=1)
        return passed - np.where(self.has_reported, np.take_along_axis(passed, np.maximum(self.before, 0), 1), 0.0)

    @cached_property
    def never_daylight_h(self) -> Array:
        """Hours of daylight since each unit's first day."""
        at = np.arange(self.delivered.shape[1])[None, :]
        return np.cumsum(np.where(at >= self._started_at[:, None], self.daylight_h, 0.0), axis=1)

    @cached_property
    def is_daylight_only(self) -> np.ndarray:
        """Units whose days hardly ever hold more than the daylight."""
        counts = self.delivered.sum(axis=1)
        within = self.delivered & (self.covered_h <= self.daylight_h + DAYLIGHT_MARGIN_H)
        return (within & (self.daylight_h < FULL_DAY_H)).sum(axis=1) >= np.maximum(MOSTLY * counts, 1)

    @cached_property
    def usual_gap_h(self) -> Array:
        """The longest gap between readings that belongs to each unit's rhythm; 0 where nothing is known.

        Each day with readings counts with its longest gap: inside it, or from the readings before it.
        """
        units, count = self.delivered.shape
        previous = np.concatenate([np.full((units, 1), -1), self.before[:, :-1]], axis=1)
        last = np.take_along_axis(self.last_h, np.maximum(previous, 0), axis=1)
        from_before = np.where(previous >= 0, DAY_H * (np.arange(count)[None, :] - previous) + self.first_h - last, 0.0)
        gaps = np.where(self.delivered, np.fmax(from_before, self.gap_h), -np.inf)
        ordered = -np.sort(-gaps, axis=1)
        known = self.delivered.sum(axis=1)
        learnt = np.clip(np.ceil(known / LEARNING_DAYS), 1, USUAL_TIMES)
        times = np.maximum(np.ceil(USUAL_SHARE * known), learnt)
        usual = np.take_along_axis(ordered, (times.astype(np.intp) - 1)[:, None], axis=1)[:, 0]
        return np.where(known > 0, np.maximum(usual, 0.0), 0.0)

    @cached_property
    def is_older(self) -> np.ndarray:
        """Units whose last readings are from before the window."""
        return self.delivered[:, 0] & (np.nan_to_num(self.last_h[:, 0], nan=DAY_H) <= 0.0) & (self.before[:, -1] == 0)

    @cached_property
    def last_at(self) -> Array:
        """Days from the window's first to each unit's last day with readings, below 0 before it; -1 = none or eve."""
        before = self.before[:, -1]
        last = np.take_along_axis(self.last_h, np.maximum(before, 0)[:, None], axis=1)[:, 0]
        # Hour 0 of a day is hour 24 of its eve, on which the reading was.
        return np.where(self.is_older, np.ceil(np.nan_to_num(last) / DAY_H) - 1, before)

    def silent_since(self, place: int) -> date:
        """The first day of which something is missing."""
        before = int(self.before[place, -1])
        if before < 0:
            return self.started_on[place]
        if (noted := self.missing_since[place]) is not None:
            return noted
        own = self.last_h[place][self.delivered[place]]
        is_cut = own[-1] < np.median(own) - ENDS_EARLY_H
        return min(self.first_day + timedelta(days=before + (0 if is_cut else 1)), self.day)

    def last_text(self, place: int) -> str:
        """The end of the last reading, as the site's clock shows it."""
        before = int(self.before[place, -1])
        midnight = datetime.combine(self.first_day + timedelta(days=before), datetime.min.time())
        return (midnight + timedelta(hours=float(self.last_h[place, before]))).strftime("%Y-%m-%d %H:%M")
