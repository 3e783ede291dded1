"""The fleet's quarter hours of one day side by side, with what each roof answers to the sky."""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar import plane_response, pv_model
from detectors.solar.plane_response import Answer
from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array, median
from detectors.stats.rows import last_rows
from detectors.yields import own_past, roof_model, roofs, turned_planes
from detectors.yields.half_hours import MAX_INPUTS
from detectors.yields.neighbours import nearest
from detectors.yields.own_past import Past
from detectors.yields.pyranometer import Day, Roofs, sensed_clearness
from detectors.yields.quarter_hours import QUARTER_S, QUARTERS, table
from detectors.yields.roof_model import EPOCH, key_of
from detectors.yields.roofs import Planes

WITHIN_KM = 50.0  # ours: day sums of irradiance still correlate above 0.9 in most climates
MAX_NEIGHBOURS = 10  # ours: beyond ten the far ones add little
MAX_SENSORS = 2  # ours: its own, and one nearby
SENSOR_NEIGHBOURS = 3  # ours: a sensor's plane is in no register; beside so many sites one that lies flat is outvoted
CEILING_SHARE = 0.9  # ours: of a battery's highest charging; harder charging may be its limit
ROOM_PCT = 50.0  # ours: of a quarter hour
ZERO_RATIO = 0.01  # ours: of the peak capacity; an inverter that tries to start makes a little
NEAR_QUARTERS = 1  # ours: after a disconnection inverters wait a minute or more and climb by 10 % a minute
CLOUD_QUARTERS = 6  # ours: so long may a cloud take the sun from a street
MOSTLY = 0.9  # ours: of a quarter hour's readings; percentages are whole


class Fleet(NamedTuple):
    """One day of all sites, sorted by id; [sites, quarters] unless said."""

    day: date
    sites: pl.DataFrame
    planes: Planes
    models: pl.DataFrame  # ROOF_MODEL, one row per site, null where nothing is learned yet
    roofs: Roofs
    sky: Sky
    light: Day
    elevation_deg: Array
    half_hour: NDArray[np.intp]  # [quarters]
    past: Past  # [sites, bins]
    shares: Array  # [sites, 7]
    reported_w: Array  # PV of all valid intervals
    is_voltage_high: NDArray[np.bool_]  # high voltage may have lowered the power, then or in the quarter hour beside
    is_held: NDArray[np.bool_]  # a site without a limit kept its grid at nothing
    inputs_w: Array  # [inputs, sites, quarters]
    sensed: Array  # clearness by irradiance sensors, [sensors, quarters]
    near: NDArray[np.intp]  # [sites, neighbours]: places of sites, -1 where empty
    references: NDArray[np.intp]  # [sites, neighbours + sensors]: places of sites, then of sensors; -1 where empty
    keys: NDArray[np.int64]  # [sites, neighbours + sensors], 0 where empty
    pair_sigma: Array  # the same
    ambient_c: Array  # [sites]
    is_warmth_measured: NDArray[np.bool_]  # [sites]
    interval_s: Array  # [sites]
    is_heard: NDArray[np.bool_]  # [sites]: has readings of generation
    usable: pl.DataFrame  # the intervals' own figures, in the sites' order


def newest(rows: pl.DataFrame, site_ids: pl.Series) -> pl.DataFrame:
    """The last row of each site, in the order of `site_ids`; null where a site has none."""
    return pl.DataFrame({"site_id": site_ids}).join(last_rows(rows), on="site_id", how="left", maintain_order="left")


def column(frame: pl.DataFrame, name: str, empty: float = np.nan) -> Array:
    """A numeric column; `empty` where it is null."""
    values = frame[name].cast(pl.Float64)
    if values.has_nulls() and not np.isnan(empty):
        values = values.fill_null(empty)
    return np.asarray(values.to_numpy())  # null is NaN


def clear_w(fleet: Fleet) -> Array:
    """What each roof makes of a clear sky, W, its level aside."""
    kwp, ceiling = fleet.roofs.kwp[:, None], fleet.roofs.ceiling_w[:, None]
    return plane_response.possible_w(fleet.light.answer, np.ones(1), fleet.light.ambient_c, kwp, ceiling)


def is_curtailed(fleet: Fleet) -> NDArray[np.bool_]:
    """Whether a feed-in limit, high voltage or no feed-in leaves a part of the day alone to judge by, [sites]."""
    return np.asarray(fleet.roofs.has_limit | (fleet.is_voltage_high | fleet.is_held).any(axis=1))


def gather(
    intervals: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, models: pl.DataFrame, day: date
) -> Fleet:
    """The fleet of `sites` (SITES) on `day` from INTERVALS of that day and ROOF_MODEL rows of earlier days."""
    sites = sites.sort("site_id")
    ids = sites["site_id"]
    rows = pl.DataFrame({"site_id": ids}).join(intervals, on="site_id", how="left", maintain_order="left")
    model = newest(models, ids)
    known = turned_planes.as_they_lie(roofs.registered(sites, planes), model)
    is_known = known.is_known(sites.height)
    latitude, longitude = sites["latitude"].to_numpy(), sites["longitude"].to_numpy()
    at = roofs.instants(longitude, np.full(sites.height, float((day - EPOCH).days)), QUARTERS)
    sky = roofs.skies(latitude, longitude, at)
    shares = roof_model.past_of(model, "shares", roofs.usual_shares(1).shape[1])
    shares = np.where(np.isfinite(shares), shares, roofs.usual_shares(sites.height))
    answer = roofs.answers(sky, latitude, known, shares)
    interval_s = column(rows, "interval_s", QUARTER_S)
    answer = Answer(*(roofs.over_intervals(one, interval_s, QUARTER_S) for one in answer))
    near = nearest(sites, max_count=MAX_NEIGHBOURS, within_km=WITHIN_KM).place
    ambient, measured = _ambient(table(rows, "ambient_c"), near, latitude, at)
    site_roofs = Roofs(
        sites["installed_kwp"].to_numpy(),
        roof_model.ceiling_w(sites, column(model, "peak_w")),
        column(model, "level", 0.0),
        sites["feed_in_limit_kw"].is_not_null().to_numpy(),
        ~is_known,
    )
    is_up = sky.up > 0
    power, share, is_free, usable, battery, is_at_work = free(
        rows, site_roofs.has_limit, column(model, "charge_limit_w")
    )
    reported = np.where(is_up, table(rows, "pv_w"), np.nan)
    is_high = _is_voltage_high(rows, reported, site_roofs.kwp) & is_up
    is_held = (np.nan_to_num(table(rows, "held_pct")) > 0) & is_up
    is_left_out = _without_gaps(is_high | is_held) & is_up
    light = Day(
        answer,
        np.broadcast_to(ambient[:, None], power.shape),
        np.where(is_up, power, np.nan),
        np.where(is_up & np.isfinite(power) & ~is_left_out, share, 0.0),
        is_free & is_up & ~is_left_out,
        usable,
        battery,
        is_at_work & is_up & ~is_left_out,
    )
    sensors = _sensors(rows, known)
    sensed = sensed_clearness(
        Answer(*(one[sensors] for one in answer)), table(rows, "irradiance_w_m2")[sensors]
    )  # fmt: skip
    references, keys = _references(near, sensors, ids.to_list())
    return Fleet(
        day,
        sites,
        known,
        model,
        site_roofs,
        sky,
        light,
        np.degrees(np.arcsin(np.clip(sky.up, 0.0, 1.0))),
        np.arange(QUARTERS) // 2,
        roof_model.past(model, own_past.BINS),
        shares,
        reported,
        is_high,
        is_held,
        np.stack([np.where(is_left_out, np.nan, table(rows, f"input{n}_w")) for n in range(1, MAX_INPUTS + 1)]),
        sensed,
        near,
        references,
        keys,
        roof_model.pair_sigma(keys, model),
        ambient,
        measured,
        interval_s,
        rows["pv_w"].is_not_null().to_numpy(),
        rows,
    )


def _ambient(measured_c: Array, near: NDArray[np.intp], latitude: Array, at: Array) -> tuple[Array, NDArray[np.bool_]]:
    """The day's air temperature by daylight, [sites]: its own, else its neighbours', else the usual one."""
    own = median(measured_c)
    around = median(np.append(own, np.nan)[near]) if near.size else np.full(len(own), np.nan)
    usual = pv_model.usual_ambient_c(latitude, at.mean(axis=1, keepdims=True))[:, 0]
    measured = np.where(np.isfinite(own), own, around)
    return np.where(np.isfinite(measured), measured, usual), np.isfinite(measured)


def free(
    rows: pl.DataFrame, has_limit: NDArray[np.bool_], charge_limit_w: Array
) -> tuple[Array, Array, NDArray[np.bool_], Array, Array, NDArray[np.bool_]]:
    """Power, its share of the quarter hour, whether all of it was free, what house and grid, and what the battery
    could have taken, and whether that was at work; [sites, quarters].

    A battery's ceiling is the lesser of the highest charging that was learned and what held its roof this day.
    """
    limited = has_limit[:, None]
    charge_limit_w = np.fmin(charge_limit_w, column(rows, "held_charge_w"))
    is_below = is_below_ceiling(rows, charge_limit_w)
    power = np.where(limited, table(rows, "proven_w"), table(rows, "pv_w"))
    share = np.where(limited, np.nan_to_num(table(rows, "proven_pct")) / 100, np.isfinite(power) * 1.0)
    with np.errstate(invalid="ignore"):
        has_room = table(rows, "room_pct") >= ROOM_PCT
    free = np.nan_to_num(table(rows, "free_pct")) / 100
    charging = np.nan_to_num(table(rows, "charging_pct")) / 100
    is_at_work = free + charging >= MOSTLY * share
    free += np.where(is_below, charging, 0.0)
    is_free = (share > 0) & (~limited | (free >= MOSTLY * share))
    usable = np.where(limited, np.nan_to_num(table(rows, "usable_w")), np.inf)
    battery = np.where(limited & has_room, CEILING_SHARE * np.nan_to_num(charge_limit_w)[:, None], 0.0)
    return power, share, is_free, usable, battery, is_at_work


def is_below_ceiling(rows: pl.DataFrame, charge_limit_w: Array) -> NDArray[np.bool_]:
    """Whether the battery charged with less than what is its limit, [sites], for sure, [sites, quarters]."""
    with np.errstate(invalid="ignore"):
        return np.asarray(table(rows, "charge_w") < CEILING_SHARE * charge_limit_w[:, None])


def _is_voltage_high(rows: pl.DataFrame, reported_w: Array, kwp: Array) -> NDArray[np.bool_]:
    """Where high voltage may have lowered the power, [sites, quarters].

    A day that made nothing at all is not curtailed: no street is at its limit from morning to evening for one roof.
    """
    near = np.nan_to_num(table(rows, "high_voltage_pct")) > 0
    is_high = near.copy()
    for shift in range(1, NEAR_QUARTERS + 1):
        is_high[:, shift:] |= near[:, :-shift]
        is_high[:, :-shift] |= near[:, shift:]
    is_made = np.nan_to_num(reported_w).max(axis=1, initial=0.0) >= ZERO_RATIO * 1000 * kwp
    return is_high & is_made[:, None]


def _without_gaps(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """`flags`, [sites, quarters], with what lies between two of them by CLOUD_QUARTERS or less.

    The voltage falls under the roof's own clouds, so the quarter hours between are those in which it made less than its
    neighbours.
    """
    filled = flags.copy()
    for length in range(1, CLOUD_QUARTERS + 1):
        both = flags[:, : -length - 1] & flags[:, length + 1 :]
        for n in range(1, length + 1):
            filled[:, n : n + both.shape[1]] |= both
    return filled


def _sensors(rows: pl.DataFrame, planes: Planes) -> NDArray[np.intp]:
    """Places of the sites with an irradiance sensor that lies in the modules' only plane."""
    several = np.bincount(planes.site, minlength=rows.height) > 1
    return np.flatnonzero(rows["irradiance_w_m2"].is_not_null().to_numpy() & ~several)


def _references(
    near: NDArray[np.intp], sensors: NDArray[np.intp], ids: list[str]
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Whose sky each site is held against, [sites, references], and their keys."""
    count = len(ids)
    number = np.full(count + 1, -1)
    number[sensors] = count + np.arange(len(sensors))
    own_first = np.column_stack([np.arange(count), near])
    found = number[own_first]
    order = np.argsort(found < 0, axis=1, kind="stable")[:, :MAX_SENSORS]
    heard = np.take_along_axis(found, order, 1)
    has_others = (near >= 0).sum(axis=1, keepdims=True) >= SENSOR_NEIGHBOURS
    references = np.column_stack([near, np.where(has_others, heard, -1)])
    keys = np.array([key_of(one) for one in ids] + [key_of(f"{ids[n]} irradiance") for n in sensors] + [0])
    return references, keys[references]
