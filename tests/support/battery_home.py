"""Days of a home with a battery that holds the grid near nothing, and what flags and detectors say of them."""

from datetime import timedelta

import numpy as np
import polars as pl

from detectors import frames
from detectors.data_quality import readings_frozen, readings_implausible
from detectors.data_quality.flags import make_flags
from detectors.features import flow_peaks, flow_sizes, repeats
from detectors.finding import Finding, Verdict
from tests.support import build

DAY = build.DAY
STEPS = 288
HOURS = np.arange(STEPS) / 12
SITE = {"installed_kwp": 8.0, "inverter_kw": 8.0, "battery_kwh": 10.0}
BATTERY_W = 3000.0
Home = dict[str, np.ndarray]


def home(seed: int = 1, *, peak_w: float = 6000.0, base_w: float = 300.0, capacity_kwh: float = 10.0) -> Home:
    """A day that balances: the battery takes what is left over and gives what is lacking, within 8 W."""
    rng = np.random.default_rng(seed)
    pv = peak_w * np.clip(np.sin((HOURS - 6) / 14 * np.pi), 0, None) ** 1.3
    load = base_w * (1 + 0.1 * rng.normal(size=STEPS)) + np.where(rng.random(STEPS) < 0.08 * (base_w > 100), 2200.0, 0)
    battery, level, stored_kwh = np.zeros(STEPS), np.zeros(STEPS), 0.3 * capacity_kwh
    for step, lack_w in enumerate(load - pv):
        room_w = (capacity_kwh - stored_kwh) * 12_000
        given_w = np.clip(lack_w, -min(BATTERY_W, room_w), min(BATTERY_W, stored_kwh * 12_000))
        battery[step], stored_kwh = given_w, stored_kwh - given_w / 12_000
        level[step] = 100 * stored_kwh / max(capacity_kwh, 1.0)
    grid = load - pv - battery + rng.normal(0, 8, STEPS)
    flows = {"pv_w": pv, "load_w": load, "grid_w": grid, "battery_w": battery}
    return {**{name: np.round(values) for name, values in flows.items()}, "soc_pct": np.round(level)}


def rows(days: list[dict[str, np.ndarray]]) -> pl.DataFrame:
    """DEVICE_READINGS of days in a row, the last of which is DAY; not a number = not reported."""
    found = []
    for back, channels in enumerate(reversed(days)):
        given = {name: [None if np.isnan(one) else float(one) for one in values] for name, values in channels.items()}
        found.append(build.readings(given, day=DAY - timedelta(days=back)))
    return pl.concat(found).select(pl.lit("").alias("device_id"), *frames.READINGS.names())


def flags_of(readings: pl.DataFrame, **site: object) -> pl.DataFrame:
    """READING_FLAGS of DAY, with all the days before."""
    sites = build.sites({**SITE, **site})
    seen = readings.select("site_id", pl.col("ts_local").dt.date().alias("day")).unique()
    made = [
        repeats.make(readings, sites),
        flow_peaks.make(readings.select(frames.READINGS.names()), sites),
        seen,
        sites,
    ]
    today = readings.filter(pl.col("ts_local").dt.date() == DAY)
    return make_flags(today, *made, flow_sizes=flow_sizes.make(readings, sites))


def told(days: list[dict[str, np.ndarray]], **site: object) -> list[Finding]:
    """What the detectors of standing and of impossible readings say of DAY."""
    readings, sites = rows(days), build.sites({**SITE, **site})
    flags = flags_of(readings, **site)
    today = readings.filter(pl.col("ts_local").dt.date() == DAY)
    verdicts: list[Verdict] = [
        *readings_frozen.detect(flags, today, sites, DAY),
        *readings_implausible.detect(flags, today, sites, DAY),
    ]
    return [one for one in verdicts if isinstance(one, Finding)]
