"""Invented homes with batteries, minute by minute, to measure the battery detectors: faults and what looks like them.

Generation serves the load, then the battery, then the grid up to its limit. The battery has losses, a standby, a
greatest power, a power below which it does not start, a reserve and a level at which it resumes. All homes advance
together, a minute at a time; then the minutes are averaged to the interval of the export. All follows from the seed.
"""

from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import READINGS, SITES
from tests.support import build

Array = NDArray[np.float64]
FIRST = date(2025, 1, 6)
MINUTES = 1440
FAULTS = (
    "floor left high", "gives nothing", "reserve too low", "grid charging", "reading frozen", "charge blocked",
    "charge blocked, no export",
)  # fmt: skip
KIND_OF = {
    "floor left high": "battery-not-discharging",
    "gives nothing": "battery-not-discharging",
    "reserve too low": "battery-below-reserve",
    "grid charging": "battery-grid-charging",
    "reading frozen": "battery-reading-frozen",
    "charge blocked": "battery-at-floor",
    "charge blocked, no export": "battery-at-floor",
}
LIKE = (
    "plain", "holiday", "tiny load", "weak battery", "no export", "car not fed", "outage", "outage unseen", "top-up",
    "lagging battery", "sinking", "jumping charge", "coarse charge", "tariff schedule", "peak shaving",
    "dark fortnight", "no battery power", "gaps", "unmetered roof",
)  # fmt: skip


class Homes(NamedTuple):
    readings: pl.DataFrame
    sites: pl.DataFrame
    truth: pl.DataFrame  # site_id, what, kind, from_day (null = sound)


class _Plan(NamedTuple):
    """A value per home."""

    what: NDArray[np.str_]
    fault_from: NDArray[np.int64]  # index of the first faulty day; beyond the span = none
    kwp: Array
    kwh: Array
    power_w: Array
    reserve: Array
    resume: Array
    set_floor: Array  # what the battery keeps once the fault is there
    efficiency: Array  # one way
    limit_w: Array
    buffer_w: Array
    start_w: Array


def homes(seed: int, what: list[str], *, day_count: int, interval_min: int, sun: float = 1.0) -> Homes:
    """One home per entry of `what` (FAULTS or LIKE); `sun` scales the days' length and height: 0.5 winter, 1 spring."""
    rng = np.random.default_rng(seed)
    plan = _plan(rng, what, day_count)
    pv_possible = _sun(rng, plan, day_count, sun)
    load = _load(rng, plan, day_count)
    outage = _outages(rng, plan, day_count)
    minutes = _run(rng, plan, pv_possible, load, outage, day_count)
    return _export(rng, plan, minutes, outage, day_count, interval_min, f"h{seed}")


def _plan(rng: np.random.Generator, what: list[str], day_count: int) -> _Plan:
    names = np.array(what)
    n = len(names)
    faulty = np.isin(names, FAULTS)
    start = np.where(rng.random(n) < 0.3, 0, rng.integers(day_count // 3, day_count // 2, n))
    kwh = rng.choice([5.0, 7.7, 10.2, 13.5, 20.0], n)
    reserve = rng.choice([10.0, 20.0, 35.0], n)
    reserve = np.where(names == "reserve too low", 35.0, reserve)
    floor = np.where(names == "floor left high", reserve + rng.choice([20.0, 40.0, 45.0, 60.0], n), reserve)
    floor = np.where(names == "gives nothing", 101.0, floor)
    floor = np.where(names == "reserve too low", rng.choice([10.0, 15.0, 25.0], n), np.minimum(floor, 101.0))
    return _Plan(
        names,
        np.where(faulty, start, 10**6),
        rng.uniform(4, 11, n),
        kwh,
        1000 * kwh * np.where(names == "weak battery", 0.08, rng.uniform(0.3, 0.6, n)),
        reserve,
        reserve + 15,
        floor,
        rng.uniform(0.955, 0.98, n),
        np.where(np.char.endswith(names, "no export"), 0.0, rng.choice([1e9, 1e9, 4000.0], n)),
        np.where(np.char.endswith(names, "no export"), rng.choice([20.0, 20.0, 100.0, 200.0], n), 0.0),
        rng.uniform(40, 120, n),
    )


def _wander(rng: np.random.Generator, length: int, n: int, memory: float) -> Array:
    out = rng.normal(size=(length, n))
    for k in range(1, length):
        out[k] = memory * out[k - 1] + np.sqrt(1 - memory**2) * out[k]
    return out


def _sun(rng: np.random.Generator, plan: _Plan, day_count: int, sun: float) -> Array:
    """W possible, [minutes, homes]."""
    n, half = len(plan.kwp), 60 * (3.6 + 2.6 * sun)
    minute = np.arange(MINUTES)
    bell = np.clip(np.cos((minute - 735) / half * np.pi / 2), 0, 1) * (np.abs(minute - 735) < half)
    mood = rng.choice([0.12, 0.35, 0.7, 1.0], (day_count, n), p=[0.25, 0.25, 0.25, 0.25])
    mood[:, plan.what == "dark fortnight"] *= 0.15
    every = 10
    clouds = np.repeat(_wander(rng, day_count * MINUTES // every, n, 0.8), every, axis=0)
    sky = np.clip(
        np.repeat(mood, MINUTES, axis=0) * (1 + 0.45 * clouds * np.repeat(1.05 - mood, MINUTES, axis=0)), 0.03, 1
    )
    return 900 * sun**0.5 * plan.kwp * np.tile(bell**1.2, day_count)[:, None] * sky


def _load(rng: np.random.Generator, plan: _Plan, day_count: int) -> Array:
    n, length = len(plan.kwp), day_count * MINUTES
    load = rng.uniform(110, 320, n)[None, :] * (1 + 0.08 * _wander(rng, length, n, 0.9))
    cycle = rng.integers(35, 60, n)
    load += 90 * ((np.arange(length)[:, None] + rng.integers(0, 60, n)) % cycle < cycle * 0.35)
    for home in range(n):
        if plan.what[home] in ("tiny load",):
            continue
        for day in range(day_count):
            away = plan.what[home] == "holiday" and day_count // 4 < day < day_count * 3 // 4
            for hour in () if away else rng.choice([7, 8, 12, 13, 18, 18, 19, 19, 20, 21, 22], rng.integers(4, 9)):
                at = day * MINUTES + hour * 60 + rng.integers(0, 60)
                load[at : at + int(rng.exponential(35)) + 3, home] += rng.choice([300, 800, 1500, 2200, 3200])
            if plan.what[home] == "car not fed" and rng.random() < 0.7:
                at = day * MINUTES + 23 * 60 + rng.integers(-60, 30)
                load[at : at + rng.integers(60, 240), home] += 7200.0
    tiny = plan.what == "tiny load"
    load[:, tiny] = np.clip(load[:, tiny] * 0.35, 25, 140)
    return np.maximum(load, 25)


def _outages(rng: np.random.Generator, plan: _Plan, day_count: int) -> NDArray[np.bool_]:
    out = np.zeros((day_count * MINUTES, len(plan.kwp)), dtype=bool)
    for home in np.flatnonzero(np.char.startswith(plan.what.astype(str), "outage")):
        for day in range(1, day_count, 4):
            at = day * MINUTES + rng.integers(17 * 60, 22 * 60)
            out[at : at + rng.integers(20, 600), home] = True
    return out


def _run(
    rng: np.random.Generator, plan: _Plan, possible: Array, load: Array, outage: NDArray[np.bool_], day_count: int
) -> dict[str, Array]:
    n, length = len(plan.kwp), day_count * MINUTES
    names = plan.what
    soc = rng.uniform(40, 80, n)
    waits, aim = np.zeros(n, dtype=bool), np.zeros(n)
    out = {name: np.zeros((length, n)) for name in ("pv_w", "battery_w", "grid_w", "soc_pct")}
    charge_at = rng.integers(60, 180, n)
    to_soc = rng.choice([70.0, 85.0, 100.0], n)
    topping = np.zeros(n, dtype=bool)
    tariff, car, peak = names == "tariff schedule", names == "car not fed", names == "peak shaving"
    for k in range(length):
        day, minute = divmod(k, MINUTES)
        bad = day >= plan.fault_from
        dark = outage[k]
        floor = np.where(bad, plan.set_floor, plan.reserve)
        floor = np.where(peak, 60.0, floor)
        resume = np.where(bad & (plan.set_floor > plan.reserve), floor, floor + plan.resume - plan.reserve)
        waits = (waits | (soc <= floor)) & (soc < np.minimum(resume, 101))
        p, use = possible[k], load[k]
        need = use - p - plan.buffer_w + rng.normal(0, 12, n)
        aim = np.where(np.abs(need) > plan.start_w, need, 0.0)
        hold = (tariff & ((minute < 360) | (minute >= 1320))) | (car & (use > 6500)) | (peak & (use - p < 4000) & waits)
        give = np.where(waits | hold, 0.0, np.clip(aim, 0, plan.power_w))
        give = np.where(dark & (soc > 10), np.clip(use - p, 0, plan.power_w), give)
        take = np.clip(-aim, 0, plan.power_w) * np.clip((100 - soc) / 4, 0, 1)
        take = np.where(bad & np.char.startswith(names, "charge blocked"), 0.0, take)
        at_night = (minute >= charge_at) & (minute < charge_at + 200) & ~dark
        grid_charge = ((names == "grid charging") & bad) | tariff
        taper = np.clip((to_soc - soc) / 4, 0, 1)
        forced = np.where(grid_charge & at_night, 250 * plan.kwh * np.where(taper > 0.05, taper, 0.0), 0.0)
        topping = (names == "top-up") & ~dark & ((soc < plan.reserve - 3) | (topping & (soc < plan.reserve + 1)))
        forced = np.maximum(forced, np.where(topping, 500.0, 0.0))
        b = np.where(forced > 0, -forced, give - take)
        sink = np.isin(names, ("sinking", "top-up", "dark fortnight"))
        standby = np.where(sink, 35.0, 12.0)
        inside = np.where(b < 0, b * plan.efficiency, b / plan.efficiency) + standby
        soc = np.clip(soc - inside / 60 / (plan.kwh * 1000) * 100, 0, 100)
        g = use - p - b
        over = np.clip(-g - plan.limit_w + plan.buffer_w, 0, None) * (p > 0)
        p = np.where(dark, np.minimum(p, np.maximum(use - b, 0)), np.maximum(p - over, 0))
        g = np.where(dark, 0.0, use - p - b)
        for name, value in zip(out, (p, b + np.where(sink, standby, 0) * (b == 0), g, soc), strict=True):
            out[name][k] = value
    out["load_w"] = load
    return out


def _export(
    rng: np.random.Generator, plan: _Plan, minutes: dict[str, Array], outage: NDArray[np.bool_], day_count: int,
    interval_min: int, prefix: str,
) -> Homes:  # fmt: skip
    n, rows = len(plan.kwp), day_count * MINUTES // interval_min
    mean = {k: v.reshape(rows, interval_min, n).mean(axis=1) for k, v in minutes.items()}
    out = outage.reshape(rows, interval_min, n).mean(axis=1)
    frames, sites, truth = [], [], []
    start = datetime(FIRST.year, FIRST.month, FIRST.day, 23, tzinfo=UTC) - timedelta(days=1)  # local midnight, UTC+1
    stamps = [start + timedelta(minutes=interval_min * k) for k in range(rows)]
    for home in range(n):
        what, name = str(plan.what[home]), f"{prefix}-{home:03d}"
        values: dict[str, Any] = {k: v[:, home].copy() for k, v in mean.items()}
        values["grid_w"] += rng.normal(0, 6, rows) * (out[:, home] < 1)
        end = minutes["soc_pct"].reshape(rows, interval_min, n)[:, -1, home]
        shown = [end, values["soc_pct"], np.roll(end, 1)][rng.integers(3)]
        if what == "jumping charge":
            shown = np.clip(shown + np.where(np.arange(rows) % (rows // 3) == 7, -20.0, 0.0), 0, 100)
        step = 5.0 if what == "coarse charge" else rng.choice([0.1, 1.0])
        values["soc_pct"] = np.round(shown / step) * step
        first_bad = min(int(plan.fault_from[home]) * MINUTES // interval_min, rows)
        if what == "reading frozen":
            values["soc_pct"][first_bad:] = values["soc_pct"][min(first_bad, rows - 1)]
        if what == "lagging battery":
            values["battery_w"] = np.roll(values["battery_w"], 1)
        if what == "unmetered roof":
            values["pv_w"] = values["pv_w"] * 0.5
        if what != "outage unseen" and home % 3:
            values["voltage_l1_v"] = (1 - out[:, home]) * (230 + rng.normal(0, 1.5, rows))
        columns: dict[str, Any] = {k: [float(x) for x in v] for k, v in values.items()}
        if what == "no battery power":
            columns["battery_w"] = [None] * rows
        frame = pl.DataFrame({"ts_utc": stamps, **columns}, schema_overrides={"ts_utc": READINGS["ts_utc"]})
        if what == "gaps":
            frame = frame.filter(pl.Series(rng.random(rows) > 0.1) & (pl.int_range(pl.len()) // (rows // 20) % 5 != 2))
        frames.append(frame.with_columns(site_id=pl.lit(name)))
        sites.append(_register(plan, home, name))
        kind = KIND_OF.get(what)
        from_day = FIRST + timedelta(days=int(plan.fault_from[home])) if kind else None
        truth.append({"site_id": name, "what": what, "kind": kind, "from_day": from_day})
    readings = pl.concat(frames, how="diagonal").with_columns(
        ts_local=pl.col("ts_utc").dt.convert_time_zone("Europe/Berlin").dt.replace_time_zone(None),
        interval_s=pl.lit(interval_min * 60, pl.Int32),
        is_instant=pl.lit(False),
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in READINGS.items() if name not in readings.columns]
    return Homes(
        readings.with_columns(missing).select(READINGS.names()),
        build.sites(*sites).cast(SITES),
        pl.DataFrame(truth, schema_overrides={"from_day": pl.Date}),
    )


def _register(plan: _Plan, home: int, name: str) -> dict[str, Any]:
    what = str(plan.what[home])
    return {
        "site_id": name,
        "installed_kwp": float(plan.kwp[home]),
        "inverter_kw": float(max(plan.kwp[home], plan.power_w[home] / 1000)),
        "battery_kwh": float(plan.kwh[home]),
        "battery_reserve_pct": float(plan.reserve[home]),
        "battery_resume_pct": float(plan.resume[home]),
        "grid_charging": what == "tariff schedule",
        "feed_in_limit_kw": None if plan.limit_w[home] > 1e8 else float(plan.limit_w[home] / 1000),
        "feed_in_buffer_w": max(float(plan.buffer_w[home]), 20.0) if home % 2 else 20.0,
        "import_limit_kw": 4.0 if what == "peak shaving" else None,
    }
