"""One bright day over five roofs, made by hand from the engine's own planes and sky: what a night says of it."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from detectors.frames import READINGS
from detectors.solar import plane_response, pv_model
from detectors.yields import fleet_day, free_intervals, night, roof_model, roofs, testing
from detectors.yields.energies import Before
from detectors.yields.night import Night
from tests.support import build

Array = NDArray[np.float64]

DAY = date(2025, 6, 10)
AZIMUTHS = {"a": 180.0, "b": 150.0, "c": 210.0, "d": 180.0, "street": 170.0}  # the last one is the one looked at
STREET = len(AZIMUTHS) - 1
LATITUDE, LONGITUDE = 47.0, 8.0


def powers() -> Array:
    """W of each site, [sites, 96 quarter hours of UTC], under a sky of thin clouds."""
    count = len(AZIMUTHS)
    at = roofs.instants(np.full(count, LONGITUDE), np.full(count, float((DAY - date(1970, 1, 1)).days)), 96)
    sky = roofs.skies(np.full(count, LATITUDE), np.full(count, LONGITUDE), at)
    azimuth = np.array(list(AZIMUTHS.values()))[:, None]
    clearness = np.tile(np.random.default_rng(3).uniform(0.85, 1.0, 96), (count, 1))
    air = pv_model.usual_ambient_c(np.full(count, LATITUDE), at.mean(axis=1, keepdims=True))
    answer = plane_response.answer(sky, np.full((count, 1), 30.0), azimuth)
    return plane_response.expected_w(answer, clearness, air, np.full((count, 1), 10.0), np.full((count, 1), 1e4))


def night_of(
    factor: ArrayLike = 1.0,
    volts: Array | None = None,
    names: tuple[str, ...] = tuple(AZIMUTHS),
    models: pl.DataFrame | None = None,
    odds: pl.DataFrame | None = None,
    neighbour: float = 1.0,
    load_w: ArrayLike = 300.0,
    dark_days: int = 0,
    baseline: float = 0.0,
    **register: float | None,
) -> Night:
    """The night of the day on which `street` made `factor` of what was due, at these voltages, and `a` `neighbour`.

    Each house takes `load_w`, and made nothing for `dark_days` beside lit ones before. `models` are ROOF_MODEL rows
    learned before, `odds` ODDS rows of the night before and `baseline` the level that all of them told, `register`
    cells of `street` alone.
    """
    start = datetime(DAY.year, DAY.month, DAY.day, tzinfo=UTC)
    stamps = [start + timedelta(minutes=15 * n) for n in range(96)]
    frames = []
    for name, power in zip(AZIMUTHS, powers(), strict=True):
        own = power * np.asarray({"street": factor, "a": neighbour}.get(name, 1.0))
        frames.append(pl.DataFrame({
            "site_id": name, "ts_utc": stamps, "ts_local": [one.replace(tzinfo=None) for one in stamps],
            "interval_s": 900, "is_instant": False, "pv_w": own, "grid_w": load_w - own, "load_w": load_w,
            "voltage_l1_v": volts if name == "street" else None,
        }))  # fmt: skip
    is_asked = pl.col("site_id").is_in(names)
    rows = build.frame(READINGS, pl.concat(frames, how="diagonal_relaxed").to_dicts()).filter(is_asked)
    sites = _sites(**register).filter(is_asked)
    quarters = free_intervals.to_quarters(rows, sites)
    learned = roof_model.ROOF_MODEL.to_frame() if models is None else models
    fleet = fleet_day.gather(quarters, sites, build.planes(), learned, DAY)
    nothing = np.zeros(sites.height)
    before = testing.ODDS.to_frame() if odds is None else odds
    newest = fleet_day.newest(before, sites.sort("site_id")["site_id"])
    return night.work_out(
        fleet,
        newest,
        Before(nothing + baseline, nothing * np.nan, nothing > 0, nothing.astype(np.intp) + dark_days),
        {},
    )


def _sites(**register: float | None) -> pl.DataFrame:
    place = {"latitude": LATITUDE, "longitude": LONGITUDE, "tilt_deg": 30.0, "installed_kwp": 10.0, "inverter_kw": 10.0}
    rows = [{"site_id": name, "azimuth_deg": azimuth, **place} for name, azimuth in AZIMUTHS.items()]
    return build.sites(*({**row, **(register if row["site_id"] == "street" else {})} for row in rows))
