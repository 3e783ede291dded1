"""The sequential test carried from night to night: one for each site's level, one for each of its inputs."""

import itertools
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.stats.rows import ordered
from detectors.stats.units import begins
from detectors.yields import (
    baseline_prior,
    cold,
    input_testing,
    limited_days,
    lone_site,
    records,
    sensitivity,
    sequential_test,
    states,
)
from detectors.yields.fleet_day import column
from detectors.yields.night import USABLE_SIGMA, Night
from detectors.yields.sequential_test import STEP, T_SCALE, WALK_PER_DAY, Prior
from detectors.yields.zeros import ALIVE

ODDS = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "log_odds": pl.Float64(),  # the highest of those below, inputs only where the whole site's level agrees
        "log_odds_fall": pl.Float64(),  # of a fall against none
        "log_odds_rise": pl.Float64(),  # of modules beyond the registered capacity against none
        "passing": pl.Float64(),  # probability that a fall comes and goes, given that there is one
        "depth": pl.Float64(),  # log: the deviation, given that there is one
        "baseline": pl.Float64(),  # log: the level while healthy
        "baseline_sigma": pl.Float64(),
        "log_odds_input": pl.List(pl.Float64),  # of a fall of each input; null where it is not measured
        "spell_days": pl.Int32(),  # of snow on the neighbourhood's roofs, this day included
        "is_covered": pl.Boolean(),  # snow fell on roofs around, and this one has made next to nothing since
        "white_days": pl.Int32(),  # since snow showed around that may still lie on this one, the day included; 0 = none
        "is_judged": pl.Boolean(),  # the day told something of the level
        "day_sigma": pl.Float64(),  # of a usual day of the last two weeks, those that told nothing counted in
        "shows_in_week_pct": pl.Float64(),  # the smallest fall that would show within seven days
        "days_to_show_30_pct": pl.Float64(),  # days until a fall of 30 % would show; null = not within a year
    }
)
MIN_LONE_KWH = lone_site.MIN_ENERGY
USUAL_DAYS = 14


class Evidence(NamedTuple):
    """What a day says of each site's level, [sites]."""

    x: Array
    sigma: Array
    lone_x: Array
    lone_near: Array
    lone_energy: Array
    lone_highest: Array  # inf = any lone_x would have been told
    zero_evidence: Array
    is_snow: NDArray[np.bool_]
    snow_doubt: NDArray[np.intp]  # `cold.doubt`
    least: Array
    whole_day: Array  # [sites, levels]
    moved: Array  # by how much the level of its roof model has moved since
    is_unknown: NDArray[np.bool_]  # nobody knows its planes
    is_limited: NDArray[np.bool_]

    def has_pairs(self) -> NDArray[np.bool_]:
        with np.errstate(invalid="ignore"):
            return np.isfinite(self.x) & (self.sigma < USABLE_SIGMA) & ~self.is_snow

    def has_lone(self) -> NDArray[np.bool_]:
        is_known = np.isfinite(self.lone_x) & (self.lone_energy > MIN_LONE_KWH)
        return ~self.has_pairs() & is_known & ~self.is_snow


def is_judged(evidence: Evidence) -> NDArray[np.bool_]:
    """Whether the day told something of each site's level, [sites], be it only that the roof is not dead."""
    with np.errstate(invalid="ignore"):
        return evidence.has_pairs() | evidence.has_lone() | ((evidence.least > ALIVE) & ~evidence.is_snow)


class Tested(NamedTuple):
    """After a night: rows to remember."""

    state: pl.DataFrame  # STATE
    odds: pl.DataFrame  # ODDS


def step(state: Array, walk: Array, evidence: Evidence) -> Array:
    """The probabilities a day later."""
    after = np.empty_like(state)
    for begin in range(0, len(state), states.BLOCK_SITES):
        part = slice(begin, begin + states.BLOCK_SITES)
        mine = Evidence(*(one[part] for one in evidence))  # type: ignore[arg-type]
        after[part] = _step(state[part], walk[part], mine)
    return after


def _step(state: Array, walk: Array, evidence: Evidence) -> Array:
    by_pairs, by_lone = evidence.has_pairs(), evidence.has_lone()
    doubt = np.where(evidence.zero_evidence == 0, evidence.snow_doubt, cold.CLEAN)
    likelihoods = sequential_test.likelihood(
        np.where(by_pairs, evidence.x, np.nan),
        np.where(by_pairs, np.maximum(T_SCALE * evidence.sigma, STEP), 1.0),
        snow_doubt=doubt,
        is_nothing=evidence.zero_evidence > 0,
    )
    if by_lone.any():
        level = lone_site.Level(evidence.lone_x, evidence.lone_near, evidence.lone_energy, evidence.lone_highest)
        mine = lone_site.Level(*(one[by_lone] for one in level))
        likelihoods[by_lone] = lone_site.likelihood(
            mine, evidence.is_unknown[by_lone], evidence.is_limited[by_lone], evidence.zero_evidence[by_lone] > 0
        )
    likelihoods = likelihoods * sequential_test.not_below(np.where(evidence.is_snow, np.nan, evidence.least))
    by_whole_day = np.isfinite(evidence.whole_day).all(axis=1) & ~evidence.is_snow & (doubt != cold.WHITE)
    if by_whole_day.any():
        whole = limited_days.on_levels(
            evidence.whole_day[by_whole_day], evidence.moved[by_whole_day], sequential_test.LEVELS
        )
        likelihoods[by_whole_day] *= whole**sequential_test.TEMPER
    zero_evidence = np.where(by_pairs | by_lone, evidence.zero_evidence, 0.0)
    return sequential_test.update(sequential_test.advance(state, walk), likelihoods, zero_evidence)


def test(night: Night, past: pl.DataFrame, residuals: pl.DataFrame) -> Tested:
    """`past` are STATE rows of the day before (or the last ones), `residuals` those of the days before by site."""
    fleet = night.fleet
    site_roofs = fleet.roofs
    ids = fleet.sites["site_id"]
    walk = sequential_test.walk_share(np.asarray(WALK_PER_DAY * (1.0 + site_roofs.has_limit + site_roofs.is_unknown)))
    prior = Prior(baseline_prior.sigma(fleet))
    state = states.restored(past.filter(pl.col("part") == 0), ids, prior)
    again = fleet.models.select(((pl.col("day") == fleet.day) & pl.col("is_replayed")).fill_null(False)).to_series()
    young = np.flatnonzero(again.to_numpy())
    if len(young):
        fresh = sequential_test.start(prior._replace(sigma=prior.sigma[young]))
        state[young] = _replayed(night, young, fresh, walk[young], residuals)
    tie = column(fleet.models, "tie", 0.0)
    today = Evidence(
        night.x + tie, night.sigma, night.lone_x, night.lone_near, night.lone_energy, night.lone_highest,
        night.zero_evidence,
        night.spell_days > 0, night.snow_doubt, night.least + tie, night.whole_day, tie,
        site_roofs.is_unknown, site_roofs.has_limit,
    )  # fmt: skip
    state = step(state, walk, today)
    report = sequential_test.report(state)
    inputs, rows = input_testing.test(night, past, young)
    usual = usual_sigma(residuals, ids, night.x, night.sigma)
    odds = pl.DataFrame(
        {
            "site_id": ids,
            "day": [fleet.day] * len(ids),
            "log_odds": _highest(report.log_odds_fall, report.log_odds_rise, inputs, site_roofs.is_unknown),
            "log_odds_fall": report.log_odds_fall,
            "log_odds_rise": report.log_odds_rise,
            "passing": report.passing,
            "depth": report.depth,
            "baseline": report.baseline,
            "baseline_sigma": report.baseline_sigma,
            "log_odds_input": inputs,
            "spell_days": night.spell_days,
            "is_covered": night.is_covered,
            "white_days": night.white_days,
            "is_judged": is_judged(today),
            "day_sigma": usual,
            "shows_in_week_pct": sensitivity.within_week_pct(report.baseline_sigma, usual),
            "days_to_show_30_pct": sensitivity.days_to_show(report.baseline_sigma, usual),
        },
        schema=ODDS,
        strict=False,
    ).with_columns(pl.col(pl.Float64).fill_nan(None))
    return Tested(pl.concat([states.rows_of(state, ids, fleet.day, 0), *rows]), odds)


def _highest(fall: Array, rise: Array, inputs: list[list[float | None] | None], is_unknown: NDArray[np.bool_]) -> Array:
    """What decides on a case, [sites]: `diagnosis.decisive` without the inputs that are dead by themselves."""
    highest = np.maximum(fall, rise)
    for n, row in enumerate(inputs):
        if row and fall[n] > 0 and not is_unknown[n]:
            highest[n] = max(highest[n], *(one for one in row if one is not None))
    return highest


def usual_sigma(residuals: pl.DataFrame, ids: pl.Series, x: Array, sigma: Array) -> Array:
    """Sigma of a usual day of each site, [sites]: as if the information of the last two weeks came evenly; NaN = none.

    `residuals` are RESIDUAL rows of the days before, `x` and `sigma` the judged day's.
    """
    recent = (
        ordered(residuals.select("site_id", "day", "sigma"), "site_id", "day")
        .filter(pl.col("sigma") < USABLE_SIGMA)
        .group_by("site_id")
        .agg(pl.col("sigma").tail(USUAL_DAYS - 1).pow(-2).sum().alias("information"))
    )
    days = residuals.group_by("site_id").agg(days=pl.len().clip(upper_bound=USUAL_DAYS - 1))
    rows = pl.DataFrame({"site_id": ids}).join(recent, on="site_id", how="left", maintain_order="left")
    rows = rows.join(days, on="site_id", how="left", maintain_order="left")
    with np.errstate(invalid="ignore", divide="ignore"):
        today = np.where(np.isfinite(x) & (sigma < USABLE_SIGMA), 1 / sigma**2, 0.0)
        information = column(rows, "information", 0.0) + np.nan_to_num(today)
        return np.where(information > 0, np.sqrt((column(rows, "days", 0.0) + 1) / information), np.nan)


def _replayed(night: Night, young: NDArray[np.intp], state: Array, walk: Array, residuals: pl.DataFrame) -> Array:
    """The test run again over the days of sites whose model is new."""
    fleet = night.fleet
    ids = fleet.sites["site_id"][young]
    history = (
        fleet.models[young]
        .select("site_id", "history_day", "history_x", "history_sigma")
        .explode("history_day", "history_x", "history_sigma")
        .rename({"history_day": "day"})
    )
    rows = residuals.join(pl.DataFrame({"site_id": ids}).with_row_index("place"), on="site_id", how="inner").join(
        history, on=["site_id", "day"], how="left"
    )
    is_unknown, is_limited = fleet.roofs.is_unknown[young], fleet.roofs.has_limit[young]
    tie = column(fleet.models, "tie", 0.0)[young]
    rows = rows.with_columns(block=pl.col("place") // states.BLOCK_SITES).sort("block", "day")
    place = rows["place"].to_numpy()
    # What a night told of the level by itself moves along with its residual.
    moved = column(rows, "history_x") - column(rows, "x") + column(rows, "tie", 0.0)
    moved = np.where(np.isfinite(moved), moved, tie[place])
    evidence = Evidence(
        column(rows, "history_x"), column(rows, "history_sigma", 1.0), column(rows, "lone_x"),
        column(rows, "lone_near", 0.0), column(rows, "lone_energy", 0.0), column(rows, "lone_highest", np.inf),
        column(rows, "zero_evidence", 0.0),
        column(rows, "spell_days", 0.0) > 0, column(rows, "snow_doubt", 0.0).astype(np.intp),
        column(rows, "least") + tie[place], records.whole_days(rows), moved,
        is_unknown[place], is_limited[place],
    )  # fmt: skip
    is_first = rows.select(begins("block", "day")).to_series().to_numpy()
    bounds = np.append(np.flatnonzero(is_first), rows.height)
    for begin, end in itertools.pairwise(bounds.tolist()):  # a day of a block of sites, whose states stay at hand
        mine, sites = Evidence(*(one[begin:end] for one in evidence)), place[begin:end]  # type: ignore[arg-type]
        state[sites] = _step(state[sites], walk[sites], mine)
    return state
