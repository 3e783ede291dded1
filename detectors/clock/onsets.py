"""Light against sun, as tables of devices and days: what the clock's judgement is made of."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from detectors.solar.position import MINUTES_PER_DAY, sun_coordinates, sun_times

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

TWILIGHT_DEG = 1.2  # below sunrise a clear sky gives some 2 W/m2: below the threshold of light
TWILIGHT_MIN = (6.0, 30.0)  # ours: refraction and coordinates want the least, nights of high summer the most
DULLEST_SHARE = (
    0.02  # ours, of the highest peak: a day that stays below was dark (snow, outage), what it shows is noise
)
SEAM_MIN = 690.0  # offsets run from -690 to +750 min: no zone's error of whole hours falls on the seam


class Onsets(NamedTuple):
    """One row per device, one column per day, oldest first; minutes; NaN where an onset was not seen."""

    sites: list[str]
    devices: list[str]
    latitude: Array  # per device, degrees
    longitude: Array
    days: list[date]
    first_late: Array  # first light after sunrise, as stamped
    last_early: Array  # last light before sunset, as stamped
    first_end_late: Array  # end of the first interval with generation, after the first possible light
    last_start_early: Array  # start of the last one, before the last possible light
    noon: Array  # solar noon, minutes after 00:00 UTC of the day
    half_day: Array  # from solar noon to sunset
    zone_offset: Array  # local time minus UTC
    interval: Array  # per device: the last known sampling interval
    seen: npt.NDArray[np.bool_]  # readings with generation known
    lit: npt.NDArray[np.bool_]  # of these, with any generation
    height_rate: Array  # degrees of sun height per minute at sunrise
    twilight: Array  # minutes before sunrise, and after sunset, in which light is possible


def onsets_of(light: pl.DataFrame, sites: pl.DataFrame, day: date, window: int) -> Onsets:
    """Onsets and ends of generation of the `window` days up to and including `day`, beside the sun."""
    origin = day - timedelta(days=window - 1)
    places = sites.lazy().select("site_id", "latitude", "longitude", "commissioned_on")
    in_window = light.lazy().filter(pl.col("day").is_between(origin, day)).join(places, on="site_id")
    rows = in_window.filter(
        pl.col("commissioned_on").is_null() | (pl.col("day") >= pl.col("commissioned_on"))
    ).collect()
    keys = ["site_id", "device_id", "latitude", "longitude"]
    heads = rows.select(keys).unique(["site_id", "device_id"]).sort("site_id", "device_id").with_row_index("owner")
    rows = rows.join(heads.select("site_id", "device_id", "owner"), on=["site_id", "device_id"])
    owner = rows["owner"].to_numpy().astype(np.int64)
    column = (rows["day"] - origin).dt.total_days().to_numpy()
    shape = (len(heads), window)

    def table(name: str) -> Array:
        values = np.full(shape, np.nan)
        values[owner, column] = rows[name].cast(pl.Float64).to_numpy()
        return values

    epoch_days = np.arange(window, dtype=np.float64)[None, :] + (origin - date(1970, 1, 1)).days
    latitude, longitude = (heads[name].to_numpy()[:, None] for name in ("latitude", "longitude"))
    of_date = sun_times(latitude, longitude, epoch_days)
    zone_offset = table("zone_offset_min")
    # The transit that falls into the local day: at the date line it is the neighbouring UTC date's.
    claimed_noon = 720.0 - np.where(np.isnan(zone_offset), 4.0 * longitude, zone_offset)
    noon = of_date[1] + MINUTES_PER_DAY * np.round((claimed_noon - of_date[1]) / MINUTES_PER_DAY)
    sunrise, noon, sunset = _sun_around(of_date, latitude, longitude, epoch_days, noon)
    peak = table("peak_w")
    with np.errstate(invalid="ignore"):
        bright = peak >= DULLEST_SHARE * np.fmax.reduce(peak, axis=1, keepdims=True, initial=0.0)
    first, last = (np.where(bright, table(name), np.nan) for name in ("first_light_min", "last_light_min"))
    lag = (first + last) / 2 - noon
    turns = MINUTES_PER_DAY * np.floor((lag + SEAM_MIN) / MINUTES_PER_DAY)
    turns = np.where(np.isnan(turns), 0.0, turns)
    declination, _ = sun_coordinates(epoch_days + 0.5)
    turn = np.sin(np.radians((sunset - sunrise) / 8.0))  # of the hour angle at sunset
    rate = (
        np.cos(np.radians(latitude)) * np.cos(np.radians(declination)) * turn / 4.0
    )  # the sky turns 1/4 degree a minute
    twilight = np.clip(TWILIGHT_DEG / np.maximum(rate, 1e-3), *TWILIGHT_MIN)
    interval = table("interval_min")
    newest = window - 1 - np.argmax(np.isfinite(interval[:, ::-1]), axis=1)
    return Onsets(
        sites=heads["site_id"].to_list(),
        devices=heads["device_id"].to_list(),
        latitude=heads["latitude"].to_numpy(),
        longitude=heads["longitude"].to_numpy(),
        days=[origin + timedelta(days=i) for i in range(window)],
        first_late=first - turns - sunrise,
        last_early=sunset - (last - turns),
        first_end_late=table("first_end_min") - turns - sunrise + twilight,
        last_start_early=sunset - (table("last_start_min") - turns) + twilight,
        noon=noon,
        half_day=(sunset - sunrise) / 2,
        zone_offset=zone_offset,
        interval=interval[np.arange(len(heads)), newest] if len(heads) else np.empty(0),
        seen=np.nan_to_num(table("readings")) > 0,
        lit=np.nan_to_num(peak) > 0,
        height_rate=rate,
        twilight=twilight,
    )


def _sun_around(
    of_date: tuple[Array, Array, Array], latitude: Array, longitude: Array, days: Array, noon: Array
) -> tuple[Array, Array, Array]:
    """Sunrise, transit and sunset of the transit that lies nearest to `noon`, in minutes of `days`.

    `of_date`: those of the transit of the UTC date itself.
    """
    turns = np.round((noon - of_date[1]) / MINUTES_PER_DAY)
    if not turns.any():
        return of_date
    # Only near the date line: the neighbouring date's transit for those rows, row by row the same shift.
    shifted = sun_times(latitude, longitude, days + np.median(turns, axis=1, keepdims=True))
    offset = MINUTES_PER_DAY * np.median(turns, axis=1, keepdims=True)
    return shifted[0] + offset, shifted[1] + offset, shifted[2] + offset


def latest(values: Array, known: npt.NDArray[np.bool_], count: int, within: int) -> Array:
    """The last `count` known columns of every row among its last `within` columns, NaN-padded; shape (rows, within)."""
    tail, tail_known = values[:, -within:], known[:, -within:]
    newer = np.cumsum(tail_known[:, ::-1], axis=1)[:, ::-1]
    return np.where(tail_known & (newer <= count), tail, np.nan)
