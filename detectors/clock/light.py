"""Generation onset and end of a day, with what a later judgement needs besides.

Onset and end come from one calendar day alone. Its readings are laid on a circle of 24 hours that is cut opposite the
centroid of power, so a clock that is off by eight or twelve hours shows the same onsets as a right one, only elsewhere:
a day's generation that is cut by midnight is joined with the other part, of the day before or after, at its other end.
Minutes of onsets count from 00:00 UTC of the row's `day`; the onsets are as stamped, nothing of the sun is in them, so
rows stay valid when a site's coordinates are fixed.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from detectors.stats.rows import with_sites
from detectors.stats.units import in_units

LIGHT = pl.Schema(
    {
        "site_id": pl.String,
        "device_id": pl.String,  # "" = the site is one device
        "day": pl.Date,  # local calendar day of the stamps as claimed
        "zone_offset_min": pl.Float64,  # local time minus UTC at the day's first reading
        "interval_min": pl.Float64,  # the day's median interval
        "is_instant": pl.Boolean,
        "readings": pl.Int32,  # with generation known
        "lit_readings": pl.Int32,  # of these above the threshold of light
        "first_light_min": pl.Float64,  # generation begins; null = not seen to begin
        "last_light_min": pl.Float64,  # generation ends; null = not seen to end
        "first_end_min": pl.Float64,  # end of the first interval with generation
        "last_start_min": pl.Float64,  # start of the last interval with generation
        "energy_kwh": pl.Float64,
        "power_cos_w": pl.Float64,  # sum of power x cosine of the UTC clock's angle
        "power_sin_w": pl.Float64,  # the same with the sine
        "peak_w": pl.Float64,
        "threshold_w": pl.Float64,  # of light, above the night's level
        "night_w": pl.Float64,  # level of the darkest four hours
        "noise_w": pl.Float64,  # 90 % quantile of the same hours, above that level
        "step_w": pl.Float64,  # of which all powers of the day are multiples; 0 = of none
    }
)

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

DAY = 1440.0  # minutes
PEAK_SHARE = 0.005  # of the day's peak: 0.3-1 % gave the smallest errors, 2 % and more clearly larger ones
STEP_FACTOR = 1.2  # a meter's single step is no light
OFF_THE_STEP = 0.05  # of a step, on average: powers that are no multiples of anything lie 0.25 off
STEP_CAP = 0.02  # of the peak: what is larger is a lack of readings, not a coarse meter
NOISE_QUANTILE = 0.9  # ours: of some 16 readings at 15 min, so that one spark is no noise
NOISE_FACTOR = 1.5
NIGHT_CAP = 0.03  # of the peak: what is more than that at night is generation, not noise
NIGHT_HALF_MIN = 120.0  # half width of the darkest hours, around the cut
NEXT_ROW = 1.6  # intervals: a neighbour further away is missing
NIGHT_LEFT_OUT = 0.25  # of the dark readings present at most: the logger leaves the night out
NEAR_DARK = 0.1  # of the peak: a first reading below this, after a night left out, is the first light ...
NEAR_DARK_PER_MIN = 0.006  # ... the more so, the longer the interval that it averages
MOSTLY = 0.85  # ours: of the readings from first light to the centroid; broken clouds leave nearly all of them lit
RAMP_POWER = 0.75  # of time after first light; 0.5-1 gave the smallest errors on real series at 15-60 min


def light_onsets(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """LIGHT rows, one per site, device and local day, from DEVICE_READINGS rows of whole local days in any order."""
    rows = _sorted_rows(readings, sites)
    if rows.is_empty():
        return LIGHT.to_frame()
    return _onsets(rows)


def _sorted_rows(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Generation by site, device and local day, in order of time, in minutes after 00:00 UTC of the day's date."""
    start_us = pl.col("ts_utc").dt.epoch("us")
    midnight_us = pl.col("day").cast(pl.Datetime("us")).dt.epoch("us")
    rows = in_units(readings).select("site_id", "device_id", "day", "unit", "ts_utc", "ts_local", "interval_s",
                                     "is_instant", "pv_w")  # fmt: skip
    return with_sites(rows.filter(pl.col("pv_w").is_finite()), sites.select("site_id")).select(
        "site_id",
        "device_id",
        "day",
        "unit",
        start_min=(start_us - midnight_us) / 60e6,
        offset_min=(pl.col("ts_local").dt.epoch("us") - start_us) / 60e6,
        interval_min=pl.col("interval_s") / 60.0,
        is_instant=pl.col("is_instant").fill_null(False),
        pv_w=pl.col("pv_w").clip(lower_bound=0.0),
    )


def _onsets(rows: pl.DataFrame) -> pl.DataFrame:
    starts, group = _groups(rows)
    start, interval, power = (rows[name].to_numpy() for name in ("start_min", "interval_min", "pv_w"))
    instant = rows["is_instant"].to_numpy()
    middle = start + np.where(instant, 0.0, interval / 2)
    angle = middle * (2 * np.pi / DAY)
    cosine, sine = np.add.reduceat(power * np.cos(angle), starts), np.add.reduceat(power * np.sin(angle), starts)
    peak = np.maximum.reduceat(power, starts)
    noon = DAY / 2 - rows["offset_min"].to_numpy()[starts]  # the claimed local noon
    centre = np.arctan2(sine, cosine) * (DAY / (2 * np.pi))
    centre += DAY * np.round((noon - centre) / DAY)

    around = _wrap(middle - centre[group])  # minutes from the centroid, -720 to 720
    order = np.lexsort((around, group))
    night, noise = _night(rows, group, around, peak)
    step = _meter_resolution(power, starts, group)
    coarse = np.minimum(STEP_FACTOR * step, STEP_CAP * peak)
    threshold = np.maximum(PEAK_SHARE * peak, np.maximum(coarse, NOISE_FACTOR * noise))
    threshold = np.where(peak > 0, threshold, np.inf)

    circle = _Circle(group[order], around[order], interval[order], instant[order], (power - night[group])[order])
    edges = _edges(circle, starts, threshold, peak)
    lit = np.add.reduceat((power - night[group] > threshold[group]).astype(np.int64), starts)
    frame = rows[starts].select("site_id", "device_id", "day", "is_instant", zone_offset_min="offset_min")
    return (
        frame.with_columns(
            interval_min=_group_median(group, interval),
            readings=pl.Series(np.diff(starts, append=len(power))).cast(pl.Int32),
            lit_readings=pl.Series(lit).cast(pl.Int32),
            **{name: pl.Series(centre + value, nan_to_null=True) for name, value in edges.items()},
            energy_kwh=pl.Series(np.add.reduceat(power * interval, starts) / 60e3),
            power_cos_w=pl.Series(cosine),
            power_sin_w=pl.Series(sine),
            peak_w=pl.Series(peak),
            threshold_w=pl.Series(np.where(peak > 0, threshold, 0.0)),
            night_w=pl.Series(night),
            noise_w=pl.Series(noise),
            step_w=pl.Series(step),
        )
        .select(LIGHT.names())
        .cast(LIGHT)
    )


class _Circle(NamedTuple):
    """All readings, day by day in the order of the circle that is cut opposite the centroid."""

    group: Index
    around: Array  # minutes of the interval's middle from the centroid
    interval: Array  # minutes
    instant: npt.NDArray[np.bool_]
    power: Array  # above the night's level


def _edges(circle: _Circle, starts: Index, threshold: Array, peak: Array) -> dict[str, Array]:
    """First and last light of every day, in minutes from its centroid; NaN where not seen."""
    count = len(circle.power)
    lit = circle.power > threshold[circle.group]
    same = np.diff(circle.group) == 0
    beside = same & (np.diff(circle.around) <= NEXT_ROW * np.maximum(circle.interval[:-1], circle.interval[1:]))
    follows = np.append(beside, False)  # the next row is the next interval of the same day
    precedes = np.insert(beside, 0, False)
    # One lit interval alone is a spark at night; light goes on.
    begins = lit & follows & np.roll(lit, -1) & _goes_on(circle, lit, starts, before_noon=True)
    ends = lit & precedes & np.roll(lit, 1) & _goes_on(circle, lit, starts, before_noon=False)
    row = np.arange(count)
    first = np.minimum.reduceat(np.where(begins, row, count), starts)
    last = np.maximum.reduceat(np.where(ends, row, -1), starts)
    found = (first < count) & (last >= 0)
    first, last = np.where(found, first, starts), np.where(found, last, starts)

    days = np.arange(len(starts))
    size = np.diff(starts, append=count)
    dark_min = np.add.reduceat(np.where(lit, 0.0, circle.interval), starts)
    lit_min = circle.around[last] - circle.around[first] + circle.interval[first]
    left_out = dark_min < NIGHT_LEFT_OUT * (DAY - lit_min)
    edges: dict[str, Array] = {}
    for at, inward, outside, name, edge_name in (
        (first, 1, precedes, "first_light_min", "first_end_min"),
        (last, -1, follows, "last_light_min", "last_start_min"),
    ):
        seen = found & (
            outside[at] | (left_out & (circle.power[at] < (NEAR_DARK + NEAR_DARK_PER_MIN * circle.interval[at]) * peak))
        )
        inner = np.clip(at + inward, starts, starts + size - 1)
        before = np.where(outside[at], circle.power[np.clip(at - inward, 0, count - 1)], 0.0)
        into = _into_interval(circle, at, inner, before, threshold[days])
        middle = circle.around[at]
        half = np.where(circle.instant[at], 0.0, circle.interval[at] / 2)
        edges[name] = np.where(seen, middle + inward * into, np.nan)
        edges[edge_name] = np.where(seen, middle + inward * half, np.nan)
    return edges


def _goes_on(circle: _Circle, lit: npt.NDArray[np.bool_], starts: Index, *, before_noon: bool) -> npt.NDArray[np.bool_]:
    """Whether most readings between each row and the centroid are lit: light, and not a flicker in the night."""
    total = np.concatenate([[0], np.cumsum(lit)])
    row = np.arange(len(lit))
    middle = starts + np.add.reduceat((circle.around < 0).astype(np.int64), starts)  # first row after the centroid
    centre = middle[circle.group]
    if before_noon:
        return (row < centre) & (total[centre] - total[row] >= MOSTLY * (centre - row))
    return (row >= centre) & (total[row + 1] - total[centre] >= MOSTLY * (row + 1 - centre))


def _into_interval(circle: _Circle, at: Index, inner: Index, before: Array, threshold: Array) -> Array:
    """Minutes from the edge interval's middle to first light, inwards positive.

    Means over intervals: power that grows as (t - f)^k from first light f on puts the share r = (x / (1 + x))^(k + 1)
    of the first two intervals' energy into the first one, where x is the lit part of it; so x = q / (1 - q), with
    q = r^(1 / (k + 1)). Instants: where the straight line from the dark reading crosses the threshold.
    """
    interval, edge, next_in = circle.interval[at], circle.power[at], circle.power[inner]
    ratio = np.clip(edge / np.maximum(edge + next_in, 1e-9), 0.0, 1.0) ** (1.0 / (RAMP_POWER + 1.0))
    lit_part = np.clip(ratio / np.maximum(1.0 - ratio, 1e-9), 0.0, 1.0)
    mean_edge = interval * (0.5 - lit_part)
    crossing = np.clip((threshold - before) / np.maximum(edge - before, 1e-9), 0.0, 1.0)
    return np.where(circle.instant[at], interval * (crossing - 1.0), mean_edge)


def _night(rows: pl.DataFrame, group: Index, around: Array, peak: Array) -> tuple[Array, Array]:
    """Level of the darkest hours and their high quantile above that level, capped; 0 where there are no readings."""
    dark = np.abs(around) >= DAY / 2 - NIGHT_HALF_MIN
    hours = pl.DataFrame({"group": group[dark], "power": rows["pv_w"].to_numpy()[dark]})
    level = hours.group_by("group").agg(level=pl.col("power").median(), high=pl.col("power").quantile(NOISE_QUANTILE))
    night, high = np.zeros(len(peak)), np.zeros(len(peak))
    night[level["group"].to_numpy()] = level["level"].to_numpy()
    high[level["group"].to_numpy()] = level["high"].to_numpy()
    night = np.minimum(night, NIGHT_CAP * peak)
    return night, np.minimum(np.maximum(high - night, 0.0), NIGHT_CAP * peak / NOISE_FACTOR)


def _meter_resolution(power: Array, starts: Index, group: Index) -> Array:
    """The step of which a day's powers are whole multiples, in W; 0 where there is none."""
    change = np.abs(np.diff(power, prepend=np.nan))
    change[starts] = np.nan
    smallest = np.fmin(np.where(change > 0, change, np.nan), np.where(power > 0, power, np.nan))
    step = np.nan_to_num(np.fmin.reduceat(smallest, starts))
    multiple = power / np.where(step > 0, step, 1.0)[group]
    off = np.where(power > 0, np.abs(multiple - np.round(multiple)), 0.0)
    lit = np.maximum(np.add.reduceat((power > 0).astype(np.int64), starts), 1)
    return np.where(np.add.reduceat(off, starts) / lit < OFF_THE_STEP, step, 0.0)


def _groups(rows: pl.DataFrame) -> tuple[Index, Index]:
    """Where each site, device and day starts, and the number of its group for every row."""
    number = rows["unit"].rle_id().to_numpy().astype(np.int64)
    return np.flatnonzero(np.diff(number, prepend=-1)).astype(np.int64), number


def _group_median(group: Index, values: Array) -> pl.Series:
    frame = pl.DataFrame({"group": group, "value": values})
    return frame.group_by("group", maintain_order=True).agg(pl.col("value").median())["value"]


def _wrap(minutes: Array) -> Array:
    """Minutes folded into -720 to 720."""
    return (minutes + DAY / 2) % DAY - DAY / 2
