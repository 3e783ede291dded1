"""Days on which earlier readings were sent again: which they may be, and the readings that tell."""

from datetime import date, timedelta

import polars as pl

from detectors.data_quality.copies import candidates
from detectors.features import row_prints
from detectors.frames import DEVICE_READINGS
from pipeline.detection import resolver
from pipeline.store import Store, features, readings


def looked_for(
    store: Store, reported: pl.DataFrame, sites: pl.DataFrame, chunk: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """(prints, CANDIDATES, the readings of the candidates' source days) of `reported` readings of `chunk`'s days."""
    now = row_prints.make(reported.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS), sites)
    held = _held(store, chunk)
    if held["day"].is_in(chunk["day"].unique().implode()).any():  # seldom: days that are summed up once more
        held = held.join(chunk, on=["site_id", "day"], how="anti")
    found = candidates(now, pl.concat([held, now]), row_prints.WINDOW_DAYS)
    return now, found, _sources(store, found)


def among(store: Store, asked: pl.DataFrame) -> pl.DataFrame:
    """CANDIDATES of `asked` [site_id, day], days that were summed up."""
    held = _held(store, asked)
    return candidates(held.join(asked, on=["site_id", "day"], how="semi"), held, row_prints.WINDOW_DAYS)


def _held(store: Store, chunk: pl.DataFrame) -> pl.DataFrame:
    first, last = chunk["day"].min(), chunk["day"].max()
    assert isinstance(first, date) and isinstance(last, date)
    feature = next(one for one in resolver.ordered() if one.name == row_prints.NAME)
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
