"""A day of the fleet judged: each site's residual with its variance, and what else the sequential test is given."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.finding import Reason
from detectors.solar.plane_response import Answer
from detectors.solar.position import declination_rad
from detectors.stats.robust import Array
from detectors.yields import (
    capped,
    clear_air,
    cold,
    day_residual,
    input_ratios,
    late_start,
    limited_days,
    lone_site,
    min_level,
    neighbours_doubt,
    own_past,
    pyranometer,
    zeros,
)
from detectors.yields.cold import Cold
from detectors.yields.day_residual import Combined
from detectors.yields.energies import Before, Level, of_day
from detectors.yields.fleet_day import Fleet, clear_w, column, is_curtailed
from detectors.yields.late_start import Late
from detectors.yields.own_past import Correction
from detectors.yields.pyranometer import Day, Roofs
from detectors.yields.sequential_test import REFERENCE

BLOCK_SITES = 500  # ours: with twelve references and 96 quarters an array holds 5 MB
USABLE_SIGMA = 1.0  # ours: beyond it, a factor of e, a day of pairs tells less than the lone test
THIN_COVERAGE = 0.15  # ours: share of daylight; of less, what was read may be a logger's restart
DARK_QUARTERS = 8  # ours: two hours; of less, a hill or an inverter's start may be all
LONE_MARGIN, LONE_SURE = 1.1, 0.75  # ours: a lone limited site counts where even a clear sky could be used


class Night(NamedTuple):
    """What a day told of each site; [sites] unless said, NaN where it told nothing."""

    fleet: Fleet
    is_used: NDArray[np.bool_]  # [sites, quarters]
    clearness: Array  # [sites, quarters], the neighbours' median
    x: Array  # of the pairs, without the tie
    consensus_x: Array
    variance: Array  # without own scale and past sigma
    past_sigma: Array
    sigma: Array  # of x, all in
    energy: Array  # usable kWh per kWp that were expected
    neighbours: Array
    pair_ratio: Array  # [sites, references]
    lone_x: Array
    lone_near: Array
    lone_energy: Array
    lone_highest: Array
    is_zero: NDArray[np.bool_]
    zero_evidence: Array
    spell_days: NDArray[np.intp]
    is_cold: NDArray[np.bool_]
    snow_doubt: NDArray[np.intp]  # what the level may be of, `cold.doubt`
    white_days: NDArray[np.intp]  # since snow showed around that may still lie on this roof; 0 = none
    is_covered: NDArray[np.bool_]  # snow fell on roofs around, and this one has made next to nothing since
    may_be_snow: NDArray[np.bool_]  # after a spell that lasted longer than so few roofs can tell of snow
    input_x: Array  # [sites, inputs]
    input_sigma: Array
    expected_kwh: Array  # by the baseline before, what could have been used alone
    actual_kwh: Array  # over the same intervals
    stored_kwh: Array  # in the battery at the day's end, had the roof been healthy
    possible_kwh: Array  # of the whole day, curtailed or not
    roof_w: Array  # [sites, quarters], what each healthy roof could have made; NaN where nobody can say
    coverage: Array  # share of daylight with readings of generation
    late: Late  # how long it made nothing before it began in the morning
    least: Array  # log of a level that the roof has at least, by all that it made; NaN = never curtailed, or no sky
    whole_day: Array  # log likelihood of `limited_days.LEVELS` by all that x leaves out, [sites, levels]; NaN likewise
    doubts: Mapping[str, Reason]  # site -> why its readings are not to be trusted


def work_out(fleet: Fleet, odds: pl.DataFrame, before: Before, doubts: Mapping[str, Reason]) -> Night:
    """`odds` is the newest ODDS row of each site before the day, in the fleet's order; doubted sites tell nothing."""
    count = fleet.sites.height
    light, site_roofs = fleet.light, fleet.roofs
    is_doubted = fleet.sites["site_id"].is_in(list(doubts)).to_numpy()
    is_reference = ~is_doubted & ~(column(odds, "log_odds_fall", -20.0) > REFERENCE)
    free = np.isfinite(light.power_w) & light.is_free
    own = pyranometer.clearness(light, site_roofs, free)
    spell, cold_day, is_shared, may_be_snow = _snow(fleet, odds)
    # Snow seldom lies on one roof for so long after it slid from those around: what is dark then may be dead.
    is_over = (before.dark_days >= cold.LIT_AROUND_DAYS) & (spell <= 0)
    is_reference &= cold_day.is_cold | ~_is_dark(fleet, free)
    own[~is_reference] = np.nan
    first = _consensus(fleet, own)
    is_used = pyranometer.choose(light, site_roofs, first)
    own = pyranometer.clearness(light, site_roofs, is_used)
    own[~is_reference] = np.nan
    sky = _consensus(fleet, own)
    # A pair needs the chosen intervals alone; where no neighbour tells the sky there is no pair.
    due = _due(fleet, sky, is_used)
    pairs = _pairs(fleet, own, is_used, due.correction)
    combined = day_residual.combine(pairs, fleet.pair_sigma, site_roofs.level)
    lone = _lone(fleet)
    sigma = _sigma(fleet, combined, due.past_sigma)
    alone = neighbours_doubt.is_beaten(fleet, odds, combined, sigma, lone.x, lone.near)
    if alone.any():
        sky = np.where(alone[:, None], np.nan, sky)
        due = _due(fleet, sky, is_used)
        pairs = pairs._replace(log_ratio=np.where(alone[:, None], np.nan, pairs.log_ratio))
        combined = neighbours_doubt.without(combined, alone)
        sigma = _sigma(fleet, combined, due.past_sigma)
    correction, expected, share, past_sigma = due
    base = day_residual.variance(combined, np.zeros(count), is_curtailed(fleet), site_roofs.is_unknown)
    doubted = neighbours_doubt.variance(fleet, odds, pairs, combined.neighbours)
    split = clear_air.log_change(light.answer, sky, expected, share, fleet.near)
    sigma = np.sqrt(sigma**2 + doubted + split**2)
    lowest = min_level.of_day(fleet, expected, sky, correction)
    sky_sigma = _sky_sigma(fleet, own)
    whole_day = _whole_day(fleet, sky, sky_sigma, is_used, correction, combined)
    coverage = _coverage(fleet)
    was_covered = ((column(odds, "is_covered", 0.0) > 0) | is_shared) & ~is_over
    may_lie = cold_day.is_cold & ~is_over
    white = _white(fleet, odds, combined.x, sigma, cold_day, spell)
    is_zero, evidence = zeros.of_day(fleet, combined, lone.energy, coverage, may_lie, was_covered, white.may_lie)
    input_x, input_sigma = input_ratios.of_day(fleet, sky)
    energies = of_day(fleet, sky, sky_sigma, Level(combined.x, sigma), correction, before)
    silent = is_doubted | ~fleet.is_heard | (coverage < THIN_COVERAGE)

    # Snow lets a little light through, and a day that tells nothing ends none of it.
    with np.errstate(invalid="ignore"):
        is_alive = ~silent & ((np.fmax(combined.x, lone.x) > zeros.ALIVE) | (lowest > zeros.ALIVE))

    def where_heard(values: Array) -> Array:
        return np.where(silent, np.nan, values)

    return Night(
        fleet=fleet,
        is_used=is_used & ~silent[:, None],
        clearness=sky,
        x=where_heard(min_level.not_below(combined.x, lowest)),
        consensus_x=where_heard(_consensus_x(fleet, expected, correction, share)),
        variance=where_heard(base),
        past_sigma=past_sigma,
        sigma=where_heard(sigma),
        energy=combined.energy,
        neighbours=combined.neighbours,
        pair_ratio=pairs.log_ratio,
        lone_x=where_heard(min_level.not_below(lone.x, lowest)),
        lone_near=lone.near,
        lone_energy=lone.energy,
        lone_highest=np.fmax(lone.highest, lowest),
        is_zero=is_zero & ~silent,
        zero_evidence=np.where(silent, 0.0, evidence),
        spell_days=spell,
        is_cold=cold_day.is_cold,
        snow_doubt=white.doubt,
        white_days=white.days,
        may_be_snow=may_be_snow,
        is_covered=(spell > 0) | (was_covered & ~is_alive),
        input_x=np.where(silent[:, None], np.nan, input_x),
        input_sigma=input_sigma,
        expected_kwh=where_heard(energies.expected_kwh),
        actual_kwh=where_heard(energies.actual_kwh),
        stored_kwh=energies.stored_kwh,
        possible_kwh=where_heard(energies.possible_kwh),
        roof_w=np.where(silent[:, None], np.nan, energies.roof_w),
        coverage=coverage,
        late=late_start.of_day(fleet, sky, energies.roof_w, silent | cold_day.is_cold | (spell > 0)),
        least=where_heard(lowest),
        whole_day=np.where(silent[:, None], np.nan, whole_day),
        doubts=doubts,
    )


def _is_dark(fleet: Fleet, free: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a roof made nothing in all its `free` light while another was lit: that tells of it, not of the sky.

    In the cold it may be snow, and those that are lit lie under some of it too.
    """
    known = free & (fleet.sky.up > 0)
    nothing_w = zeros.ZERO_RATIO_LIMITED * 1000 * fleet.roofs.kwp[:, None]
    is_lit = (known & (np.nan_to_num(fleet.light.power_w) > nothing_w)).any(axis=1)
    return np.asarray(~is_lit & (known.sum(axis=1) >= DARK_QUARTERS) & is_lit.any())


class _Due(NamedTuple):
    """What the roofs should make of a sky, [sites, quarters], and what stays unknown of it, [sites]."""

    correction: Correction
    expected: Array
    share: Array  # of each quarter hour, that counts
    past_sigma: Array


def _due(fleet: Fleet, sky: Array, is_used: NDArray[np.bool_]) -> _Due:
    correction = own_past.correct(fleet.past, fleet.half_hour, sky, fleet.elevation_deg, fleet.roofs.is_unknown)
    expected = pyranometer.expected_w(fleet.light, fleet.roofs, np.nan_to_num(sky))
    share = np.where(is_used & np.isfinite(sky), fleet.light.share, 0.0)
    return _Due(correction, expected, share, own_past.day_sigma(correction, expected, share))


def _sigma(fleet: Fleet, found: Combined, past_sigma: Array) -> Array:
    variance = day_residual.variance(found, past_sigma, is_curtailed(fleet), fleet.roofs.is_unknown)
    return np.asarray(np.sqrt(variance) * column(fleet.models, "scale", 1.0))


def _blocks(count: int) -> list[slice]:
    return [slice(begin, begin + BLOCK_SITES) for begin in range(0, count, BLOCK_SITES)]


def _lit(fleet: Fleet, block: slice) -> NDArray[np.intp]:
    return np.flatnonzero((fleet.sky.up[block] > 0).any(axis=0))


def _with_sensors(fleet: Fleet, own: Array) -> Array:
    return np.vstack([own, fleet.sensed])


def _consensus(fleet: Fleet, own: Array) -> Array:
    """The median sky over each site, its own power aside, [sites, quarters]."""
    consensus, everyone = np.full(own.shape, np.nan), _with_sensors(fleet, own)
    for block in _blocks(len(own)):
        lit = _lit(fleet, block)
        around = pyranometer.of_neighbours(everyone[:, lit], fleet.references[block])
        consensus[np.ix_(np.arange(block.start, min(block.stop, len(own))), lit)] = pyranometer.consensus(around)
    return consensus


def _sites_of(values: tuple[Any, ...], block: slice | NDArray[np.intp]) -> list[Any]:
    return [one[block] for one in values]


def _part(values: NamedTuple, block: slice, lit: NDArray[np.intp]) -> list[Array]:
    return [one[block][:, lit] for one in values]


def _pairs(fleet: Fleet, own: Array, is_used: NDArray[np.bool_], correction: Correction) -> pyranometer.Pairs:
    ratios, energies = [], []
    everyone = _with_sensors(fleet, own)
    light = fleet.light
    for block in _blocks(len(own)):
        lit = _lit(fleet, block)
        around = pyranometer.of_neighbours(everyone[:, lit], fleet.references[block])
        rest: list[Any] = [one[block][:, lit] for one in light[1:]]
        part = Day(Answer(*_part(light.answer, block, lit)), *rest)
        found = pyranometer.pairs(
            part,
            Roofs(*_sites_of(fleet.roofs, block)),
            is_used[block][:, lit],
            around,
            correction.log_usual[block][:, lit],
            correction.weight[block][:, lit],
        )
        ratios.append(found.log_ratio)
        energies.append(found.energy)
    if not ratios:
        return pyranometer.Pairs(np.zeros((0, 0)), np.zeros((0, 0)))
    return pyranometer.Pairs(np.vstack(ratios), np.vstack(energies))


def _consensus_x(fleet: Fleet, expected: Array, correction: Correction, share: Array) -> Array:
    weight = share * correction.weight
    due = (expected * np.exp(correction.log_usual) * weight).sum(axis=1)
    made = (np.nan_to_num(fleet.light.power_w) * weight).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log(np.maximum(made, pyranometer.MIN_RATIO * due) / due)
    return np.where(due > 0, x + fleet.roofs.level, np.nan)


def _lone(fleet: Fleet) -> lone_site.Level:
    light, limited = fleet.light, fleet.roofs.has_limit[:, None]
    clear = clear_w(fleet)
    usable = light.usable_w + light.battery_w
    is_any = ~limited | (clear * LONE_MARGIN < usable)
    used = light.is_free & (is_any | (np.nan_to_num(light.power_w) < LONE_SURE * usable))
    return lone_site.day_level(
        light.power_w, clear, used, fleet.roofs.kwp, np.where(is_any, np.inf, LONE_SURE * usable)
    )


def _sky_sigma(fleet: Fleet, own: Array) -> Array:
    """How far the sky over each limited site may lie from its neighbours', log, [sites, quarters]; 0 at all others."""
    sigma, everyone = np.zeros(own.shape), _with_sensors(fleet, own)
    rows = np.flatnonzero(fleet.roofs.has_limit & fleet.is_heard)
    for block in (rows[begin : begin + BLOCK_SITES] for begin in range(0, len(rows), BLOCK_SITES)):
        sigma[block] = capped.sky_sigma(pyranometer.of_neighbours(everyone, fleet.references[block]))
    return sigma


def _whole_day(
    fleet: Fleet, sky: Array, sky_sigma: Array, is_used: NDArray[np.bool_], correction: Correction, found: Combined
) -> Array:
    """The likelihood of each level by the quarter hours that were not chosen, [sites, levels]; limited sites alone."""
    by_level = np.full((len(sky), len(limited_days.LEVELS)), np.nan)
    rows = np.flatnonzero(fleet.roofs.has_limit & fleet.is_heard)
    for block in (rows[begin : begin + BLOCK_SITES] for begin in range(0, len(rows), BLOCK_SITES)):
        light = Day(Answer(*_sites_of(fleet.light.answer, block)), *_sites_of(fleet.light[1:], block))
        roofs = Roofs(*_sites_of(fleet.roofs, block))
        plain = roofs._replace(level=np.zeros(len(block)), ceiling_w=np.full(len(block), np.inf))
        due = pyranometer.expected_w(light, plain, np.nan_to_num(sky[block])) * np.exp(correction.log_usual[block])
        is_unused = np.isfinite(sky[block]) & ~is_used[block]
        weight = np.where(is_unused, light.share * correction.weight[block], 0.0)
        past = own_past.day_sigma(Correction(*_sites_of(correction, block)), due, np.where(is_unused, light.share, 0.0))
        by_level[block] = limited_days.log_likelihood(
            limited_days.Day(
                np.where(is_unused, due, np.nan),
                sky_sigma[block],
                roofs.ceiling_w,
                light.power_w,
                pyranometer.takers_w(light),
                weight,
                limited_days.sigma(Combined(*_sites_of(found, block)), past, roofs.is_unknown),
                roofs.kwp,
            )
        )
    return by_level


class _Snow(NamedTuple):
    """Of a day; all but `cold` are [sites]."""

    spell_days: NDArray[np.intp]
    cold: Cold  # which excuses no roof of a spell that is worn out
    is_shared: NDArray[np.bool_]  # with another dark roof around
    may_be_snow: NDArray[np.bool_]  # though the spell is worn out


def _snow(fleet: Fleet, odds: pl.DataFrame) -> _Snow:
    light = fleet.light
    noon = fleet.elevation_deg.max(axis=1, initial=0.0)
    warmth = np.where(fleet.is_warmth_measured, fleet.ambient_c, np.nan)
    latitude = fleet.sites["latitude"].to_numpy()
    declination = np.degrees(declination_rad([fleet.day - timedelta(days=cold.LAG_DAYS)]))
    today = cold.of_day(noon, 90 - np.abs(latitude - declination), latitude, warmth)
    clear = clear_w(fleet) * np.exp(fleet.roofs.level)[:, None]
    share = light.share * light.is_free
    made = (np.nan_to_num(light.power_w) * share).sum(axis=1) / 4000
    ratio = cold.clear_ratio(made, (clear * share).sum(axis=1) / 4000, fleet.roofs.kwp)
    before = column(odds, "spell_days", 0.0).astype(np.intp)
    spell = cold.spell_days(before, ratio, fleet.near, today)
    may_be_snow = cold.may_be_snow(spell, today)
    today = today._replace(is_cold=today.is_cold & (spell != cold.WORN_OUT))
    is_sound = ~(column(odds, "log_odds_fall", -20.0) > REFERENCE)
    return _Snow(spell, today, cold.is_shared(ratio, fleet.near, today, is_sound), may_be_snow)


class _White(NamedTuple):
    """What a day's levels may be of, [sites]."""

    doubt: NDArray[np.intp]
    days: NDArray[np.intp]
    may_lie: NDArray[np.bool_]  # snow, since the site was last seen to be free of it


def _white(fleet: Fleet, odds: pl.DataFrame, x: Array, sigma: Array, cold_day: Cold, spell: NDArray[np.intp]) -> _White:
    levels = cold.Levels(
        x + column(fleet.models, "tie", 0.0), sigma, column(odds, "baseline"), column(odds, "baseline_sigma"),
        ~(column(odds, "log_odds_fall", -20.0) > REFERENCE),
    )  # fmt: skip
    before = column(odds, "white_days", 0.0).astype(np.intp)
    is_seen = cold.is_snow_around(levels, before, fleet.near, cold_day)
    is_around = cold.is_white(levels, fleet.near, cold_day)
    days = cold.white_days(before, spell, is_seen, levels.is_free(), cold_day)
    return _White(cold.doubt(is_around, before, levels.is_deep(), cold_day), days, is_seen | (before > 0))


def _coverage(fleet: Fleet) -> Array:
    lit = fleet.sky.up > 0
    return np.asarray((np.isfinite(fleet.reported_w) & lit).sum(axis=1) / np.maximum(lit.sum(axis=1), 1))
