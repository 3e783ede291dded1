"""What a correction of a site's clock would do, without doing it: its light laid beside the sun before and after."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import polars as pl

from detectors import features as kinds_of_features
from detectors.clock import clock
from detectors.clock.weather_around import WITHIN_KM
from detectors.features import clock_day
from detectors.finding import Finding
from detectors.stats.distance import great_circle_km
from pipeline.errors import NoonmarkError
from pipeline.runs.session import Opened
from pipeline.store import clock_shifts, features, verdicts
from pipeline.store.clock_shifts import DAY_S, Correction
from pipeline.store.register import timezone
from pipeline.timezones.local_time import day_start

EDGES = ("first_light_min", "last_light_min", "first_end_min", "last_start_min")
SHOWN_DAYS = 5  # ours: the last days, as many as an offset is measured from
SCHEMA = pl.Schema({"what": pl.String, "before": pl.String, "after": pl.String})


def preview(run: Opened, site_id: str, correction: Correction) -> pl.DataFrame:
    """[what, before, after]: first and last light of the last days that it corrects, the verdict, what would close.

    Raises NoonmarkError where no day was judged.
    """
    day = verdicts.last_judged_day(run.store)
    if day is None:
        raise NoonmarkError("no day was judged yet", site_id, "run `noonmark cycle` first, or leave --dry-run out")
    first = day - timedelta(days=clock.WINDOW_DAYS - 1)
    is_own = pl.col("site_id") == site_id
    sites = run.store.sites()
    near = sites.filter(_is_near(sites, site_id))
    daylight = kinds_of_features.load()["daylight"]
    light = features.read(run.store, daylight, first, day)
    before = light.filter(is_own)
    after = _shifted(run, site_id, before, correction)
    place = clock_shifts.place_of(run.store, site_id, correction)
    ends = min(day, place.to_day or day)
    begins = max(place.from_day, ends - timedelta(days=clock.WINDOW_DAYS - 1))
    corrected = features.read(run.store, daylight, begins, ends).filter(is_own)
    beside = light.filter(~is_own)  # the weather around moves their days too
    sites = sites.filter(is_own)
    rows = [
        (f"{_name(one)} light of {one['day']}, UTC", _clock(one[edge]), _clock(other[edge]))
        for edge, _name in (("first_light_min", _first), ("last_light_min", _last))
        for one, other in zip(_recent(corrected), _recent(_shifted(run, site_id, corrected, correction)), strict=True)
    ]
    rows.append(("offset of the last days", _offset(before, sites, day), _offset(after, sites, day)))
    (now, _), (then, still_wrong) = (
        _verdict(pl.concat([rows_of, beside]), near, site_id, day) for rows_of in (before, after)
    )
    rows.append((f"the clock on {day}", now, then))
    rows += [
        (f"exception {row['exception_id']}", row["status"], row["status"] if still_wrong else "closed")
        for row in verdicts.open_of(run.store, site_id, "clock").iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _first(row: dict[str, Any]) -> str:
    return f"{row['device_id']} first".strip()


def _last(row: dict[str, Any]) -> str:
    return f"{row['device_id']} last".strip()


def _recent(light: pl.DataFrame) -> list[dict[str, Any]]:
    known = light.drop_nulls(["first_light_min", "last_light_min"]).sort("device_id", "day")
    return known.group_by("device_id", maintain_order=True).tail(SHOWN_DAYS).rows(named=True)


def _clock(minutes: float) -> str:
    return (datetime.combine(date(2000, 1, 1), time(), UTC) + timedelta(minutes=round(minutes))).strftime("%H:%M")


def _shifted(run: Opened, site_id: str, light: pl.DataFrame, correction: Correction) -> pl.DataFrame:
    """The light's edges as they would be; a day in which the correction begins is shifted by its noon."""
    place = clock_shifts.place_of(run.store, site_id, correction)
    zone = timezone(run.store, site_id)
    start = place.from_utc or day_start(zone, place.from_day)
    end = place.until_utc or (
        day_start(zone, place.to_day + timedelta(days=1)) if place.to_day else clock_shifts.FOREVER
    )
    noon_s = pl.col("day").cast(pl.Datetime("us")).dt.epoch("s") + 43_200 - pl.col("zone_offset_min") * 60
    days = (noon_s - start.timestamp()) / DAY_S
    by = correction.shift_min + correction.rate_s_per_day / 60 * days
    is_inside = (noon_s >= start.timestamp()) & (noon_s < end.timestamp())
    return light.with_columns(pl.when(is_inside).then(pl.col(edge) + by).otherwise(edge).alias(edge) for edge in EDGES)


def _is_near(sites: pl.DataFrame, site_id: str) -> pl.Series:
    """The site and those near enough to share its weather."""
    here = sites.row(by_predicate=pl.col("site_id") == site_id, named=True)
    far = great_circle_km(here["latitude"], here["longitude"], sites["latitude"], sites["longitude"])
    return pl.Series(far <= WITHIN_KM)


def _verdict(light: pl.DataFrame, sites: pl.DataFrame, site_id: str, day: date) -> tuple[str, bool]:
    """What the clock's detector says of the site, and whether it still finds it wrong."""
    verdict = next((one for one in clock.detect(light, sites, day) if one.site_id == site_id), None)
    if verdict is None:
        return "right", False
    return (verdict.summary, True) if isinstance(verdict, Finding) else (f"not judged: {verdict.reason}", False)


def _offset(light: pl.DataFrame, sites: pl.DataFrame, day: date) -> str:
    rows = clock_day.make(light, sites, day)
    return "; ".join(f"{offset:+.0f} min" for offset in rows["offset_min"]) or "not known"
