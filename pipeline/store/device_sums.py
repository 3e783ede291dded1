"""A site of several devices: their sum where all of them have reported, and what arrived of the others."""

from typing import NamedTuple

import polars as pl

from detectors.frames import BESIDE, POWER_CHANNELS
from pipeline.store.connection import Store
from pipeline.store.readings import COUNTED_COLUMNS, QUANTITIES

MEANS = ("soc_pct", "voltage_l1_v", "voltage_l2_v", "voltage_l3_v", "frequency_hz", "irradiance_w_m2",
         "module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")  # fmt: skip
POWER_OF = {
    "pv": "pv_w",
    "load": "load_w",
    "import": "grid_w",
    "feed_in": "grid_w",
    "charge": "battery_w",
    "discharge": "battery_w",
}
PARTIAL_SHARE = 0.05  # ours: what single lost rows of a device leave out is told by the coverage


NO_SHARES = pl.DataFrame(schema={"site_id": pl.String, **dict.fromkeys(QUANTITIES, pl.Int64)})


class Shares(NamedTuple):
    """What of a site's devices must have reported before their sum is the site's."""

    devices: dict[str, int]  # site -> number of its devices, sites of devices.csv only
    of_channel: pl.DataFrame  # site_id and, for each quantity, the number of its devices that ever reported it


def shares(store: Store) -> Shares:
    """How many of each site's registered devices there are, and how many of them report each quantity."""
    devices = dict(store.con.execute("SELECT site_id, count(*) FROM device GROUP BY site_id").fetchall())
    if not devices:
        return Shares({}, NO_SHARES)
    reporting = store.frame("SELECT c.* FROM device_channel AS c SEMI JOIN device USING (site_id, device_id)")
    powers = {**{name: name for name in QUANTITIES}, **{f"{name}_kwh_total": power for name, power in POWER_OF.items()}}
    # A counter gives power too, so whoever reports one of the two has a share in the power.
    shared = pl.concat([reporting, reporting.with_columns(pl.col("channel").replace(powers))]).unique()
    counts = shared.group_by("site_id").agg(
        (pl.col("channel") == name).sum().cast(pl.Int64).alias(name) for name in QUANTITIES
    )
    return Shares(devices, counts)


def to_sites(devices: pl.DataFrame, shares: Shares) -> pl.DataFrame:
    """One row per site and instant: the sum of a site's devices where all of them have reported.

    Powers and counters are summed, levels, voltages and temperatures are plain means. A quantity is null where one of
    the devices that report it has not: a part is not the whole.
    """
    devices = devices.drop(BESIDE, strict=False)
    if not shares.devices:
        return devices.drop("device_id")
    is_part = pl.col("site_id").is_in(list(shares.devices)) & (pl.col("device_id") != "")
    single, several = devices.filter(~is_part), devices.filter(is_part)
    if several.is_empty():
        return single.drop("device_id")
    counted = [name for name in (*QUANTITIES, *COUNTED_COLUMNS) if name not in MEANS]
    known = (
        several.group_by("site_id", "ts_utc")
        .agg(
            pl.col("ts_local").first(),
            pl.col("interval_s").max(),
            pl.col("is_instant").first(),
            *(pl.col(name).sum() for name in counted),
            *(pl.col(name).count().alias(f"{name}_known") for name in counted),
            *(pl.col(name).mean() for name in MEANS),
            pl.col("counted_s").max(),
            pl.col("export_id").max(),
            pl.col("ts_export").sort_by("device_id").first(),
            pl.col("clock_shift_min").first(),
            *(pl.col(name).any() for name in ("is_spoiled",) if name in several.columns),
            reported=pl.len(),
        )
        .filter(pl.col("reported") >= pl.col("site_id").replace_strict(shares.devices, return_dtype=pl.Int64))
        .join(shares.of_channel, on="site_id", how="left", suffix="_wanted")
    )
    together = known.with_columns(
        pl.when(
            (pl.col(f"{name}_known") > 0)
            & (pl.col(f"{name}_known") >= pl.col(f"{_share_of(name)}_wanted").fill_null(1))
        ).then(pl.col(name)).alias(name)
        for name in counted
    )  # fmt: skip
    # Rows from before the site's inverters were registered one by one stand where their sum is not known.
    alone = single.drop("device_id").join(together, on=["site_id", "ts_utc"], how="anti")
    return pl.concat([alone, together.select(alone.columns)]).sort("site_id", "ts_utc")


def _share_of(name: str) -> str:
    """The quantity whose devices must all be known before `name` can be summed."""
    counter = name.removesuffix("_counted_kwh")
    return POWER_OF.get(counter, name)


def partial_days(devices: pl.DataFrame, shares: Shares) -> pl.DataFrame:
    """[site_id, day] on which some devices delivered and others did not: the site's sum leaves something out.

    Not told by hours: an inverter that sleeps by night leaves nothing out. What the devices that did report moved
    while others were missing counts, against all that they moved on the day.
    """
    if not shares.devices:
        return pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    rows = devices.with_columns(day=pl.col("ts_local").dt.date())
    rows = rows.filter(pl.col("site_id").is_in(list(shares.devices)))
    several, alone = rows.filter(pl.col("device_id") != ""), rows.filter(pl.col("device_id") == "")
    several = several.join(alone, on=["site_id", "day"], how="anti")  # registered one by one in the middle of the day
    if several.is_empty():
        return several.select("site_id", "day")
    instants = (
        several.group_by("site_id", "ts_utc", "day")
        .agg(
            *(pl.col(name).sum().abs() for name in POWER_CHANNELS),
            *(pl.col(name).count().alias(f"{name}_known") for name in POWER_CHANNELS),
            reported=pl.len(),
        )
        .join(shares.of_channel, on="site_id", how="left", suffix="_wanted")
    )
    is_missed = {name: pl.col(f"{name}_known") < pl.col(f"{name}_wanted").fill_null(1) for name in POWER_CHANNELS}
    missed = [pl.col(name).filter(where).sum() / pl.col(name).sum() for name, where in is_missed.items()]
    is_whole = pl.col("reported") >= pl.col("site_id").replace_strict(shares.devices, return_dtype=pl.Int64)
    return (
        instants.with_columns(is_whole=is_whole)
        .group_by("site_id", "day")
        .agg(missed_share=pl.max_horizontal(share.fill_nan(0.0) for share in missed), is_whole=pl.col("is_whole").any())
        .filter((pl.col("missed_share") > PARTIAL_SHARE) | ~pl.col("is_whole"))
        .select("site_id", "day")
    )
