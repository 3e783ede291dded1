"""The picture of a wrong clock: the day's power as stamped, as it would be, and what a clear sky would have given."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from detectors.finding import Series, series
from detectors.solar.pv_model import clear_sky

POINTS = 96  # ours: a quarter of an hour each; more is not seen in a small picture


def picture(readings: pl.DataFrame, site: dict[str, Any], offset_min: float) -> tuple[Series, ...]:
    """The series of one site's (or device's) local day; empty if nothing was generated.

    `readings`: ts_utc, interval_s, is_instant, pv_w of the day. `offset_min`: stamped minus true; the power as it would
    be is that much earlier. The clear sky is the horizontal's (pv_model.clear_sky), scaled to the day's peak: it shows
    when there is daylight, not what the roof should yield.
    """
    known = readings.filter(pl.col("pv_w").is_finite()).sort("ts_utc")
    if known.is_empty() or not known["pv_w"].max():
        return ()
    half_s = np.where(known["is_instant"].fill_null(False).to_numpy(), 0.0, known["interval_s"].to_numpy() / 2)
    stamped_s = known["ts_utc"].dt.epoch("us").to_numpy() / 1e6 + half_s
    power = np.maximum(known["pv_w"].to_numpy(), 0.0)
    step_s = max(float(known["interval_s"].median() or 0), 86_400 / POINTS)  # type: ignore[arg-type]
    first, last = stamped_s[0], stamped_s[-1]
    shift_s = offset_min * 60
    at_s = np.arange(min(first, first - shift_s), max(last, last - shift_s) + step_s / 2, step_s)
    latitude, longitude = np.array([site["latitude"]]), np.array([site["longitude"]])
    clear = clear_sky(latitude, longitude, at_s[None, :] / 86_400).ghi[0]
    at = [datetime.fromtimestamp(second, UTC) for second in at_s]
    sky = clear * power.max() / max(clear.max(), 1.0)
    return (
        series("as stamped", "W", "measured", at, _at(at_s, stamped_s, power, step_s)),
        series("as it would be", "W", "corrected", at, _at(at_s, stamped_s - shift_s, power, step_s)),
        series("clear sky", "W", "expected", at, sky),
    )


def _at(wanted_s: np.ndarray, known_s: np.ndarray, power: np.ndarray, step_s: float) -> np.ndarray:
    """The power at the wanted instants, null where no reading is near."""
    place = np.clip(np.searchsorted(known_s, wanted_s), 1, len(known_s) - 1) if len(known_s) > 1 else np.zeros(0, int)
    if not len(place):
        return np.full(len(wanted_s), np.nan)
    near = np.minimum(np.abs(known_s[place] - wanted_s), np.abs(known_s[place - 1] - wanted_s)) <= step_s
    return np.where(near, np.interp(wanted_s, known_s, power), np.nan)
