"""What is remembered of each judged site-day, and the same laid by site and day for learning."""

from datetime import date, timedelta
from math import log
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array, nullable
from detectors.yields import limited_days
from detectors.yields.fleet_day import column
from detectors.yields.night import Night
from detectors.yields.roof_model import Residuals, key_of
from detectors.yields.sequential_test import FIRST_DAY_PRIOR

RESIDUAL = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "x": pl.Float64(),  # log of actual over what the neighbours let expect; null = no neighbours
        "tie": pl.Float64(),  # the part of x that ties a new roof model to the one before
        "sigma": pl.Float64(),
        "consensus_x": pl.Float64(),  # the same against the neighbours' median sky
        "variance": pl.Float64(),  # of x without the site's own scale and past
        "past_sigma": pl.Float64(),  # what the site's own past leaves open
        "energy": pl.Float64(),  # usable kWh per kWp that were expected
        "neighbours": pl.Float64(),  # effective number
        "lone_x": pl.Float64(),  # log of the level that the day's best spans reach under a clear sky
        "lone_near": pl.Float64(),  # share of the energy near it
        "lone_energy": pl.Float64(),  # kWh per kWp of a clear day
        "lone_highest": pl.Float64(),  # the highest lone_x that would have been told; null = any
        "is_zero": pl.Boolean(),  # all free intervals made nothing
        "zero_evidence": pl.Float64(),  # what that proves, log odds
        "spell_days": pl.Int32(),
        "is_cold": pl.Boolean(),
        "snow_doubt": pl.Int32(),  # what the level may be of, `cold.doubt`
        "input_x": pl.List(pl.Float64),
        "input_sigma": pl.List(pl.Float64),
        "peak_w": pl.Float64(),
        "charge_limit_w": pl.Float64(),
        "charges": pl.Int32(),
        "pair_key": pl.List(pl.Int64),
        "pair_ratio": pl.List(pl.Float64),
        "expected_kwh": pl.Float64(),
        "actual_kwh": pl.Float64(),
        "stored_kwh": pl.Float64(),  # in the battery at the day's end, had the roof been healthy
        "coverage": pl.Float64(),  # share of the daylight with readings of generation
        "late_h": pl.Float64(),  # without power in the morning under a sun that the modules see; null = not known
        "late_kwh": pl.Float64(),  # what was due meanwhile
        "least": pl.Float64(),  # log of a level that a limited site has at least; null = not known
        "whole_day": pl.List(pl.Int32),  # log likelihood of `limited_days.LEVELS`, in sixty-fourths; null likewise
    }
)
SUSPECT, NOT_SUSPECT, STILL = 2.0, -3.0, 1.0  # log odds: a fall is believed in, began, and is still thought possible
ROSE = 0.7  # log odds: ours; a night that makes a fall twice as likely speaks for it, however little it was believed
# What was believed before any day: while they never sank below it, no day spoke against the fall.
UNSEEN = log(FIRST_DAY_PRIOR / (1 - FIRST_DAY_PRIOR))
NOTHING_X = -2.5  # a day without generation teaches nothing


def of_night(night: Night) -> pl.DataFrame:
    """RESIDUAL rows of the sites with readings of generation."""
    fleet = night.fleet
    row, at = np.nonzero((fleet.keys != 0) & np.isfinite(night.pair_ratio))
    pairs = (
        pl.DataFrame({"row": row, "pair_key": fleet.keys[row, at], "pair_ratio": night.pair_ratio[row, at]})
        .group_by("row", maintain_order=True)
        .agg("pair_key", "pair_ratio")
    )
    inputs = {}
    for name, table in (("input_x", night.input_x), ("input_sigma", night.input_sigma)):
        has_inputs = np.asarray(np.isfinite(night.input_x).any(axis=1))
        inputs[name] = [
            nullable(values) if has_input else None for values, has_input in zip(table, has_inputs, strict=True)
        ]
    whole_day = [
        np.rint(one * limited_days.PER_UNIT).astype(int).tolist() if np.isfinite(one).all() else None
        for one in night.whole_day
    ]
    frame = pl.DataFrame(
        {
            "site_id": fleet.sites["site_id"],
            "day": [fleet.day] * fleet.sites.height,
            **{
                name: getattr(night, name)
                for name in (
                    "x",
                    "sigma",
                    "consensus_x",
                    "variance",
                    "past_sigma",
                    "energy",
                    "neighbours",
                    "lone_x",
                    "lone_near",
                    "lone_energy",
                    "lone_highest",
                    "is_zero",
                    "zero_evidence",
                    "spell_days",
                    "is_cold",
                    "snow_doubt",
                    "expected_kwh",
                    "actual_kwh",
                    "stored_kwh",
                    "coverage",
                    "least",
                )
            },
            "late_h": night.late.hours,
            "late_kwh": night.late.kwh,
            "tie": column(fleet.models, "tie", 0.0),
            **inputs,
            "whole_day": whole_day,
            **{name: fleet.usable[name] for name in ("peak_w", "charge_limit_w", "charges")},
        },
        schema_overrides={name: RESIDUAL[name] for name in ("input_x", "input_sigma", "whole_day")},
        strict=False,
    ).with_row_index("row")
    return (
        frame.filter(pl.Series(fleet.is_heard))
        .join(pairs.with_columns(pl.col("row").cast(pl.UInt32)), on="row", how="left", maintain_order="left")
        .select(RESIDUAL.names())
        .with_columns(x=pl.col("x") + pl.col("tie"))
        .with_columns(pl.when(pl.col("lone_highest").is_finite()).then("lone_highest"))
        .with_columns(pl.col(pl.Float64).fill_nan(None))
        .cast(RESIDUAL)
    )


def whole_days(rows: pl.DataFrame) -> Array:
    """Column whole_day of RESIDUAL rows, [rows, levels]; NaN where null."""
    by_level = np.full((rows.height, len(limited_days.LEVELS)), np.nan)
    some = rows["whole_day"].is_not_null().to_numpy()
    if some.any():
        by_level[some] = np.array(rows["whole_day"].drop_nulls().to_list(), dtype=float) / limited_days.PER_UNIT
    return by_level


def lay(
    rows: pl.DataFrame,
    odds: pl.DataFrame,
    site_ids: pl.Series,
    day: date,
    window_days: int,
    around: tuple[pl.DataFrame, pl.DataFrame] | None = None,
) -> Residuals:
    """Of the days before `day`: `rows` (RESIDUAL) and `odds` (ODDS) of `site_ids`, [sites, window_days].

    `around` are ODDS and ROOF_MODEL rows of all neighbours; without them no pair is known to have fallen or moved.
    """
    first = day - timedelta(days=window_days)
    mine, place, at = _placed(rows, site_ids, first, window_days)

    def laid(name: str, empty: float = np.nan) -> Array:
        table = np.full((len(site_ids), window_days), empty)
        table[place, at] = column(mine, name, empty)
        return table

    known_odds = _by_day(odds, "log_odds_fall", site_ids, first, window_days)
    x, snow = laid("x"), laid("spell_days", 0.0) > 0
    max_pairs = int(mine["pair_key"].list.len().max() or 0) if mine.height else 0  # type: ignore[arg-type]
    keys = np.zeros((len(site_ids), window_days, max_pairs), dtype=np.int64)
    ratios = np.full(keys.shape, np.nan)
    flat = (
        mine.select("place", "at", "pair_key", "pair_ratio")
        .drop_nulls("pair_key")
        .with_columns(n=pl.int_ranges(pl.col("pair_key").list.len()))
        .explode("pair_key", "pair_ratio", "n")
    )
    if flat.height:
        into = flat["place"].to_numpy(), flat["at"].to_numpy(), flat["n"].to_numpy()
        keys[into], ratios[into] = flat["pair_key"].to_numpy(), flat["pair_ratio"].to_numpy()
    is_fallen, moved, level = np.zeros(keys.shape, dtype=bool), np.zeros(keys.shape), np.zeros(x.shape)
    if around is not None and max_pairs:
        neighbour_odds, models = around
        is_fallen = _of_pairs(*_fallen(neighbour_odds, first, window_days), keys, missing=False)
        ids, then, now = _levels(models, first, window_days)
        moved = _of_pairs(ids, now[:, None] - then, keys, missing=0.0)
        _, own, found = np.intersect1d(site_ids.to_numpy(), ids.to_numpy(), return_indices=True)
        level[own] = then[found]
    return Residuals(
        first, x, x - laid("tie", 0.0), laid("consensus_x"), laid("variance"), laid("past_sigma"), laid("energy"),
        laid("neighbours"), laid("lone_x"), laid("lone_near", 0.0), laid("lone_energy", 0.0),
        laid("peak_w"), laid("charge_limit_w"), laid("charges", 0.0),
        suspect_days(known_odds) | snow | (np.nan_to_num(x) < NOTHING_X), keys, ratios, is_fallen, level, moved,
    )  # fmt: skip


def _placed(
    rows: pl.DataFrame, site_ids: pl.Series, first: date, days: int
) -> tuple[pl.DataFrame, NDArray[np.intp], NDArray[np.intp]]:
    """The rows of these sites and days, and where each lies in [sites, days]."""
    index = pl.DataFrame({"site_id": site_ids}).with_row_index("place")
    mine = (
        rows.join(index, on="site_id", how="inner")
        .with_columns(at=(pl.col("day") - pl.lit(first)).dt.total_days())
        .filter(pl.col("at").is_between(0, days - 1))
    )
    return mine, mine["place"].to_numpy().astype(np.intp), mine["at"].to_numpy().astype(np.intp)


def _by_day(rows: pl.DataFrame, name: str, site_ids: pl.Series, first: date, days: int) -> Array:
    """A column of rows, [sites, days]; NaN where there is no row."""
    mine, place, at = _placed(rows, site_ids, first, days)
    table = np.full((len(site_ids), days), np.nan)
    table[place, at] = column(mine, name)
    return table


def _fallen(odds: pl.DataFrame, first: date, days: int) -> tuple[pl.Series, NDArray[np.bool_]]:
    """Whether each site is known by now to have fallen on a day, [sites, days]."""
    ids = odds["site_id"].unique().sort()
    return ids, suspect_days(_by_day(odds, "log_odds_fall", ids, first, days), UNSEEN)


def _levels(models: pl.DataFrame, first: date, days: int) -> tuple[pl.Series, Array, Array]:
    """Each site's level as the nights of these days took it, [sites, days], and as it is known by now, [sites]."""
    ids = models["site_id"].unique().sort()
    learned = _by_day(models, "level", ids, first, days)
    level = np.zeros(len(ids))  # until the first one is learned
    then = np.empty(learned.shape)
    for n in range(days):
        level = np.where(np.isfinite(learned[:, n]), learned[:, n], level)
        then[:, n] = level
    return ids, then, level


def _of_pairs(ids: pl.Series, by_day: Any, keys: NDArray[np.int64], *, missing: Any) -> Any:
    """What [sites, days] hold of each pair's neighbour, [sites, days, neighbours]; `missing` of irradiance sensors."""
    if not len(ids):
        return np.full(keys.shape, missing)
    of_site = np.array([key_of(one) for one in ids], dtype=np.int64)
    order = np.argsort(of_site)
    place = order[np.minimum(np.searchsorted(of_site[order], keys), len(order) - 1)]
    return np.where(of_site[place] == keys, by_day[place, np.arange(keys.shape[1])[None, :, None]], missing)


def suspect_days(log_odds: Array, not_suspect: float = NOT_SUSPECT) -> NDArray[np.bool_]:
    """The days of falls that the test believes in, each back to its start; [sites, days], NaN where not tested.

    A fall's first days are its own however sure the site was before: learned as healthy, they tilt what is usual at the
    hours that they lit, and the days before them look low.
    """
    odds = np.where(np.isfinite(log_odds), log_odds, -np.inf)
    rose = _risen(log_odds) > ROSE
    out = np.zeros(odds.shape, dtype=bool)
    # From the last day back: a day is out if it is suspect itself, or leads up to one that is.
    leads = np.zeros(len(odds), dtype=bool)
    for n in range(odds.shape[1] - 1, -1, -1):
        is_suspect = odds[:, n] > (STILL if n == odds.shape[1] - 1 else SUSPECT)
        out[:, n] = is_suspect | leads
        leads = out[:, n] & ((odds[:, max(n - 1, 0)] > not_suspect) | rose[:, max(n - 1, 0)])
        # A day that was not tested belongs to the spell on either side of it.
        leads |= out[:, n] & ~np.isfinite(odds[:, max(n - 1, 0)]) & (n > 0)
    return out


def _risen(log_odds: Array) -> Array:
    """By how much each night raised the odds over the last one that is known, [sites, days]; 0 where nothing is."""
    risen, last = np.zeros(log_odds.shape), np.full(len(log_odds), np.nan)
    for n in range(log_odds.shape[1]):
        risen[:, n] = np.nan_to_num(log_odds[:, n] - last)
        last = np.where(np.isfinite(log_odds[:, n]), log_odds[:, n], last)
    return risen
