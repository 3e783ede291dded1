"""Readings of one site that are those of another, value for value: an export job that reads the wrong plant.

All values of rows in a row agree, and one of their powers jumps by MIN_JUMPS clearly different heights, as in `copies`.
Two roofs under one sky jump together, so jumps of generation count only where it is read so finely that no two roofs
and meters agree to the last digit; a load's, a meter's and a battery's count always.

Which of the two sites is the copy is told by what they were before: the level at which a house never goes below, the
voltage of its street, the capacity of its battery and the highest power of its roof do not change overnight. Where one
site's own past fits the values and the other's does not, the other one's are the copy.
"""

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.data_quality.copies import MIN_PRINTS, PRINTS, jumps, of_devices, origins, step_of
from detectors.data_quality.flagged_values import FLAGGED_VALUES, OWN, of_rows
from detectors.frames import CHANNELS, STRING_CHANNELS
from detectors.stats.robust import median, robust_sigma
from detectors.stats.rows import ordered

RULE = "another site"
COPY, ORIGINAL, UNDECIDED = "copy", "original", "undecided"
SUN_DRIVEN = ("pv_w", *STRING_CHANNELS, "irradiance_w_m2")
FINE_STEPS = 500  # ours: meters differ by 1 %, five such steps: two agree now and then, and never for a whole segment
PAST_DAYS = 35  # ours: as far back as copies within a site are looked for; seasons hardly change a level meanwhile
MIN_PAST_DAYS = 7  # ours: a week, with its weekend
FIRST_DAYS = 14  # ours: the levels of two weeks after the change; later ones would bring in the season
STREAK_GAP_DAYS = 7  # ours: an export job that is down for a week is still the same one
MIN_HOURS = 12  # ours: half a day's hours show a house's lowest level
BASE_SHARE = 0.1  # ours: the lowest tenth of a day's hours
MIN_DROP_PCT = 10.0  # ours: a state of charge in whole per cent gives a capacity within a tenth
SAME_RATIO = 0.01  # ours: levels of the same values differ by what a lost row changes
BREAKS_SIGMA = 5.0  # ours: beyond what chance makes of a few levels of two sites
FITS_SIGMA = 3.0  # ours: as usual for what is still the same
FLOORS = {  # ours: one sigma at least, whatever the past looks like
    "base_w": 0.05,  # of its logarithm: 5 %, an appliance that is now always on
    "voltage_v": 0.5,  # a street's load of the season
    "capacity_kwh": 0.05,  # of its logarithm: 5 %, by the temperature of a battery
    "pv_top_w": 0.05,  # of its logarithm: 5 %, a cooler or clearer day
}
BY_LOGARITHM = ("base_w", "capacity_kwh", "pv_top_w")

PAIRS = pl.Schema(
    {
        "site_id": pl.String(),
        "device_id": pl.String(),
        "day": pl.Date(),
        "other_id": pl.String(),  # the site whose readings may be the same
        "other_device_id": pl.String(),
    }
)
DECIDED = pl.Schema({**PAIRS, "fate": pl.String()})  # COPY, ORIGINAL or UNDECIDED: what site_id's readings are
SHARED_DAYS = pl.Schema({"site_id": pl.String(), "other_id": pl.String(), "day": pl.Date()})
LEVELS = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        **dict.fromkeys(FLOORS, pl.Float64()),
    }
)


def pairs(shared: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """PAIRS of devices of different sites that show some of the same prints on a day, each device with one other.

    `shared`: PRINTS that are found at several sites on their day. Each print is joined to one of its devices and not
    all to all, so that cost stays linear however many sites report the same. Register entries of one plant (the same
    coordinates and external id) are one.
    """
    own = [*OWN, "day"]
    plants = sites.select("site_id", plant=pl.col("site_id").min().over("latitude", "longitude", "external_id"))
    one = shared.select(PRINTS.names()).unique().join(plants, on="site_id")
    at = ["day", "print"]
    first = one.sort("plant", *OWN).group_by(at, maintain_order=True).first()
    second = (
        one.join(first.select(*at, first_plant="plant"), on=at)
        .filter(pl.col("plant") != pl.col("first_plant"))
        .sort("plant", *OWN)
        .group_by(at, maintain_order=True)
        .first()
    )

    def with_other(rows: pl.DataFrame, others: pl.DataFrame) -> pl.DataFrame:
        renamed = others.select(*at, other_id="site_id", other_device_id="device_id", other_plant="plant")
        return rows.join(renamed, on=at).filter(pl.col("plant") != pl.col("other_plant"))

    of_first = one.join(first.select(*at, first_plant="plant"), on=at).filter(pl.col("plant") == pl.col("first_plant"))
    both = pl.concat([with_other(one, first), with_other(of_first.drop("first_plant"), second)])
    counted = both.group_by(*own, "other_id", "other_device_id").len().filter(pl.col("len") >= MIN_PRINTS)
    likeliest = counted.sort(
        *own, "len", "other_id", "other_device_id", descending=[False, False, False, True, False, False]
    )
    return likeliest.unique(own, keep="first", maintain_order=True).select(PAIRS.names()).cast(PAIRS)


def day_levels(site_hours: pl.DataFrame) -> pl.DataFrame:
    """LEVELS of the hours (as in the feature `site_hour`) of site-days."""
    rows = ordered(site_hours, "site_id", "ts_utc")
    balance = pl.col("pv_w") + pl.col("grid_w") + pl.col("battery_w").fill_null(0.0)
    after = {name: pl.col(name).shift(-1).over("site_id", "day") for name in ("battery_w", "soc_pct")}
    drop_pct = pl.col("soc_pct") - after["soc_pct"]
    is_amid = (pl.col("battery_w") > 0) & (after["battery_w"] > 0) & (drop_pct > 0)
    made = rows.with_columns(
        load=pl.coalesce("load_w", balance),
        drop_pct=pl.when(is_amid).then(drop_pct),
        given_kwh=pl.when(is_amid).then((pl.col("battery_w") + after["battery_w"]) / 2000),
    )
    drop, load = pl.col("drop_pct").sum(), pl.col("load")
    base = pl.when(load.count() >= MIN_HOURS).then(load.quantile(BASE_SHARE, "linear"))
    found = made.group_by("site_id", "day").agg(
        base_w=base,
        voltage_v=pl.when(pl.col("voltage_l1_v").count() >= MIN_HOURS).then(pl.col("voltage_l1_v").median()),
        capacity_kwh=pl.when(drop >= MIN_DROP_PCT).then(pl.col("given_kwh").sum() / drop * 100),
        pv_top_w=pl.when(pl.col("pv_w").count() >= MIN_HOURS).then(pl.col("pv_w").max()),
    )
    positive = [pl.when(pl.col(name) > 0).then(name).alias(name) for name in FLOORS]
    return found.with_columns(positive).select(LEVELS.names()).cast(LEVELS).sort("site_id", "day")


def decided(found: pl.DataFrame, shared_days: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """DECIDED of `found` (PAIRS), by days up to each one's own alone.

    `shared_days`: SHARED_DAYS of these sites, earlier ones too; `levels`: LEVELS of their days, of values that count.
    """
    shared: dict[tuple[str, str], list[date]] = {}
    for site_id, other_id, day in shared_days.unique().sort("day").iter_rows():
        shared.setdefault((min(site_id, other_id), max(site_id, other_id)), []).append(day)
    held = {str(site_id): own for (site_id,), own in levels.partition_by("site_id", as_dict=True).items()}
    fates: dict[tuple[str, str, date], str] = {}
    for site_id, other_id, day in found.select("site_id", "other_id", "day").unique().iter_rows():
        both = (min(site_id, other_id), max(site_id, other_id))
        days = _streak(shared.get(both, []), day)
        mine, theirs = (held.get(one, LEVELS.to_frame()) for one in (site_id, other_id))
        fates[site_id, other_id, day] = _fate(mine, theirs, days)
    fate = [fates[row] for row in found.select("site_id", "other_id", "day").iter_rows()]
    return found.with_columns(pl.Series("fate", fate, dtype=pl.String)).select(DECIDED.names()).cast(DECIDED)


def _streak(days: list[date], day: date) -> list[date]:
    """Those of the days, in order, that lead up to `day` without a long gap."""
    led: list[date] = [day]
    for one in reversed([one for one in days if one < day]):
        if (led[-1] - one).days > STREAK_GAP_DAYS:
            break
        led.append(one)
    return sorted(set(led))


def _fate(mine: pl.DataFrame, theirs: pl.DataFrame, days: list[date]) -> str:
    """What the readings of `days`, the same at both sites, are to the first of them."""
    now = _same(mine, theirs, days[:FIRST_DAYS])
    past = pl.col("day").is_between(days[0] - timedelta(days=PAST_DAYS), days[0] - timedelta(days=1))
    of_each = [list(_distances(one.filter(past), now)) for one in (mine, theirs)]
    mine_fits, theirs_fits = (bool(one) and max(one) <= FITS_SIGMA for one in of_each)
    mine_breaks, theirs_breaks = (bool(one) and max(one) >= BREAKS_SIGMA for one in of_each)
    if theirs_fits and mine_breaks:
        return COPY
    return ORIGINAL if mine_fits and theirs_breaks else UNDECIDED


def _same(mine: pl.DataFrame, theirs: pl.DataFrame, days: list[date]) -> dict[str, np.ndarray]:
    """Level -> values on days on which no level of the two sites differs; once flagged, one of them has none."""
    both = (
        pl.DataFrame({"day": days}, schema={"day": pl.Date})
        .join(mine.drop("site_id"), on="day", how="left", maintain_order="left")
        .join(theirs.drop("site_id"), on="day", how="left", suffix="_theirs", maintain_order="left")
    )
    differs = [
        ((pl.col(name) - pl.col(f"{name}_theirs")).abs() > SAME_RATIO * pl.col(name)).fill_null(False)
        for name in FLOORS
    ]
    alike = both.filter(~pl.any_horizontal(differs))
    return {name: alike.select(pl.coalesce(name, f"{name}_theirs")).to_series().drop_nulls().to_numpy()
            for name in FLOORS}  # fmt: skip


def _distances(past: pl.DataFrame, now: dict[str, np.ndarray]) -> Iterator[float]:
    """By how many sigma each level `now` lies from a site's own past; of generation, how far beyond its highest."""
    for name, floor in FLOORS.items():
        before, values = past[name].drop_nulls().to_numpy(), now[name]
        if len(before) < MIN_PAST_DAYS or not len(values):
            continue
        if name in BY_LOGARITHM:
            before, values = np.log(before), np.log(values)
        if name == "pv_top_w":  # a dull week lowers it at every roof
            yield max(0.0, float(values.max() - before.max())) / floor
        else:
            yield float(abs(median(values) - median(before)) / max(float(robust_sigma(before)), floor))


def shared_values(device_readings: pl.DataFrame, others: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of readings of the days of `found` (DECIDED) that are those of another site.

    `others`: the other sites' readings of these days. A copy is not good; what cannot be decided is to be known.
    """
    told = found.filter(pl.col("fate") != ORIGINAL).sort(*OWN, "day")
    mine = of_devices(device_readings, told)
    theirs = of_devices(others, told.select(site_id="other_id", device_id="other_device_id"))
    values = [FLAGGED_VALUES.to_frame()]
    for one in told.iter_rows(named=True):
        is_day = pl.col("day") == one["day"]
        rows = mine[one["site_id"], one["device_id"]].filter(is_day)
        their_rows = theirs[one["other_id"], one["other_device_id"]].filter(is_day)
        origin = origins(rows, their_rows, _telling, is_own=False)
        reason = f"the readings of {one['day']} are those of site {one['other_id']}, value for value"
        flag = "duplicated" if one["fate"] == COPY else "shared"
        marked = rows.with_columns(is_shared=pl.Series(origin >= 0))
        values.append(of_rows(marked, CHANNELS, pl.col("is_shared"), flag=flag, rule=RULE, reason=pl.lit(reason)))
    return pl.concat(values)


def _telling(rows: pl.DataFrame) -> dict[str, np.ndarray]:
    """The jumps that two sites under one sky do not share by chance."""
    return {name: one for name, one in jumps(rows).items() if name not in SUN_DRIVEN or _is_fine(rows, name)}


def _is_fine(rows: pl.DataFrame, name: str) -> bool:
    resolution, top = step_of(rows, name), rows[name].max()
    return resolution is not None and isinstance(top, float) and top >= FINE_STEPS * resolution
