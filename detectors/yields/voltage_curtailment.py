"""Energy that high voltage cut from a day's generation: what was due while it was at its limit, less what was made.

Due is what the neighbours' sky lets expect of the roof, by the level of the same day's other quarter hours and, where
these tell little, by its baseline. Without neighbours the clear sky tells it, on days that were clear in the hours
beside, and of the quarter hours that were at the limit for most of them.

High voltage alone proves no loss: many streets run high and many inverters work on. So a deficit counts where it is
clear beside the error of what was due; and at a site whose month has shown that its inverter gives way, by clear days,
by the sum of all or by a power that moves against the voltage, wherever it is likelier than none. To count clear days
alone would tell a half of what is lost.
"""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.curtailment import KNOWN_SIGMAS, has_shown
from detectors.stats.robust import Array, robust_sigma
from detectors.yields.fleet_day import Fleet, clear_w
from detectors.yields.night import THIN_COVERAGE, Night
from detectors.yields.quarter_hours import table

CURTAILED = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "coverage_pct": pl.Float64(),  # of the daylight, with readings of generation
        "high_h": pl.Float64(),  # hours of daylight with the voltage at its limit, or beside that
        "due_kwh": pl.Float64(),  # in these; null = nobody can say
        "made_kwh": pl.Float64(),  # in the same quarter hours
        "sigma_kwh": pl.Float64(),  # of due_kwh
        "curtailed_kwh": pl.Float64(),  # 0 = nothing, or nothing that is clear; null = nobody can say
        "possible_kwh": pl.Float64(),  # of the whole day; null = nobody can say
        "changes": pl.Float64(),  # of the day's voltage and power while it was high; 0 = none
        "against_changes": pl.Float64(),  # of these, those in which one rose as the other fell
    }
)
SIGMAS = 3.0  # ours: nine days in ten thousand by chance, and a case needs three
TELLING_ENERGY = 0.5  # ours: kWh per kWp; an hour or two of high sun
CLEAR_SHARE = 0.6  # ours: of the energy beside the high voltage near the day's best, under a lone clear sky
MOSTLY_PCT = 50.0  # ours: of a quarter hour
CLEAR_SKY_SIGMA = 0.1  # as `history.LONE_SIGMA`
BASELINE_SIGMA = 0.1  # ours: log; a fall by less may not have been found yet
LEVEL_FLOOR = 0.04  # ours: log; shade and planes of other hours err by that much
FEW_QUARTERS, QUARTER_SIGMA, MIN_QUARTER_SIGMA = 6, 0.25, 0.05  # as `own_past`'s scatter of half hours
TOGETHER = 4  # ours: quarter hours that err together, as a cloud does
LIGHT_RATIO = 0.06  # as `lone_site`: of the peak capacity; below it horizons count more than the sky
KNOWN_RATIO = 0.5  # ours: of the quarter hours at the limit; of a smaller part nobody knows what the rest lost


class Level(NamedTuple):
    """Log of what a site makes of its due power on this day, [sites], and its errors."""

    log: Array
    sigma: Array
    quarter_sigma: Array  # of one quarter hour beside the level


def of_night(night: Night, past: pl.DataFrame, response: pl.DataFrame) -> pl.DataFrame:
    """CURTAILED rows of the sites with readings of generation and of a voltage; `past` are those of the month before.

    `response` says how the day's voltage and power moved, `voltage_response`. At sites with a feed-in limit nobody can
    say which of the two curtailed them.
    """
    fleet = night.fleet
    is_high = fleet.is_voltage_high
    made_w = fleet.reported_w
    is_lone = np.asarray(~np.isfinite(night.roof_w).any(axis=1))
    roof_w, level = _by_clear_sky(night, _level(night, made_w), is_lone)
    known = is_high & np.isfinite(roof_w) & np.isfinite(made_w) & (~is_lone[:, None] | _is_mostly_high(fleet))
    due_w = np.where(known, roof_w, 0.0) * np.exp(level.log)[:, None]
    due, made = due_w.sum(axis=1) / 4000, np.where(known, made_w, 0.0).sum(axis=1) / 4000
    scatter = level.quarter_sigma * np.sqrt(TOGETHER * (due_w**2).sum(axis=1)) / 4000
    sigma = np.hypot(level.sigma * due, scatter)
    is_some = is_high.any(axis=1)
    is_judged = known.sum(axis=1) >= KNOWN_RATIO * np.maximum(is_high.sum(axis=1), 1)
    is_judged &= ~fleet.roofs.has_limit & (night.coverage >= THIN_COVERAGE)
    is_judged &= ~fleet.sites["site_id"].is_in(list(night.doubts)).to_numpy()
    shown = past.group_by("site_id").agg(is_shown=has_shown()).filter("is_shown")
    is_known = fleet.sites["site_id"].is_in(shown["site_id"].to_list()).to_numpy()
    lost = np.where(due - made > np.where(is_known, KNOWN_SIGMAS, SIGMAS) * sigma, due - made, 0.0)

    def where_known(values: Array) -> Array:
        return np.where(is_judged | ~is_some, values, np.nan)

    columns = {
        "coverage_pct": 100 * night.coverage,
        "high_h": is_high.sum(axis=1) / 4.0,
        "due_kwh": where_known(due),
        "made_kwh": where_known(made),
        "sigma_kwh": where_known(sigma),
        "curtailed_kwh": where_known(lost),
        "possible_kwh": night.possible_kwh,
    }
    frame = fleet.sites.select("site_id", day=pl.lit(fleet.day)).with_columns(
        pl.Series(name, values) for name, values in columns.items()
    )
    is_measured = fleet.usable["high_voltage_pct"].is_not_null() & pl.Series(fleet.is_heard)
    moved = response.select("site_id", "changes", "against_changes")
    frame = frame.filter(is_measured).fill_nan(None).join(moved, on="site_id", how="left", maintain_order="left")
    frame = frame.with_columns(pl.col("changes", "against_changes").fill_null(0.0))
    return frame.select(CURTAILED.names()).cast(CURTAILED)


def _is_mostly_high(fleet: Fleet) -> NDArray[np.bool_]:
    """Whether the voltage was at its limit for most of a quarter hour, [sites, quarters].

    Power that is held down for it stands there; a cloud takes the roof's own rise of the voltage with the sun.
    """
    return np.asarray(np.nan_to_num(table(fleet.usable, "high_voltage_pct")) >= MOSTLY_PCT)


def _by_clear_sky(night: Night, level: Level, is_lone: NDArray[np.bool_]) -> tuple[Array, Level]:
    """What each roof could have made, [sites, quarters], and its level; of lone sites by a clear day's sky."""
    fleet = night.fleet
    is_clear = is_lone & np.isfinite(night.lone_x) & (night.lone_near >= CLEAR_SHARE)
    roof_w = np.where(is_clear[:, None] & (fleet.sky.up > 0), clear_w(fleet), night.roof_w)
    sigma = np.where(is_clear, CLEAR_SKY_SIGMA, level.sigma)
    scatter = np.where(is_clear, MIN_QUARTER_SIGMA, level.quarter_sigma)
    return roof_w, Level(np.where(is_clear, night.lone_x, level.log), sigma, scatter)


def _level(night: Night, made_w: Array) -> Level:
    """By the day's other quarter hours and the baseline, each by its error.

    Where the two contradict each other the roof has a fault beside, and its day alone counts; but not by the low suns
    alone that a bright day leaves free, behind which horizons stand.
    """
    fleet = night.fleet
    rest = _rest(fleet, night, made_w)
    due, made = (np.where(rest, one, 0.0).sum(axis=1) for one in (night.roof_w, made_w))
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.log(np.maximum(made, 0.01 * due) / due)
        off = np.where(rest, np.log(np.maximum(made_w, 1.0) / night.roof_w) - own[:, None], np.nan)
    own_sigma = np.hypot(np.where(np.isfinite(night.sigma), night.sigma, np.inf), LEVEL_FLOOR)
    trust = np.where(np.isfinite(own), BASELINE_SIGMA**2 / (BASELINE_SIGMA**2 + own_sigma**2), 0.0)
    is_other = (np.abs(np.nan_to_num(own)) > SIGMAS * own_sigma) & (night.energy > TELLING_ENERGY)
    trust = np.where(is_other, 1.0, trust)
    sigma = np.where(is_other, own_sigma, BASELINE_SIGMA * np.sqrt(1 - trust))
    scatter = np.where(rest.sum(axis=1) >= FEW_QUARTERS, robust_sigma(off), QUARTER_SIGMA)
    return Level(trust * np.nan_to_num(own), sigma, np.maximum(np.nan_to_num(scatter), MIN_QUARTER_SIGMA))


def _rest(fleet: Fleet, night: Night, made_w: Array) -> Array:
    """The day's lit quarter hours under a known sky that nothing curtailed, [sites, quarters]."""
    with np.errstate(invalid="ignore"):
        is_lit = night.roof_w > LIGHT_RATIO * 1000 * fleet.roofs.kwp[:, None]
    return np.asarray(night.is_used & is_lit & np.isfinite(made_w))
