"""Site-days summed up and features made where readings changed; the readings of a day are read once for all."""

from collections.abc import Collection, Iterator
from datetime import date, timedelta
from itertools import zip_longest
from typing import NamedTuple

import polars as pl

from detectors.data_quality import other_sites, plausibility, standstill, wrong_scale
from detectors.data_quality.copies import copied_values
from detectors.data_quality.flags import good_values, make_flags
from detectors.data_quality.grid_link import with_lost_links
from detectors.features import row_prints
from detectors.frames import BESIDE, COUNTED_READINGS, DEVICE_READINGS, READINGS
from detectors.stats.rows import among
from detectors.stats.units import in_units
from pipeline import progress
from pipeline.config.settings import ComputeSettings
from pipeline.detection import copied_days, resolver
from pipeline.detection.workers import Pool
from pipeline.energy import partial_days, site_days
from pipeline.energy.by_counters import with_counted
from pipeline.store import (
    Store,
    device_sums,
    features,
    history,
    reading_flags,
    readings,
    register,
    shared_readings,
)

SITE_DAYS_AT_ONCE = (
    1000  # ours: at 5 min some 290,000 rows, at 500 bytes each 140 MB; copies of them are made on the way
)
SITES_AT_ONCE = 1000  # ours: what one process does at a time; enough of them for the cores of a large machine
FLAGS_LOOK_BACK_ON = ("repeats", "flow_peaks", "flow_sizes", "deliveries")
STANDS = ("site_id", "device_id", "day", "channel", "value", "total_h", "usual_h", "since")


class Given(NamedTuple):
    """What the summing up of some site-days needs, and no more: it can be done in another process."""

    reported: pl.DataFrame  # readings as reported, of these days
    shares: device_sums.Shares
    sites: pl.DataFrame
    planes: pl.DataFrame
    before: dict[str, pl.DataFrame]  # rows of other days of the features that flags look back on, by feature
    prints: pl.DataFrame  # PRINTS of the readings
    copied_from: pl.DataFrame  # CANDIDATES: earlier days that may have been sent again
    sources: pl.DataFrame  # DEVICE_READINGS as reported of these earlier days
    of_others: pl.DataFrame  # DECIDED: days whose readings are those of another site
    others: pl.DataFrame  # DEVICE_READINGS as reported of these other sites


class Summed(NamedTuple):
    """What it gives."""

    days: pl.DataFrame
    flags: pl.DataFrame
    made: dict[str, pl.DataFrame]  # by feature


def sum_up(store: Store, advance: progress.Advance = progress.silent, pool: Pool | None = None) -> int:
    """How many site-days were summed up: those whose readings or flags changed, and no others."""
    pool = pool or Pool(ComputeSettings())
    dirty = history.dirty_days(store)
    reading_flags.note_to_check(store, dirty, standstill.WINDOW_DAYS)
    shared_readings.note_due(store, dirty["day"])
    ends = register.agreement_ends(store)
    for chunks in _rounds(dirty, ends):
        _sum_up(store, chunks, advance, pool)
    to_check = reading_flags.to_check(store)
    # Which sites report the same is known only now that all prints of these days are there. Later days report what they
    # did; whose it is may be decided otherwise where some site's is known not to be its own.
    known = shared_readings.flagged(store, to_check["day"].unique().to_list())
    compared = sorted({*shared_readings.due(store), *known["day"]})
    of_others = copied_days.of_other_sites(store, compared)
    again = of_others.filter(pl.col("fate") != other_sites.ORIGINAL)
    parts = (_flagged_otherwise(store, to_check), again, shared_readings.flagged(store, compared))
    changed = pl.concat([one.select("site_id", "day") for one in parts]).unique().sort("day", "site_id")
    reading_flags.end_check(store, changed)
    for chunks in _rounds(changed, ends):
        _sum_up(store, chunks, progress.silent, pool, again)
    shared_readings.end(store)
    return dirty.height + changed.height


def _sum_up(
    store: Store,
    chunks: list[pl.DataFrame],
    advance: progress.Advance,
    pool: Pool,
    of_others: pl.DataFrame | None = None,
) -> None:
    """Sums up chunks that have no site in common, each written as it is done; `of_others`: DECIDED of their days."""
    features_by_name = {feature.name: feature for feature in resolver.ordered()}
    decided = other_sites.DECIDED.to_frame() if of_others is None else of_others
    results = pool.each(summed, (_given(store, one, decided) for one in chunks))
    for chunk in chunks:
        done = next(results)
        made = {features_by_name[name]: rows for name, rows in done.made.items()}
        history.write_days(store, done.days, done.flags, made, chunk)
        del done, made  # before the next chunk's readings are read
        advance(chunk.height)


def _given(store: Store, chunk: pl.DataFrame, of_others: pl.DataFrame) -> Given:
    first, last = chunk["day"].min(), chunk["day"].max()
    assert isinstance(first, date) and isinstance(last, date)
    rows = readings.read_days(store, first, last, chunk["site_id"].unique().to_list())
    asked = chunk.select("site_id", "day")
    reported = among(rows.with_columns(day=pl.col("ts_local").dt.date()), asked).drop("day")
    sites = register.sites_on(store, store.sites(), first)  # no chunk goes beyond the end of an agreement
    found = copied_days.looked_for(store, reported, sites, chunk)
    before = _before(store, first, last, chunk)
    theirs = of_others.join(chunk, on=["site_id", "day"], how="semi")
    others = copied_days.readings_of_others(store, theirs)
    return Given(reported, device_sums.shares(store), sites, store.planes(), before, *found, theirs, others)


def summed(of: Given) -> Summed:
    """Site-days, flags and features of the readings given."""
    reported, shares, sites, planes, before, prints, copied_from, sources, of_others, others = of
    raw = reported.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS)
    given = {
        "raw_readings": in_units(device_sums.to_sites(reported, shares).select(READINGS.names()).cast(READINGS)),
        "raw_device_readings": in_units(raw),
        "sites": sites,
        "planes": planes,
        row_prints.NAME: prints,
    }
    of_reported = resolver.make_of_readings(given)
    fresh = {feature.name: rows for feature, rows in of_reported.items()} | {row_prints.NAME: prints}
    window = {name: pl.concat([rows, fresh.get(name, rows.clear())]) for name, rows in before.items()}
    either = pl.concat([raw, sources]).unique(["site_id", "device_id", "ts_utc"]) if copied_from.height else raw
    copied = pl.concat([copied_values(either, copied_from), other_sites.shared_values(raw, others, of_others)])
    seen, peaks, sizes = (window[name] for name in ("deliveries", "flow_peaks", "flow_sizes"))
    flags = make_flags(given["raw_device_readings"], window["repeats"], peaks, seen, sites, copied, sizes)
    good = good_values(reported, flags)
    counted = with_counted(good)
    whole = device_sums.to_sites(counted, shares)
    given |= {
        "readings": in_units(whole.select(READINGS.names()).cast(READINGS)),
        "device_readings": in_units(good.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS)),
        "counted_readings": _counted(good),
        **fresh,
    }
    rest = {feature.name: rows for feature, rows in resolver.make_of_readings(given).items()}
    days = site_days.to_site_days(whole, sites)
    parts = partial_days.sums(counted, device_sums.partial_days(good, shares), sites)
    return Summed(partial_days.filled_in(days, parts), flags, fresh | rest)


def _counted(good: pl.DataFrame) -> pl.DataFrame:
    """COUNTED_READINGS."""
    has_both = pl.any_horizontal(pl.col(name).is_not_null() for name in BESIDE)
    return good.filter(has_both).select(COUNTED_READINGS.names()).cast(COUNTED_READINGS)


def _before(store: Store, first: date, last: date, done: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of the features that flags look back on, of the sites of `done`, without the days of `done`."""
    since = first - timedelta(days=standstill.WINDOW_DAYS)
    mine = done["site_id"].unique().to_list()
    rows = {}
    for feature in resolver.ordered():
        if feature.name in FLAGS_LOOK_BACK_ON:
            held = features.read_of(store, feature, since, last, mine)
            rows[feature.name] = held.join(done, on=["site_id", "day"], how="anti")
    return rows


def _flagged_otherwise(store: Store, asked: pl.DataFrame) -> pl.DataFrame:
    """Of `asked` [site_id, day], those whose flags are others now that days before them changed.

    What stands still is told from features alone; flows beyond the smallest service that a site can have are few, and
    so are days beyond a rating and days that may be copies: those are simply summed up again.
    """
    if asked.is_empty():
        return asked
    first, last = asked["day"].min(), asked["day"].max()
    assert isinstance(first, date) and isinstance(last, date)
    sites = store.sites()
    window = _before(store, first, last, asked.with_columns(day=pl.lit(None, pl.Date)))
    since, of_unit = [], []
    for day in asked["day"].unique().sort():
        sites_then = register.sites_on(store, sites, day)
        runs = standstill.recent_runs(window["repeats"], window["deliveries"], window["flow_peaks"], sites_then, day)
        since.append(
            with_lost_links(runs, window["flow_sizes"], day)
            .select(*STANDS, limit="needed_h")  # a day without such a run has fewer columns
            .join(asked.filter(pl.col("day") == day), on=["site_id", "day"], how="semi")
        )
        of_unit.append(wrong_scale.days_of_thousandths(window["flow_sizes"], sites_then, day))
    now = pl.concat(since, how="vertical_relaxed")
    held = readings.read_flags(store, first, last)
    before = (
        held.filter(pl.col("flag") == "frozen")
        .join(asked, on=["site_id", "day"], how="semi")
        .select(*STANDS, "limit")
        .unique()
    )
    both = pl.concat([now, before], how="vertical_relaxed").with_columns(pl.col(pl.Float64).round(6))
    differing = both.filter(~pl.struct(pl.all()).is_duplicated())
    maybe = (
        differing,
        *of_unit,
        held.filter(pl.col("rule") == wrong_scale.RULE),
        plausibility.beyond_service(window["flow_peaks"], sites),
        plausibility.beyond_rating(window["flow_peaks"], held, sites),
        held.filter(pl.col("flag") == "duplicated"),
        copied_days.among(store, asked),
    )
    again = pl.concat(one.select("site_id", "day") for one in maybe)
    return asked.join(again, on=["site_id", "day"], how="semi")


def _rounds(dirty: pl.DataFrame, ends: Collection[date]) -> Iterator[list[pl.DataFrame]]:
    """Chunks of so many sites each, those side by side that have no site in common, in the order of their days."""
    sites = dirty["site_id"].unique().sort()
    groups = [list(_chunks(dirty.filter(pl.col("site_id").is_in(some.to_list())), ends)) for some in _slices(sites)]
    for side_by_side in zip_longest(*groups):
        yield [chunk for chunk in side_by_side if chunk is not None]


def _slices(sites: pl.Series) -> Iterator[pl.Series]:
    for start in range(0, len(sites), SITES_AT_ONCE):
        yield sites.slice(start, SITES_AT_ONCE)


def _chunks(dirty: pl.DataFrame, ends: Collection[date]) -> Iterator[pl.DataFrame]:
    """Runs of neighbouring days, small enough to be held at once, none of which goes on beyond one of `ends`."""
    held: list[pl.DataFrame] = []
    size, last = 0, None
    for (day,), one in sorted(dirty.partition_by("day", as_dict=True).items()):
        assert isinstance(day, date)
        if held and (size + one.height > SITE_DAYS_AT_ONCE or (last is not None and _are_apart(last, day, ends))):
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


def _are_apart(last: date, day: date, ends: Collection[date]) -> bool:
    return (day - last).days > 1 or last in ends
