"""The sequential test of each input, a day further, beside that of its site."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array, nullable
from detectors.yields import input_shares, sequential_test, states
from detectors.yields.half_hours import MAX_INPUTS
from detectors.yields.night import Night
from detectors.yields.sequential_test import Prior


def test(
    night: Night, past: pl.DataFrame, young: NDArray[np.intp]
) -> tuple[list[list[float | None] | None], list[pl.DataFrame]]:
    """Log odds of a fall of each input, and the states behind them."""
    fleet = night.fleet
    ids = fleet.sites["site_id"]
    odds = np.full((len(ids), MAX_INPUTS), np.nan)
    rows = []
    has_mix = fleet.models["input_mix"].is_not_null().to_numpy()
    is_young = np.zeros(len(ids), dtype=bool)
    is_young[young] = True
    for n in range(MAX_INPUTS):
        of_input = past.filter(pl.col("part") == n + 1)
        has_state = ids.is_in(of_input["site_id"].unique().to_list()).to_numpy()
        some = np.flatnonzero(has_mix & (np.isfinite(night.input_x[:, n]) | has_state))
        if not len(some):
            continue
        prior = Prior(
            np.full(len(some), input_shares.BASELINE_SIGMA), input_shares.FIRST_DAY_PRIOR, input_shares.RISE_PRIOR,
            input_shares.SMALLEST_FALL,
        )  # fmt: skip
        walk = sequential_test.walk_share(np.full(len(some), input_shares.WALK_PER_DAY))
        state = states.restored(of_input, ids[some], prior)
        again = np.flatnonzero(is_young[some])
        if len(again):
            fresh = sequential_test.start(prior._replace(sigma=prior.sigma[again]))
            state[again] = _inputs_replayed(fleet.models[some[again]], n, fresh, walk[again])
        state = _input_step(state, walk, night.input_x[some, n], night.input_sigma[some, n])
        odds[some, n] = sequential_test.report(state, smallest=input_shares.SMALLEST_FALL).log_odds_fall
        rows.append(states.rows_of(state, ids[some], fleet.day, n + 1))
    log_odds = [
        nullable(row) if is_any else None for row, is_any in zip(odds, np.isfinite(odds).any(axis=1), strict=True)
    ]
    return log_odds, rows


def _input_step(state: Array, walk: Array, x: Array, sigma: Array) -> Array:
    known_sigma = np.where(np.isfinite(sigma), sigma, 1.0)
    after = np.empty_like(state)
    for begin in range(0, len(state), states.BLOCK_SITES):
        part = slice(begin, begin + states.BLOCK_SITES)
        moved = sequential_test.advance(
            state[part], walk[part], smallest=input_shares.SMALLEST_FALL, passing_hazard=0.0
        )  # shares of wrong planes go with the sky, which looks like a fall that comes and goes
        likelihoods = sequential_test.likelihood(x[part], known_sigma[part])
        after[part] = sequential_test.update(moved, likelihoods, np.zeros(len(moved)))
    return after


def _inputs_replayed(models: pl.DataFrame, number: int, state: Array, walk: Array) -> Array:
    lengths = models["history_day"].list.len().fill_null(0).to_numpy().astype(np.int64)
    max_days = int(lengths.max(initial=0))
    x, sigma = (_input_of_days(models[name], number, lengths) for name in ("history_input_x", "history_input_sigma"))
    for day in range(max_days):
        state = _input_step(state, walk, x[:, day], sigma[:, day])
    return state


def _input_of_days(lists: pl.Series, number: int, lengths: NDArray[np.int64]) -> Array:
    """One input's values by model and day, [models, days], of lists that hold MAX_INPUTS values of each day."""
    by_day = np.full((len(lists), int(lengths.max(initial=0))), np.nan)
    rows = np.flatnonzero(lists.is_not_null().to_numpy() & (lengths > 0))
    if len(rows):
        values = lists.gather(rows).explode().cast(pl.Float64).to_numpy()  # null is NaN
        counts = lengths[rows]
        place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        by_day[np.repeat(rows, counts), place] = values.reshape(-1, MAX_INPUTS)[:, number]
    return by_day
