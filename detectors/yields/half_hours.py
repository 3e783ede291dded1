"""What is kept of a site's day to learn its roof from: its power and its neighbours' sky, by half hours."""

from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.stats.robust import Array
from detectors.yields import own_past, roofs
from detectors.yields.own_past import HALF_HOURS, Past

MAX_INPUTS = 4
_INPUTS: dict[str, Any] = {f"input{n}_w": pl.List(pl.Int32) for n in range(1, MAX_INPUTS + 1)}
HALF_HOURLY = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "ambient_c": pl.Float64,  # of the day's daylight, measured nearby or usual
        "slot": pl.List(pl.Int32),  # half hours of the UTC day with usable power, 0 to 47; the other lists go with it
        "power_w": pl.List(pl.Int32),  # mean over the usable part
        "clearness": pl.List(pl.Int32),  # the neighbours' median, in thousandths; null = no neighbours
        "used_pct": pl.List(pl.Int32),  # of the half hour
        **_INPUTS,  # null where not measured
    }
)


def of_quarters(values: Array, weight: Array) -> Array:
    """Weighted means by half hour, [rows, 48], of quarter hours, [rows, 96]; NaN where no weight is."""
    known = np.where(np.isfinite(values), weight, 0.0).reshape(len(values), HALF_HOURS, 2)
    total = known.sum(axis=2)
    summed = (np.nan_to_num(values).reshape(len(values), HALF_HOURS, 2) * known).sum(axis=2)
    return np.where(total > 0, summed / np.maximum(total, 1e-9), np.nan)


def keep(
    sites: pl.DataFrame, power_w: Array, clearness: Array, share: Array, inputs_w: Array, ambient_c: Array
) -> pl.DataFrame:
    """HALF_HOURLY without its key, one row per site, of quarter hours; `sites` has the key's columns.

    All are [sites, quarters], `inputs_w` [inputs, sites, quarters], `ambient_c` [sites].
    """
    used = share.reshape(len(share), HALF_HOURS, 2).mean(axis=2)
    row, slot = np.nonzero(used > 0)
    columns = {
        "slot": slot,
        "power_w": of_quarters(power_w, share)[row, slot],
        "clearness": of_quarters(clearness, share)[row, slot] * 1000,
        "used_pct": used[row, slot] * 100,
    }
    flat = pl.DataFrame({"row": row, **columns}).fill_nan(None)
    measured = np.asarray(np.isfinite(inputs_w).any(axis=2))  # [inputs, sites]
    is_used = np.asarray(share > 0, dtype=float)
    whole = [of_quarters(one, is_used)[row, slot] for one in inputs_w]
    flat = flat.with_columns(
        pl.Series(f"input{n}_w", np.where(measured[n - 1, row], one, np.nan)).fill_nan(None)
        for n, one in enumerate(whole, start=1)
    )
    lists = flat.group_by("row", maintain_order=True).agg(
        pl.col(name).round().cast(pl.Int32) for name in flat.columns if name != "row"
    )
    days = (
        sites.select("site_id", "day")
        .with_row_index("row")
        .with_columns(ambient_c=pl.Series(ambient_c).fill_nan(None))
        .join(lists, on="row", how="inner", maintain_order="left")
    )
    days = days.with_columns(
        pl.when(pl.col(f"input{n}_w").list.drop_nulls().list.len() > 0).then(f"input{n}_w")
        for n in range(1, MAX_INPUTS + 1)
        if f"input{n}_w" in days.columns
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in HALF_HOURLY.items() if name not in days.columns]
    return days.with_columns(missing).select(HALF_HOURLY.names()).cast(HALF_HOURLY)


class Days(NamedTuple):
    """Days of some sites laid side by side; arrays are [rows, places], the first three [rows]."""

    site: NDArray[np.intp]
    day: NDArray[np.intp]  # days since 1970
    ambient_c: Array
    slot: NDArray[np.intp]  # -1 where empty
    power_w: Array  # NaN where empty
    clearness: Array
    share: Array  # 0 where empty
    inputs_w: Array  # [inputs, rows, places]
    elevation_deg: Array
    sky: Any  # Sky


def lay(half_hourly: pl.DataFrame, sites: pl.DataFrame) -> Days:
    """`half_hourly` (HALF_HOURLY) of `sites` (SITES, whose order gives the places), sorted by site and day."""
    index = sites.select("site_id", "latitude", "longitude").with_row_index("place")
    rows = half_hourly.join(index, on="site_id", how="inner").sort("place", "day")
    lengths = rows["slot"].list.len().cast(pl.Int64).to_numpy()
    shape = (rows.height, max(int(lengths.max(initial=0)), 1))
    row = np.repeat(np.arange(rows.height), lengths)
    at = np.arange(len(row)) - np.repeat(np.cumsum(lengths) - lengths, lengths)

    def laid(name: str, empty: float) -> Array:
        table = np.full(shape, empty)
        known = np.repeat(rows[name].is_not_null().to_numpy(), lengths).astype(bool)
        if known.any():
            table[row[known], at[known]] = rows[name].drop_nulls().explode().cast(pl.Float64).to_numpy()  # null is NaN
        return table

    slot = laid("slot", -1.0).astype(np.intp)
    day = rows["day"].cast(pl.Int32).to_numpy().astype(np.intp)
    latitude, longitude = rows["latitude"].to_numpy(), rows["longitude"].to_numpy()
    halves = roofs.instants(longitude, day.astype(float), HALF_HOURS)
    instants = np.take_along_axis(halves, np.maximum(slot, 0), 1)
    sky = roofs.skies(latitude, longitude, instants)
    inputs = np.stack([laid(f"input{n}_w", np.nan) for n in range(1, MAX_INPUTS + 1)])
    return Days(
        rows["place"].to_numpy().astype(np.intp),
        day,
        rows["ambient_c"].cast(pl.Float64).fill_null(15.0).to_numpy(),
        slot,
        laid("power_w", np.nan),
        laid("clearness", np.nan) / 1000,
        np.nan_to_num(laid("used_pct", 0.0)) / 100,
        inputs,
        np.degrees(np.arcsin(np.clip(sky.up, 0.0, 1.0))),
        sky,
    )


def of_rows(days: Days, chosen: Any) -> Days:
    """The rows of `days` that `chosen`, a slice or a mask of [rows], names."""
    plain = {name: getattr(days, name)[chosen] for name in days._fields if name not in ("inputs_w", "sky")}
    sky = type(days.sky)(*(values[chosen] for values in days.sky))
    return Days(**plain, inputs_w=days.inputs_w[:, chosen], sky=sky)


class Level(NamedTuple):
    """Of each kept day, [rows]; NaN where it has no usable half hour under a known sky."""

    x: Array
    past_sigma: Array


def level(days: Days, answer: Answer, kwp: Array, ceiling_w: Array, past: Past, is_unknown: NDArray[np.bool_]) -> Level:
    """Each kept day's level against its neighbours' median sky, by one roof model; all arguments are by row."""
    expected = plane_response.expected_w(
        answer, np.nan_to_num(days.clearness), days.ambient_c[:, None], kwp[:, None], ceiling_w[:, None]
    )
    prior = own_past.prior_sigma(days.elevation_deg, days.clearness, is_unknown[:, None]) ** 2
    place = np.maximum(own_past.bin_of(np.maximum(days.slot, 0), days.clearness), 0)
    correction = own_past.shrink(
        np.take_along_axis(past.offset, place, 1), np.take_along_axis(past.noise, place, 1), prior
    )
    share = np.where(np.isfinite(days.clearness) & np.isfinite(days.power_w), days.share, 0.0)
    weight = share * correction.weight
    due = (expected * np.exp(correction.log_usual) * weight).sum(axis=1)
    made = (np.nan_to_num(days.power_w) * weight).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log(np.maximum(made, 0.02 * due) / due)
    return Level(np.where(due > 0, x, np.nan), own_past.day_sigma(correction, expected, share))
