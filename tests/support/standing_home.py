"""A home that balances, in which single channels stand still, and what the detector says of it."""

from datetime import timedelta

import numpy as np
import polars as pl

from detectors import frames
from detectors.data_quality import readings_frozen
from detectors.data_quality.flags import make_flags
from detectors.features.flow_peaks import SCHEMA as PEAKS
from detectors.features.repeats import SCHEMA, make
from tests.support import build

DAY = build.DAY
STEPS = 96
HOURS = np.arange(STEPS) / 4
NONE_EARLIER = SCHEMA.to_frame()
NO_PEAKS = PEAKS.to_frame()


def sunny(peak_w: float = 5000.0) -> np.ndarray:
    """Generation of a clear day, W, [STEPS]."""
    return np.round(peak_w * np.clip(np.sin((HOURS - 6) / 14 * np.pi), 0, None) ** 1.3)


def lively(seed: int = 1, base: float = 300.0) -> np.ndarray:
    """A load that never rests, W, [STEPS]."""
    rng = np.random.default_rng(seed)
    return np.round(base * (1 + 0.1 * rng.normal(size=STEPS)) + np.where(rng.random(STEPS) < 0.2, 1500, 0))


def home_with(**changed) -> dict[str, np.ndarray]:
    """A home that balances: what is not changed follows."""
    pv, load = sunny(), lively()
    return {"pv_w": pv, "load_w": load, "grid_w": load - pv, **changed}


def devices(channels, *, step_s: int = 900, day=DAY, device_id: str = "") -> pl.DataFrame:
    """DEVICE_READINGS of a day of these channels."""
    rows = build.readings({name: list(values) for name, values in channels.items()}, interval_s=step_s, day=day)
    return rows.select(pl.lit(device_id).alias("device_id"), *frames.READINGS.names())


def detect(rows, days, past, sites, day, peaks=NO_PEAKS):
    """The verdicts, with the day's own repeats beside those of `past`."""
    flags = make_flags(rows, pl.concat([past, make(rows, sites)]), peaks, days, sites)
    return readings_frozen.detect(flags, rows, sites, day)


def judge(channels, *, site=None, kept=NONE_EARLIER, known=30, peaks=NO_PEAKS, **how):
    """What `detect` says of the channels on DAY, with so many known days before; `kept` are their repeats."""
    days = build.days(*({} for _ in range(known)), last_day=DAY - timedelta(days=1))
    return detect(devices(channels, **how), days, kept, build.sites(site or {}), DAY, peaks)


def held_at(values: np.ndarray, start_h: float, end_h: float) -> np.ndarray:
    """The values, at the first one from one hour to the other."""
    held = values.copy()
    held[(start_h <= HOURS) & (end_h > HOURS)] = values[int(start_h * 4)]
    return held


def past_days(days: int = 30, **values) -> pl.DataFrame:
    """Rows of `repeats` of the days before DAY: by default the load, two hours a night at 80 W."""
    row = {
        "site_id": "roof-1", "device_id": "", "channel": "load_w", "run_h": 2.0, "value": 80.0, "start_h": 2.0,
        "end_h": 4.0, "step": 10.0, "distinct": 20, "open_w": 5.0, "flow_w": 1000.0,
    }  # fmt: skip
    return build.frame(SCHEMA, [row | {"day": DAY - timedelta(days=n)} | values for n in range(1, days + 1)])
