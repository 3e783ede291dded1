"""Days on which earlier readings were sent again, or another site's: which they may be, and the readings that tell."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import polars as pl

from detectors.data_quality import other_sites
from detectors.data_quality.copies import candidates
from detectors.data_quality.flagged_values import OWN
from detectors.features import row_prints, site_hour
from detectors.frames import DEVICE_READINGS
from pipeline.detection import resolver
from pipeline.store import Store, features, readings, register, shared_readings

DAYS_AT_ONCE = 31  # ours: of 1,000 sites some 750,000 prints
LEVEL_COLUMNS = ("site_id", "day", "ts_utc", "pv_w", "load_w", "grid_w", "battery_w", "soc_pct", "voltage_l1_v")


def looked_for(
    store: Store, reported: pl.DataFrame, sites: pl.DataFrame, chunk: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """(prints, CANDIDATES, the readings of the candidates' source days) of `reported` readings of `chunk`'s days."""
    now = row_prints.make(reported.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS), sites)
    asked = shared_readings.repeating(store, now, chunk, row_prints.WINDOW_DAYS)
    held = _held(store, chunk.join(asked, on="site_id", how="semi"))
    if held["day"].is_in(chunk["day"].unique().implode()).any():  # seldom: days that are summed up once more
        held = held.join(chunk, on=["site_id", "day"], how="anti")
    mine = now.join(asked, on=OWN, how="semi")
    found = candidates(mine, pl.concat([held.join(asked, on=OWN, how="semi"), mine]), row_prints.WINDOW_DAYS)
    return now, found, _sources(store, found)


def among(store: Store, asked: pl.DataFrame) -> pl.DataFrame:
    """CANDIDATES of `asked` [site_id, day], days that were summed up."""
    held = _held(store, asked)
    return candidates(held.join(asked, on=["site_id", "day"], how="semi"), held, row_prints.WINDOW_DAYS)


def of_other_sites(store: Store, days: Sequence[date]) -> pl.DataFrame:
    """DECIDED of `days`: readings that are those of another site, value for value, whatever the order they came in."""
    return pl.concat([other_sites.DECIDED.to_frame(), *_decided(store, sorted(days))])


def _decided(store: Store, days: Sequence[date]) -> Iterator[pl.DataFrame]:
    for some in (days[n : n + DAYS_AT_ONCE] for n in range(0, len(days), DAYS_AT_ONCE)):
        shared = shared_readings.prints(store, some)
        if shared.is_empty():
            continue
        found = other_sites.pairs(shared, register.sites_on(store, store.sites(), some[-1]))
        if found.is_empty():
            continue
        known = shared_readings.shared_days(store, found, some[-1])
        first = known["day"].min()
        assert isinstance(first, date)
        ids = sorted({*found["site_id"], *found["other_id"]})
        feature = next(one for one in resolver.ordered() if one.name == site_hour.NAME)
        since = first - timedelta(days=other_sites.PAST_DAYS)
        hours = features.read_of(store, feature, since, some[-1], ids, LEVEL_COLUMNS)
        yield other_sites.decided(found, known, other_sites.day_levels(hours))


def readings_of_others(store: Store, found: pl.DataFrame) -> pl.DataFrame:
    """DEVICE_READINGS as reported of the other sites of `found` (DECIDED), on its days."""
    return _sources(store, found.select(site_id="other_id", source_day="day"))


def _held(store: Store, chunk: pl.DataFrame) -> pl.DataFrame:
    feature = next(one for one in resolver.ordered() if one.name == row_prints.NAME)
    first, last = chunk["day"].min(), chunk["day"].max()
    if not isinstance(first, date) or not isinstance(last, date):
        return row_prints.SCHEMA.to_frame()
    sites = chunk["site_id"].unique().to_list()
    return features.read_of(store, feature, first - timedelta(days=row_prints.WINDOW_DAYS), last, sites)


def _sources(store: Store, found: pl.DataFrame) -> pl.DataFrame:
    """DEVICE_READINGS of the source days, those of `found` alone."""
    days = found.select("site_id", day="source_day").unique().sort("day", "site_id")
    parts = [DEVICE_READINGS.to_frame()]
    for (day,), own in days.group_by("day", maintain_order=True):
        assert isinstance(day, date)
        rows = readings.read_days(store, day, day, own["site_id"].to_list())
        parts.append(rows.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS))
    return pl.concat(parts)
