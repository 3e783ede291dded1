"""A June day of one site at 5 min and its grid sensor's sums, as the detector of its sign is given them."""

import numpy as np
import polars as pl

from detectors.features.meter_signs import SCHEMA, make
from detectors.grid import meter_reversed
from tests.support import build

PLACES = 288


def detect(rows, past, sites, earlier, day, **knobs):
    """The verdicts, with the day's own sums beside those of `past`."""
    today = make(rows, sites).filter(pl.col("day") == day)
    earlier_days = past.filter(pl.col("day") < day)
    return meter_reversed.detect(rows, pl.concat([earlier_days, today]), sites, earlier, day, **knobs)


def sun_of(peak=5000.0):
    """Generation at 5 min on a June day, clouds by the half hour."""
    at = np.arange(PLACES) * 5 / 60
    bell = np.clip(np.sin((at - 5.5) / 15.5 * np.pi), 0, None) * ((at > 5.5) & (at < 21))
    cloud = np.repeat(np.random.default_rng(5).uniform(0.3, 1.0, 48), 6)
    return peak * bell * cloud


def load_of(low=250.0):
    rng = np.random.default_rng(6)
    return low + 300 * np.repeat(rng.random(96), 3) + 10 * rng.random(PLACES)


PV, LOAD = sun_of(), load_of()
GRID = LOAD - PV


def rows_of(day=build.DAY, **channels):
    usual = {"pv_w": PV, "grid_w": GRID}
    return build.readings({name: list(values) for name, values in {**usual, **channels}.items()}, day=day)


def verdicts_of(*, site=None, earlier=(), kept=None, rows=None, **channels):
    rows = rows_of(**channels) if rows is None else rows
    return detect(
        rows, SCHEMA.to_frame() if kept is None else kept, build.sites(site or {}), build.earlier(*earlier), build.DAY
    )


def carried(kept_w=60.0, meter_error=1.0):
    """A single-phase site that may not feed in, whose battery carries the night: the grid stands at what is kept up."""
    pv = np.minimum(PV, LOAD - kept_w)
    battery = LOAD - pv - kept_w
    grid = np.full(PLACES, kept_w)
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": LOAD * meter_error}


NO_EXPORT = {"feed_in_limit_kw": 0.0, "battery_kwh": 10.0}
