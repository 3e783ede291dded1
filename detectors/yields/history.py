"""One site's days as the diagnosis sees them: its levels, whether it is dark, and how much of it its own sky told."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from detectors.stats.robust import Array
from detectors.yields.fleet_day import column
from detectors.yields.half_hours import MAX_INPUTS
from detectors.yields.neighbours_doubt import CLEAR_SHARE
from detectors.yields.night import USABLE_SIGMA

ZERO_DAYS = 3  # of which two without generation
ALIVE_DAYS = 2  # ours: on one alone it may have been switched on for a test ...
WHOLE, WHOLE_SIGMA = -0.25, 0.3  # ours: log; ... unless it made most of what was due that day
SAME_HEIGHT, SAME_HEIGHT_DAYS = 0.15, 7  # ours: log; a week of days that reach it and none that exceeds it
LONE_SIGMA, LONE_CLOUDS = 0.1, 0.5  # of a lone day's level, and what its clouds add


class History(NamedTuple):
    """One site's days up to the judged one, the last; every array is [days], NaN where nothing was told."""

    first: date
    x: Array  # by pairs, else of the best spans of a lone site
    sigma: Array
    above_sigma: Array  # of what lies above the level: clouds take a lone day's best spans below it alone
    is_zero: np.ndarray
    input_x: Array  # [days, inputs]
    input_sigma: Array
    expected_kwh: Array
    actual_kwh: Array
    clear_x: Array = np.empty(0)  # of clear days, by their own best spans; of a site without a limit
    lone_near: Array = np.empty(0)  # share of the energy near the best spans, on days told by these alone
    clear_kwh: Array = np.empty(0)  # per kWp, of the day's usable intervals under a clear sky

    def on(self, place: int) -> date:
        """The date of a day of the series."""
        return self.first + timedelta(days=place)


def of_site(rows: pl.DataFrame, model: Mapping[str, Any], day: date) -> History:
    """One site's RESIDUAL rows up to `day`, laid by day; a young site's by its newest model, its row of ROOF_MODEL."""
    first = rows["day"].min()
    assert isinstance(first, date)
    count = (day - first).days + 1
    at = (rows["day"] - pl.Series([first])).dt.total_days().to_numpy() if rows.height else np.zeros(0, int)

    def laid(name: str, empty: float = np.nan) -> Array:
        table = np.full(count, empty)
        table[at] = column(rows, name, empty)
        return table

    x, sigma = laid("x"), laid("sigma")
    if model["history_day"]:
        place = np.array([(one - first).days for one in model["history_day"]])
        inside = (place >= 0) & (place < count)
        x[place[inside]] = np.asarray(model["history_x"], dtype=float)[inside]
        sigma[place[inside]] = np.asarray(model["history_sigma"], dtype=float)[inside]
    with np.errstate(invalid="ignore"):
        is_pair = np.isfinite(x) & (sigma < USABLE_SIGMA)
    alone = ~is_pair & (laid("lone_energy", 0.0) > 0.1)
    x = np.where(is_pair, x, np.where(alone, laid("lone_x"), np.nan))
    above = np.where(is_pair, sigma, LONE_SIGMA)
    sigma = np.where(is_pair, sigma, LONE_SIGMA + LONE_CLOUDS * (1 - laid("lone_near", 0.0)))
    snow = laid("spell_days", 0.0) > 0
    with np.errstate(invalid="ignore"):
        is_clear = (laid("lone_near") >= CLEAR_SHARE) & ~np.isfinite(laid("lone_highest"))
    inputs = [np.full((count, MAX_INPUTS), np.nan) for _ in range(2)]
    for name, table in zip(("input_x", "input_sigma"), inputs, strict=True):
        for n, values in zip(at.tolist(), rows[name].to_list(), strict=True):
            if values is not None:
                table[n] = [np.nan if value is None else value for value in values]
    if model["history_day"] and model["history_input_x"]:
        for name, table in zip(("history_input_x", "history_input_sigma"), inputs, strict=True):
            values = np.array([np.nan if value is None else value for value in model[name]], dtype=float)
            table[place[inside]] = values.reshape(-1, MAX_INPUTS)[inside]
    is_zero = np.zeros(count, dtype=bool)
    is_zero[at] = rows["is_zero"].fill_null(False).to_numpy()
    lone_near = np.where(alone & ~snow, laid("lone_near"), np.nan)
    return History(
        first, np.where(snow, np.nan, x), sigma, above, is_zero, inputs[0], inputs[1], laid("expected_kwh"),
        laid("actual_kwh"), np.where(is_clear, laid("lone_x"), np.nan), lone_near, laid("lone_energy"),
    )  # fmt: skip


def is_mostly_lone(history: History, since: int = 0) -> bool:
    """Whether most of the days told something by their best spans alone."""
    near = history.lone_near[since:]
    return bool(np.isfinite(near).sum() > np.isfinite(history.x[since:]).sum() / 2)


def has_a_height(history: History, since: int = 0) -> bool:
    """Whether the days that a lone site told by its best spans end at one height, which none of them exceeds."""
    x = history.x[since:][np.isfinite(history.lone_near[since:]) & np.isfinite(history.x[since:])]
    return len(x) > 0 and int((x > x.max() - SAME_HEIGHT).sum()) >= SAME_HEIGHT_DAYS


def is_dark(history: History) -> bool:
    """Two of the last three days made nothing, and the last one that told anything was no whole day."""
    return not is_alive(history) and int(history.is_zero[-ZERO_DAYS:].sum()) >= min(2, len(history.x))


def is_alive(history: History) -> bool:
    """The last two days that told anything made something, or the last one made most of what was due."""
    known_days = np.flatnonzero(np.isfinite(history.x))[-ALIVE_DAYS:]
    is_whole = (history.x[known_days] > WHOLE) & (history.sigma[known_days] < WHOLE_SIGMA)
    if (is_whole & ~history.is_zero[known_days])[-1:].any():
        return True
    return len(known_days) == ALIVE_DAYS and not history.is_zero[known_days].any()


def dark_since(history: History) -> int:
    """The first day without generation of the present spell; days that told nothing do not end it."""
    place = len(history.x) - 1
    while place > 0 and (history.is_zero[place - 1] or not np.isfinite(history.x[place - 1])):
        place -= 1
    while place < len(history.x) - 1 and not history.is_zero[place]:
        place += 1
    return place
