"""What was learned of each roof from days before the judged one: planes, level, usual ratios, the weight of each pair.

Learned on a schedule: often while a site is young, every fortnight later. Suspect days, from the start of a fall that
the test believes in, and snow are left out. A refit never moves a settled site's level: the new model is tied to the
old one over the days that both saw, so a change of model is no change of the site. A young site's days are computed
anew by the new model and by what is known of its neighbours now, and its test runs over them again.
"""

import zlib
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar.plane_response import USUAL_SHARES
from detectors.stats.robust import MAD_TO_SIGMA, Array, median, median_of, medians_of_groups, nullable, quantile_of
from detectors.yields import half_hours, lone_site, roof_fit, turned_planes
from detectors.yields.day_residual import PAIR_FLOOR, effective, few_variance, heard, own_scale, weighted_median
from detectors.yields.half_hours import Days
from detectors.yields.own_past import Past
from detectors.yields.roofs import PlaneRow, Planes
from detectors.yields.turned_planes import Turn

ROOF_MODEL = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),  # used from this day on; learned from earlier ones
        "learned_days": pl.Int32(),  # days with a residual behind it
        "shares": pl.List(pl.Float64),  # of the basis planes; null where the register knows the planes
        "turn_deg": pl.Float64(),  # by which the registered planes lie turned, clockwise; null = as registered
        "turned_from_deg": pl.List(pl.Float64),  # their registered azimuths then
        "turn_left_ratio": pl.Float64(),  # what that leaves of what the registered planes do not explain
        "level": pl.Float64(),  # log of the performance over the usual one
        "tie": pl.Float64(),  # added to residuals, so that a refit moves no settled level
        "offset": pl.List(pl.Float64),  # usual log ratios by half hour of UTC, dull then bright; null = not known
        "noise": pl.List(pl.Float64),  # their variances
        "pair_key": pl.List(pl.Int64),  # neighbours, by `key_of`
        "pair_sigma": pl.List(pl.Float64),  # scatter of each pair from day to day
        "scale": pl.Float64(),  # the site's own day-to-day scale
        "peak_w": pl.Float64(),  # highest generation seen
        "charge_limit_w": pl.Float64(),  # highest charging with room; null = not seen often enough
        "energy": pl.Float64(),  # upper quartile of the usable kWh per kWp of a day
        "neighbours": pl.Float64(),  # median of their effective number
        "input_mix": pl.List(pl.Float64),  # W per W/m2 of each input from each plane, input by input
        "input_scale": pl.List(pl.Float64),
        "is_replayed": pl.Boolean(),  # the test runs again over the days of history
        "history_day": pl.List(pl.Date()),  # a young site's days by this model; kept for sixty days more
        "history_x": pl.List(pl.Float64),
        "history_sigma": pl.List(pl.Float64),
        "history_input_x": pl.List(pl.Float64),  # day by day, all inputs
        "history_input_sigma": pl.List(pl.Float64),
    }
)
YOUNG_DAYS = 60
FIRST_ON = (3, 5, 7, 10)  # ours: days since the first one
YOUNG_ON = (14, 18, 22, 26, 30, 35, 40, 45, 50, 55, 60)  # ours: likewise, or some days earlier
SPREAD_DAYS = 4  # ours: over so many nights; a fleet whose history came at once would be learned in one
LEARN_EVERY_DAYS = 14  # ours: the sun's course moves a half hour's bin by a few degrees in that time
LEVEL_DAYS = 45
LEVEL_STEP, LEVEL_CLIP = 0.7, (-1.5, 1.0)  # ours: neighbours learn on the same night, all of it would overshoot
LEVEL_PULL = 0.95  # ours: what all levels have in common cannot be seen; this draws it to the usual performance
FEW_NEIGHBOURS, MIN_CLEAR_DAYS, CLEAR_SHARE = 2.5, 2, 0.5  # ours: effective number; days; of a day's energy
# An even overcast has a clear day's shape and lets through 9 to 55 % of its light (`diagnosis.OVERCAST`), each day
# another share; what a roof lacks it lacks on all of them alike.
OVERCAST_HIGH, ALIKE, ALIKE_DAYS = -0.6, 0.1, 4
SKY_ERROR = 0.25  # ours: log; air much clearer or hazier than usual, and a low sun on planes by two models of the sky
MIN_CHARGES = 30  # ours: intervals; fewer do not show a battery's limit
UNKNOWN_PAIR_SIGMA = 0.3  # ours: a pair never seen
PEAK_FACTOR = 1.1  # ours: the highest clipped power may not have been seen yet
RATINGS = ("inverter_kw", "installed_kwp")
# Ours: of the capacity; inverters are laid out for 0.6 to 1.3 of their modules, and none for a third: a cloud's edge
# lifts every roof to its inverter's rating now and then.
MIN_CEILING_RATIO, LEAST_RATIO = 0.5, 1 / 3
AT_RATIO, BEYOND_RATIO = 0.95, 1.05  # ours: of the rating; meters and ratings agree within a twentieth
EPOCH = date(1970, 1, 1)


class Residuals(NamedTuple):
    """What earlier nights said, laid by site and day: [sites, days] unless said; NaN where nothing was said."""

    first: date
    x: Array  # of the pairs, one level from day to day
    own_x: Array  # the same by the model of that night, without its tie
    consensus_x: Array  # of the neighbours' median sky, by the same
    variance: Array  # without own scale and past sigma
    past_sigma: Array
    energy: Array
    neighbours: Array
    lone_x: Array  # log of the level that the day's best spans reach under a clear sky
    lone_near: Array  # share of the energy near it
    lone_energy: Array  # kWh per kWp of a clear day over what it was told by
    peak_w: Array
    charge_limit_w: Array
    charges: Array
    is_out: NDArray[np.bool_]  # suspect or snow
    pair_key: NDArray[np.int64]  # [sites, days, neighbours], 0 where empty
    pair_ratio: Array  # [sites, days, neighbours]
    is_fallen: NDArray[np.bool_]  # likewise; the pair's neighbour is known by now to have fallen
    level: Array  # the site's own as that night took it, log
    pair_moved: Array  # [sites, days, neighbours]; by how much the neighbour's level has moved up since that night


def key_of(site_id: str) -> int:
    """A neighbour's key in lists: small, and the same on every machine."""
    return zlib.crc32(site_id.encode()) + 1


def is_due(site_ids: Sequence[str], age_days: Array, day: date) -> NDArray[np.bool_]:
    """The sites whose models are learned on `day`; `age_days`, [sites], NaN = no data yet."""
    keys = np.array([key_of(one) for one in site_ids], dtype=np.int64)
    turn = (keys + (day - EPOCH).days) % LEARN_EVERY_DAYS == 0
    is_young_turn = np.isin(age_days, FIRST_ON) | np.isin(age_days + keys % SPREAD_DAYS, YOUNG_ON)
    with np.errstate(invalid="ignore"):
        return np.where(age_days <= YOUNG_DAYS, is_young_turn, turn & np.isfinite(age_days))


def ceiling_w(sites: pl.DataFrame, peak_w: Array) -> Array:
    """The inverter's rating in W, else a tenth above the highest generation seen, else no ceiling (inf); [sites].

    What a limited site was seen to make says little of its inverter. A ceiling below half of the registered capacity
    is one only where the roof was seen at it: else the register has the wrong modules or the wrong inverter, and cut at
    it, a tenth of the modules would look like most of them. Nor is a rating that the roof exceeds.
    """
    rating, kwp = (1000 * sites[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in RATINGS)
    peak = np.where(peak_w > 0, peak_w, np.nan)
    with np.errstate(invalid="ignore"):
        is_small = (rating < LEAST_RATIO * kwp) | ((rating < MIN_CEILING_RATIO * kwp) & ~(peak >= AT_RATIO * rating))
        is_wrong = is_small | (peak > BEYOND_RATIO * rating)
        is_seen = sites["feed_in_limit_kw"].is_null().to_numpy() & (PEAK_FACTOR * peak >= MIN_CEILING_RATIO * kwp)
    seen = np.where(is_seen, PEAK_FACTOR * peak, np.inf)
    return np.where(np.isfinite(rating) & ~is_wrong, rating, seen)


def learn(
    sites: pl.DataFrame,
    planes: Planes,
    half_hourly: pl.DataFrame,
    seen: Residuals,
    before: pl.DataFrame,
    age_days: Array,
    day: date,
    common: Array | None = None,
) -> pl.DataFrame:
    """ROOF_MODEL rows for `sites` (SITES, sorted) from `half_hourly` (HALF_HOURLY) and `seen` of earlier days.

    `before` are their newest models so far, one each; `age_days` counts from each site's first day, [sites]; `common`
    is what the levels around each have in common (`common_level`), [sites].
    """
    common = np.zeros(sites.height) if common is None else common
    earlier = {row["site_id"]: row for row in before.iter_rows(named=True)}
    days = half_hours.lay(half_hourly, sites)
    bounds = np.searchsorted(days.site, np.arange(sites.height + 1))
    known = planes.is_known(sites.height)
    peak = _highest(seen.peak_w)
    ceiling = ceiling_w(sites, peak)
    keys, sigmas = _pairs(seen)
    is_young = age_days <= YOUNG_DAYS
    seen = _in_hindsight(seen, is_young, keys, sigmas)
    rows: list[dict[str, Any]] = []
    for n, site in enumerate(sites.iter_rows(named=True)):
        old = earlier.get(site["site_id"], {})
        mine = half_hours.of_rows(days, slice(bounds[n], bounds[n + 1]))
        at = mine.day - (seen.first - EPOCH).days
        inside = (at >= 0) & (at < seen.x.shape[1])
        mine, at = half_hours.of_rows(mine, inside), at[inside]
        told = planes.of(n)
        turn = _turn(mine, told, site, float(ceiling[n]), old, seen.neighbours[n])
        by = turn.turn_deg if turn else 0.0
        roof = roof_fit.fit(
            mine,
            planes=[(share, tilt, (azimuth + by) % 360) for share, tilt, azimuth in told],
            latitude=site["latitude"],
            kwp=site["installed_kwp"],
            ceiling_w=float(ceiling[n]),
            level=_level(old.get("level", 0.0), seen, n),
            shares=np.asarray(old.get("shares") or USUAL_SHARES),
            is_out=seen.is_out[n, at],
        )
        x, past_sigma = seen.own_x[n].copy(), seen.past_sigma[n].copy()
        x[at] += np.nan_to_num(roof.x - seen.consensus_x[n, at])
        past_sigma[at] = np.where(np.isfinite(roof.x), roof.past_sigma, past_sigma[at])
        variance = seen.variance[n] + past_sigma**2
        scale = float(own_scale(x[None], variance[None])[0])
        so_far, carried = _history(old, seen, n)
        tie = float(np.nan_to_num(median(np.where(seen.is_out[n], np.nan, so_far - x))))
        if is_young[n]:
            tie = -float(common[n])  # of what its neighbours all have the sky's model is the cause, not its modules
        energy = _usable_energy(seen, n, has_planes=bool(known[n]))
        entry: dict[str, Any] = {
            "site_id": site["site_id"],
            "day": day,
            "learned_days": int(np.isfinite(x).sum()),
            "shares": None if known[n] else roof.shares.tolist(),
            "turn_deg": turn.turn_deg if turn else None,
            "turned_from_deg": [azimuth for _, _, azimuth in told] if turn else None,
            "turn_left_ratio": turn.left_ratio if turn else None,
            "level": roof.level,
            "tie": tie,
            "is_replayed": bool(is_young[n]),
            "offset": nullable(roof.past.offset[0]),
            "noise": nullable(roof.past.noise[0]),
            "pair_key": keys[n],
            "pair_sigma": sigmas[n],
            "scale": scale,
            "peak_w": float(peak[n]) if peak[n] > 0 else None,
            "charge_limit_w": _charge_limit(seen.charge_limit_w[n], seen.charges[n]),
            "energy": quantile_of(energy, 0.75) if len(energy) else None,
            "neighbours": _number(median(np.where(seen.neighbours[n] > 0, seen.neighbours[n], np.nan))),
            "input_mix": None if roof.input_mix is None else roof.input_mix.ravel().tolist(),
            "input_scale": None if roof.input_mix is None else roof.input_scale.tolist(),
        }
        if not is_young[n]:
            entry |= carried
        else:
            on = np.flatnonzero(np.isfinite(x))
            entry |= {
                "history_day": [seen.first + timedelta(days=int(one)) for one in on],
                "history_x": (x[on] + tie).tolist(),
                "history_sigma": (np.sqrt(variance[on]) * scale).tolist(),
            }
            if roof.input_mix is not None:
                inputs = np.full((2, seen.x.shape[1], half_hours.MAX_INPUTS), np.nan)
                inputs[:, at] = roof.input_x, roof.input_sigma
                entry |= {
                    "history_input_x": nullable(inputs[0, on].ravel()),
                    "history_input_sigma": nullable(inputs[1, on].ravel()),
                }
        rows.append(entry)
    return pl.DataFrame(rows, schema=ROOF_MODEL)


def _turn(
    days: Days, planes: list[PlaneRow], site: Mapping[str, Any], ceiling_w: float, old: dict[str, Any], beside: Array
) -> Turn | None:
    """How the registered planes lie turned; found beside others enough, as of two that differ either may be wrong."""
    is_same = old.get("turned_from_deg") == [azimuth for _, _, azimuth in planes]
    before = Turn(old["turn_deg"], old["turn_left_ratio"], is_steady=True) if is_same else None
    known = beside[beside > 0]
    if before is None and (not len(known) or median_of(known) < FEW_NEIGHBOURS):
        return None
    return turned_planes.found(days, planes, site["installed_kwp"], ceiling_w, before)


def _history(old: dict[str, Any], seen: Residuals, n: int) -> tuple[Array, dict[str, Any]]:
    """The site's residuals on one level, [days], and what is left of the history of its youth, to be carried on."""
    x = seen.x[n].copy()
    names = ("history_day", "history_x", "history_sigma")
    carried = [row for row in zip(*(old.get(name) or [] for name in names), strict=True) if row[0] >= seen.first]
    for day, value, _ in carried:
        place = (day - seen.first).days
        if place < len(x):
            x[place] = value
    return x, {name: [row[k] for row in carried] for k, name in enumerate(names)} if carried else {}


def _usable_energy(seen: Residuals, n: int, *, has_planes: bool) -> Array:
    """kWh per kWp by which the days told the site's level: beside neighbours, or those that were clear, of all days.

    A limit leaves a lone roof the low suns, of which planes that nobody knows may make anything.
    """
    beside = seen.energy[n][seen.energy[n] > 0]
    if len(beside) or not has_planes:
        return beside
    is_clear = np.interp(seen.lone_near[n], *lone_site.CLEAR_CHANCE) > 0.5
    return np.asarray(np.where(is_clear, seen.lone_energy[n], 0.0)[np.isfinite(seen.lone_x[n])])


def _highest(values: Array) -> Array:
    return np.where(np.isfinite(values), values, 0.0).max(axis=1, initial=0.0)


def _level(before: float | None, seen: Residuals, n: int) -> float:
    """The site's level moved towards its recent residuals.

    Of two sites that differ nobody can say which is wrong, so where there are few neighbours clear days tell the level,
    if it differs by more than what a clear-sky model errs by: that it errs by at both, and each learns it on its night.
    What differs by less is as near to the register as clear days or neighbours, some of them under snow, have it.
    """
    old = before or 0.0
    usable = seen.own_x[n][np.isfinite(seen.own_x[n]) & ~seen.is_out[n]][-LEVEL_DAYS:]
    step = float(np.clip(median_of(usable) - old, *LEVEL_CLIP)) if len(usable) else 0.0
    beside = (old + LEVEL_STEP * step) * LEVEL_PULL
    clear = _of_clear_days(seen.lone_x[n][(seen.lone_near[n] >= CLEAR_SHARE) & np.isfinite(seen.lone_x[n])])
    known = seen.neighbours[n][seen.neighbours[n] > 0]
    if not len(known) or median_of(known) >= FEW_NEIGHBOURS or len(clear) < MIN_CLEAR_DAYS:
        return beside
    alone = float(np.clip(median_of(clear), *LEVEL_CLIP))
    return alone if abs(alone) > SKY_ERROR else min(alone, beside, key=abs)


def _of_clear_days(levels: Array) -> Array:
    """The levels of days that were clear, of days with a clear day's shape, as many as there are or the last ones."""
    bright = levels[levels > OVERCAST_HIGH]
    if len(bright) < MIN_CLEAR_DAYS:
        highest = levels[levels > levels.max(initial=-np.inf) - ALIKE]
        bright = highest if len(highest) >= ALIKE_DAYS else bright
    return bright[-LEVEL_DAYS:]


def _charge_limit(limits_w: Array, charges: Array) -> float | None:
    """The highest charging with room left; the second highest day's where there are several, a glitch lasts one."""
    highest = np.sort(limits_w[np.isfinite(limits_w) & (charges > 0)])
    if np.nansum(charges) < MIN_CHARGES or not len(highest):
        return None
    return float(highest[-2] if len(highest) >= 3 else highest[-1])


def _pairs(seen: Residuals) -> tuple[list[list[int]], list[list[float]]]:
    """Each site's neighbours of these days, and the scatter of each pair from day to day."""
    keys: list[list[int]] = []
    sigmas: list[list[float]] = []
    for n in range(len(seen.x)):
        usable = ~seen.is_out[n]
        own, group = np.unique(seen.pair_key[n], return_inverse=True)
        known = np.isfinite(seen.pair_ratio[n]) & usable[:, None] & (seen.pair_key[n] != 0)
        ratio, group = seen.pair_ratio[n][known], group.reshape(known.shape)[known]
        deviation, counts = _scatter(group, ratio, len(own))
        sigma = np.where(counts > 1, deviation * MAD_TO_SIGMA, UNKNOWN_PAIR_SIGMA)
        is_seen = np.isin(own, seen.pair_key[n][usable]) & (own != 0)
        keys.append(own[is_seen].tolist())
        sigmas.append(sigma[is_seen].tolist())
    return keys, sigmas


def pair_sigma(keys: NDArray[np.int64], learned: pl.DataFrame) -> Array:
    """The scatter of each pair as `learned` (pair_key and pair_sigma of ROOF_MODEL, a row per site), [sites, pairs]."""
    sigma = np.full(keys.shape, UNKNOWN_PAIR_SIGMA)
    flat = learned.select("pair_key", "pair_sigma").with_row_index("row").drop_nulls("pair_key")
    flat = flat.explode("pair_key", "pair_sigma").drop_nulls()
    if flat.is_empty():
        return sigma
    row, at = np.nonzero(keys)
    asked = pl.DataFrame({"row": row.astype(np.uint32), "at": at, "pair_key": keys[row, at]})
    found = asked.join(flat, on=["row", "pair_key"], how="inner")
    sigma[found["row"].to_numpy(), found["at"].to_numpy()] = found["pair_sigma"].to_numpy()
    return sigma


def _in_hindsight(
    seen: Residuals, is_young: NDArray[np.bool_], keys: list[list[int]], sigmas: list[list[float]]
) -> Residuals:
    """The days of young sites as they are by what is known of their neighbours now.

    On the night itself nobody knew who had fallen, and of one or two neighbours the median tolerates none that did:
    their site seemed to make more than its own, and to fall once they were found out. Nor did anybody know the levels
    of a young fleet's roofs; with those of each night a site's days would lie on as many levels as its neighbours had.
    NaN where no other neighbour was there.
    """
    is_pair = np.isfinite(seen.pair_ratio) & (seen.pair_key != 0)
    is_fallen = is_pair & seen.is_fallen
    is_changed = is_young[:, None] & (is_fallen | (is_pair & (seen.pair_moved != 0))).any(axis=2)
    learned = pl.DataFrame(
        {"pair_key": keys, "pair_sigma": sigmas},
        schema={name: ROOF_MODEL[name] for name in ("pair_key", "pair_sigma")},
    )
    sigma = pair_sigma(seen.pair_key.reshape(len(keys), -1), learned).reshape(seen.pair_key.shape)
    weight = is_pair / (sigma**2 + PAIR_FLOOR**2)
    rest, ratio = np.where(is_fallen, 0.0, weight), np.nan_to_num(seen.pair_ratio)
    then, rest = heard(ratio, weight), heard(ratio + seen.pair_moved, rest)
    now = weighted_median(ratio + seen.pair_moved, rest)
    more = few_variance(effective(rest)) - few_variance(effective(then))
    return seen._replace(
        own_x=np.where(is_changed & np.isfinite(seen.own_x), now + seen.level, seen.own_x),
        variance=seen.variance + np.where(is_changed, more, 0.0),
    )


def _scatter(group: NDArray[np.intp], ratio: Array, groups: int) -> tuple[Array, NDArray[np.intp]]:
    """The median absolute deviation of each group, [groups], and its number of values; 0 where it has none."""
    deviation, counts = np.zeros(groups), np.zeros(groups, dtype=np.intp)
    own, place = np.unique(group, return_inverse=True)
    middle, counts[own] = medians_of_groups(place, ratio)
    deviation[own], _ = medians_of_groups(place, np.abs(ratio - middle[place]))
    return deviation, counts


def _number(value: Array) -> float | None:
    return float(value) if np.isfinite(value) else None


def past_of(models: pl.DataFrame, name: str, width: int) -> Array:
    """A list column of ROOF_MODEL rows as [rows, width]; NaN where null."""
    table = np.full((models.height, width), np.nan)
    some = models.select(name).with_row_index("row").drop_nulls(name)
    if some.height:
        table[some["row"].to_numpy()] = (
            some[name].explode().cast(pl.Float64).fill_null(float("nan")).to_numpy().reshape(some.height, width)
        )
    return table


def past(models: pl.DataFrame, width: int) -> Past:
    """The usual ratios that ROOF_MODEL rows hold, in their order."""
    return Past(past_of(models, "offset", width), past_of(models, "noise", width))
