"""Invented homes on one to three phases, with what can be wrong at the grid and what only looks wrong.

Power balance by the step, all homes at once: generation serves the load, then the battery, then the grid up to its
limit. The sun is Cooper's declination and the hour angle alone, so it differs from the detectors' by up to a quarter
of an hour. Sensors err: gain, scatter, steps. Everything follows from the seed.
"""

from datetime import UTC, date, datetime
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import READINGS
from tests.support import build

Array = NDArray[np.float64]
STEP_MIN = 5
PER_DAY = 1440 // STEP_MIN
FIRST = date(2025, 3, 20)
FAULT_DAY = 8  # from which a fault is there

MEANT = (  # role -> kind that is meant; "" = sound, or only looks wrong
    ("plain", ""), ("turned", "meter-reversed"), ("turned with battery", "meter-reversed"),
    ("one phase turned", "meter-reversed"), ("two phases swapped", "meter-reversed"), ("generator at night", ""),
    ("battery sells at night", ""), ("meter stands still at night", ""), ("coarse meter", ""), ("empty house", ""),
    ("charges at night", ""), ("array not read", ""), ("one-phase inverter", "phase-imbalance"),
    ("same on every phase", "phase-imbalance"), ("evened out", ""), ("three phases, even loads", ""),
    ("shaving lost", "import-limit-exceeded"), ("shaves", ""), ("high street", "voltage-out-of-band"),
    ("low street", "voltage-out-of-band"), ("lively voltage", ""), ("limit lost", "unexpected-export"),
    ("may not feed in", ""), ("may not feed in, battery", ""),
)  # fmt: skip
WITH_BATTERY = [
    "turned with battery", "battery sells at night", "charges at night", "shaving lost", "shaves",
    "may not feed in, battery",
]  # fmt: skip
EVEN = ["evened out", "one phase turned", "two phases swapped"]  # three phases that the inverter evens out
THREE_PHASE = [*EVEN, "one-phase inverter", "same on every phase", "three phases, even loads"]


class Fleet(NamedTuple):
    readings: pl.DataFrame
    sites: pl.DataFrame
    roles: dict[str, str]
    truth: dict[
        str, Array
    ]  # by kind: [homes, days], what the kind's value should be; NaN = this home has no such fault


def fleet(seed: int, *, each: int, day_count: int, out_min: int) -> Fleet:
    """`each` homes of every role over `day_count` days from FIRST, read every `out_min` minutes."""
    rng = np.random.default_rng(seed)
    roles = [role for role, _ in MEANT for _ in range(each)]
    count = len(roles)
    role = np.array(roles)
    kwp = rng.uniform(4, 14, count)
    latitude, longitude = rng.uniform(38, 56, count), rng.uniform(6, 16, count)
    has_battery = np.isin(role, WITH_BATTERY) | ((role == "plain") & (rng.random(count) < 0.5))
    battery_kwh = np.where(has_battery, rng.choice([5.0, 8.0, 12.0], count), 0.0)
    three = np.isin(role, THREE_PHASE)
    limit_kw = np.where(np.isin(role, ["limit lost", "may not feed in", "may not feed in, battery"]), 0.0, np.inf)
    import_kw = np.where(np.isin(role, ["shaving lost", "shaves"]), rng.uniform(1.5, 2.5, count), np.inf)
    steps = day_count * PER_DAY
    pv = _generation(rng, kwp, latitude, longitude, day_count)
    load = _loads(rng, count, steps)
    load[role == "empty house"] *= 0.02
    load[role == "three phases, even loads"] = load[role == "three phases, even loads"].mean(axis=1, keepdims=True)
    bad = np.broadcast_to(np.arange(steps) >= FAULT_DAY * PER_DAY, (count, steps))
    course = _run(rng, role, pv, load.sum(axis=1), battery_kwh, limit_kw, import_kw, bad)
    seen, volts, truth = _sense(rng, role, load, course, bad, three)
    readings = _readings(rng, role, seen, volts, three, battery_kwh, out_min, day_count)
    sites = build.sites(
        *(
            {
                "site_id": f"h{n:03d}", "latitude": latitude[n], "longitude": longitude[n], "timezone": "UTC",
                "installed_kwp": kwp[n], "inverter_kw": kwp[n], "phases": 3 if three[n] else 1,
                "battery_kwh": battery_kwh[n] or None, "feed_in_limit_kw": _or_none(limit_kw[n]),
                "import_limit_kw": _or_none(import_kw[n]),
            }
            for n in range(count)
        )
    )  # fmt: skip
    return Fleet(readings, sites, {f"h{n:03d}": one for n, one in enumerate(roles)}, truth)


def _or_none(limit: float) -> float | None:
    return None if np.isinf(limit) else float(limit)


def _generation(rng: np.random.Generator, kwp: Array, lat: Array, lon: Array, day_count: int) -> Array:
    hours = (np.arange(day_count * PER_DAY) + 0.5) * STEP_MIN / 60
    day_of_year = FIRST.timetuple().tm_yday + hours / 24
    declination = np.radians(23.45) * np.sin(2 * np.pi * (284 + day_of_year) / 365)
    angle = np.radians(15 * ((hours % 24)[None, :] + lon[:, None] / 15 - 12))
    phi = np.radians(lat)[:, None]
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(angle)
    sky = np.repeat(rng.choice([0.1, 0.3, 0.6, 1.0], (len(kwp), day_count)), PER_DAY, axis=1)
    quick = np.repeat(rng.normal(size=(len(kwp), day_count * PER_DAY // 3)), 3, axis=1)
    cloud = np.clip(sky * (1 + 0.5 * (1 - sky) * quick), 0.03, 1.0)
    power: Array = kwp[:, None] * 900 * np.clip(sine, 0, None) ** 1.15 * cloud
    return np.minimum(power, 900 * kwp[:, None])


def _loads(rng: np.random.Generator, count: int, steps: int) -> Array:
    """W on three phases, [homes, 3, steps]: a base, and appliances that come and go on one phase each."""
    load = np.full((count, 3, steps), 1.0) * rng.uniform(25, 120, (count, 3, 1))
    load *= 1 + 0.05 * rng.normal(size=load.shape)
    for home in range(count):
        for start in rng.integers(0, steps, steps * STEP_MIN // 70):
            length = max(1, int(rng.exponential(35) / STEP_MIN))
            load[home, rng.integers(3), start : start + length] += rng.choice([60, 150, 700, 1500, 2200, 3000])
    return np.maximum(load, 5)


def _run(
    rng: np.random.Generator, role: NDArray[Any], pv: Array, load: Array, battery_kwh: Array, limit_kw: Array,
    import_kw: Array, bad: Array,
) -> dict[str, Array]:  # fmt: skip
    """True powers of every home: pv, battery, grid, the generator that nobody reads, state of charge (kWh)."""
    count, steps = load.shape
    hours = STEP_MIN / 60
    out = {name: np.zeros((count, steps)) for name in ("pv", "battery", "grid", "other", "soc")}
    clock = np.arange(steps) % PER_DAY * STEP_MIN / 60
    night = (clock < 5) | (clock > 21)
    other = np.where((role == "generator at night")[:, None] & night & bad, rng.uniform(700, 2000, (count, 1)), 0.0)
    other += np.where((role == "array not read")[:, None], 0.4 * pv, 0.0)
    sells, charges, shaves = (np.isin(role, names) for names in (["battery sells at night"], ["charges at night"],
                                                                ["shaves", "shaving lost"]))  # fmt: skip
    soc = 0.35 * battery_kwh
    floor = 0.35 * battery_kwh
    previous = load[:, 0]
    for n in range(steps):
        surplus = pv[:, n] + other[:, n] - load[:, n]
        room, stored = (battery_kwh - soc) / hours * 1000, np.maximum(soc - floor, 0) / hours * 1000
        want = np.where(surplus > 0, -np.minimum(surplus, room), np.minimum(-surplus, stored))
        over_w = np.maximum(-surplus - import_kw * 1000, 0.0)
        want = np.where(shaves & (surplus < 0), np.where(bad[:, n] & (role == "shaving lost"), 0.0, over_w), want)
        want = np.where(
            shaves & (surplus < 0) & (over_w == 0), -np.minimum(room, import_kw * 500 + surplus).clip(0), want
        )
        if night[n]:
            want = np.where(sells & (clock[n] < 3), np.minimum(stored, 2500), want)
            want = np.where(charges & (clock[n] < 4), -np.minimum(room, 2000), want)
        flow = np.where(shaves, np.clip(want, -5000, 12000), np.clip(want, -5000, 5000))
        soc = np.where(shaves, np.maximum(soc - flow * hours / 1000, 0.6 * battery_kwh), soc - flow * hours / 1000)
        grid = -(surplus + flow)
        lost = (role == "limit lost") & bad[:, n]
        over = np.where(
            np.isinf(limit_kw) | lost, 0.0, np.maximum(-grid - np.where(np.isinf(limit_kw), 0, limit_kw) * 1000, 0)
        )
        fell = np.maximum(previous - load[:, n], 0.0)
        slip = np.minimum(fell, over) * rng.uniform(2, 20, count) / (STEP_MIN * 60)
        # The regulator keeps some import up.
        kept = np.where(over > 0, over - slip + 20, 0.0)
        out["pv"][:, n], out["battery"][:, n] = pv[:, n] - np.minimum(kept, pv[:, n]), flow
        out["grid"][:, n], out["soc"][:, n] = grid + kept, soc
        previous = load[:, n]
    out["other"] = other
    return out


def _sense(
    rng: np.random.Generator, role: NDArray[Any], load: Array, true: dict[str, Array], bad: Array, three: Array
) -> tuple[dict[str, Array], Array, dict[str, Array]]:  # fmt: skip
    """What the sensors show, the phases' voltages, and the truth by kind."""
    count, _, steps = load.shape
    made = true["pv"] + true["battery"] + true["other"]
    # A symmetric inverter gives every phase a third; one on a single phase gives it all; one that
    # evens the phases out leaves them equal, but for what a phase takes beyond a third of the inverter's rating.
    share = np.full((count, 3, 1), 1 / 3)
    share[np.isin(role, ["one-phase inverter"])] = np.array([1.0, 0.0, 0.0])[:, None]
    phases = load - share * made[:, None, :]
    even = np.repeat(phases.mean(axis=1, keepdims=True), 3, axis=1)
    phases = np.where(np.isin(role, EVEN)[:, None, None], even, phases)
    phases = np.where(three[:, None, None], phases, true["grid"][:, None, :] / 3)
    seen_phases = phases * (1 + 0.005 * rng.normal(size=(count, 3, 1))) + rng.normal(0, 5, phases.shape)
    turned = np.isin(role, ["turned", "turned with battery"])[:, None, None] & bad[:, None, :]
    seen_phases = np.where(turned, -seen_phases, seen_phases)
    one = (role == "one phase turned")[:, None] & bad
    seen_phases[:, 1] = np.where(one, -seen_phases[:, 1], seen_phases[:, 1])
    swapped = (role == "two phases swapped")[:, None] & bad
    first, second = seen_phases[:, 0].copy(), seen_phases[:, 1].copy()
    seen_phases[:, 0] = np.where(swapped, -0.5 * second, first)
    seen_phases[:, 1] = np.where(swapped, -0.5 * first, second)
    grid = seen_phases.sum(axis=1)
    grid[role == "coarse meter"] = np.round(grid[role == "coarse meter"] / 100) * 100
    clock = np.arange(steps) % PER_DAY
    for home in np.flatnonzero(role == "meter stands still at night"):
        stuck = bad[home] & ((clock >= 216) | (clock < 60))
        grid[home, stuck] = -1200.0
    volts = 230 + phases / -1000 * rng.uniform(0.5, 1.5, (count, 1, 1)) + rng.normal(0, 1.2, phases.shape)
    rise = {"high street": 30.0, "low street": -32.0, "lively voltage": 12.0}
    # Within the band but for the faults: what a sound street never shows is cut off.
    volts = np.clip(volts, 212, 250)
    for name, by in rise.items():
        volts[role == name] += by * np.clip(np.sin((clock - 72) / 144 * np.pi), 0, None) ** 2
    truth = _truth(role, true, phases, seen_phases, volts, grid)
    seen = {
        "pv_w": true["pv"] + rng.normal(0, 1, made.shape) * (true["pv"] > 0), "grid_w": grid,
        "battery_w": true["battery"],
        "load_w": load.sum(axis=1) * (1 + 0.003 * rng.normal(size=made.shape)), "soc_kwh": true["soc"],
        **{f"grid_l{n + 1}_w": seen_phases[:, n] for n in range(3)},
    }  # fmt: skip
    return seen, volts, truth


def _truth(
    role: NDArray[Any], true: dict[str, Array], phases: Array, seen: Array, volts: Array, grid: Array
) -> dict[str, Array]:
    """What each kind's value should be on each day, NaN at homes without the fault."""
    count, steps = grid.shape
    days = (count, steps // PER_DAY, PER_DAY)

    def kwh(power: Array) -> Array:
        return power.reshape(days).sum(axis=2) * STEP_MIN / 60000

    def of(kind: str, values: Array) -> Array:
        meant = np.array([kind == dict(MEANT)[one] for one in role])
        if kind == "import-limit-exceeded":  # a battery that runs empty does not shave either
            meant |= role == "shaves"
        values = np.where(meant[:, None], values, np.nan)
        if kind in ("meter-reversed", "unexpected-export"):
            values[:, :FAULT_DAY] = np.nan
        if kind == "voltage-out-of-band":
            values[:, :6] = np.nan
        return values

    ten = volts.reshape(count, 3, -1, 2).mean(axis=3)
    outside = ((ten < 207) | (ten > 253)).reshape(count, 3, steps // PER_DAY, -1).mean(axis=3) * 100
    week = np.stack([outside[:, :, max(0, d - 6) : d + 1].mean(axis=2).max(axis=1) for d in range(days[1])], axis=1)
    means = np.maximum(true["grid"].reshape(count, -1, 2).mean(axis=2), 0).reshape(count, days[1], -1).max(axis=2)
    crossed = np.minimum(np.maximum(phases, 0).sum(axis=1), np.maximum(-phases, 0).sum(axis=1))
    dark = (true["pv"] < 1) & (np.abs(true["battery"]) < 1)
    impossible = np.maximum(np.where(dark[:, None], -seen, 0.0), 0).sum(axis=1)
    return {
        "meter-reversed": of("meter-reversed", kwh(impossible)),
        "phase-imbalance": of("phase-imbalance", kwh(crossed)),
        "import-limit-exceeded": of("import-limit-exceeded", means),
        "voltage-out-of-band": of("voltage-out-of-band", week),
        "unexpected-export": of("unexpected-export", kwh(np.maximum(-true["grid"], 0))),
    }


def _readings(
    rng: np.random.Generator, role: NDArray[Any], seen: dict[str, Array], volts: Array, three: Array,
    battery_kwh: Array, out_min: int, day_count: int,
) -> pl.DataFrame:  # fmt: skip
    """READINGS at the wanted interval. A third of the homes reads its load, a third computes it, a third has none."""
    count, has_battery = len(role), battery_kwh > 0
    wide = out_min // STEP_MIN

    def mean(values: Array) -> Array:
        return values.reshape(count, -1, wide).mean(axis=2)

    at = {name: mean(values) for name, values in seen.items()}
    steps = day_count * 1440 // out_min
    start = int(datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC).timestamp())
    stamps = pl.Series(np.tile(np.arange(steps) * out_min * 60 + start, count) * 1_000_000).cast(pl.Datetime("us"))
    how = np.arange(count) % 3
    computed = at["pv_w"] + at["battery_w"] + at["grid_w"]
    load = np.where((how == 0)[:, None], at["load_w"], np.where((how == 1)[:, None], np.maximum(computed, 0), np.nan))
    columns: dict[str, Array] = {"pv_w": at["pv_w"], "grid_w": at["grid_w"], "load_w": load}
    columns["battery_w"] = np.where(has_battery[:, None], at["battery_w"], np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        columns["soc_pct"] = np.where(has_battery[:, None], 100 * at["soc_kwh"] / battery_kwh[:, None], np.nan)
    for n in range(3):
        columns[f"grid_l{n + 1}_w"] = np.where(three[:, None], at[f"grid_l{n + 1}_w"], np.nan)
        is_read = three | (n == 0)
        columns[f"voltage_l{n + 1}_v"] = np.where(is_read[:, None], mean(volts[:, n]), np.nan)
    frame = pl.DataFrame(
        {
            "site_id": np.repeat([f"h{n:03d}" for n in range(count)], steps),
            "ts_utc": stamps.dt.replace_time_zone("UTC"),
            "ts_local": stamps,
            "interval_s": np.full(count * steps, out_min * 60),
            "is_instant": np.zeros(count * steps, dtype=bool),
            **{name: values.ravel() for name, values in columns.items()},
        }
    ).with_columns(pl.col(list(columns)).fill_nan(None))
    gaps = rng.random(frame.height) < 0.005
    missing = [pl.lit(None, kind).alias(name) for name, kind in READINGS.items() if name not in frame.columns]
    return frame.filter(~pl.Series(gaps)).with_columns(missing).select(READINGS.names()).cast(READINGS)
