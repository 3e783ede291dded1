"""Site-days summed up and features made where readings changed; the readings of a day are read once for all."""

from collections.abc import Iterator
from datetime import date

import polars as pl

from detectors.frames import DEVICE_READINGS, READINGS
from pipeline import progress
from pipeline.detection import resolver
from pipeline.energy import site_days
from pipeline.store import Store, history, readings

SITE_DAYS_AT_ONCE = 4000  # ours: at 5 min some 1.2 million rows, a few hundred MB


def sum_up(store: Store, tell: progress.Advance = progress.silent) -> int:
    """How many site-days were summed up: those whose readings changed, and no others."""
    dirty = history.dirty_days(store)
    for chunk in _chunks(dirty):
        _sum_up(store, chunk)
        tell(chunk.height)
    return dirty.height


def _sum_up(store: Store, chunk: pl.DataFrame) -> None:
    first, last = chunk["day"].min(), chunk["day"].max()
    assert isinstance(first, date) and isinstance(last, date)
    sites = store.sites()
    rows = readings.read_days(store, first, last, chunk["site_id"].unique().to_list())
    mine = (
        rows.with_columns(day=pl.col("ts_local").dt.date()).join(chunk, on=["site_id", "day"], how="semi").drop("day")
    )
    whole = readings.to_sites(mine, readings.shares(store))
    frames = {
        "readings": whole.select(READINGS.names()).cast(READINGS),
        "device_readings": mine.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS),
        "sites": sites,
        "planes": store.planes(),
    }
    days = site_days.to_site_days(whole, sites)
    history.write_days(store, days, resolver.make_of_readings(frames), chunk)


def _chunks(dirty: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Runs of neighbouring days, small enough to be held at once."""
    held: list[pl.DataFrame] = []
    size, last = 0, None
    for (day,), one in sorted(dirty.partition_by("day", as_dict=True).items()):
        assert isinstance(day, date)
        if held and (size + one.height > SITE_DAYS_AT_ONCE or (last is not None and (day - last).days > 1)):
            yield pl.concat(held)
            held, size = [], 0
        for part in one.iter_slices(SITE_DAYS_AT_ONCE):
            if part.height == SITE_DAYS_AT_ONCE:
                yield part
            else:
                held.append(part)
                size += part.height
        last = day
    if held:
        yield pl.concat(held)
