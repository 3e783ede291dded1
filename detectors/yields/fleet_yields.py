"""What the fleet should have made and made, worked out once a day for all the detectors of yield.

The sky over a site comes from its own irradiance channel where there is one, else from its neighbours, else from its
own clear days against the model. Hours that a feed-in limit held back are left out on both sides.
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.finding import Reason
from detectors.finding import doubts as doubts_of
from detectors.solar import pv_model
from detectors.stats.robust import Array, median
from detectors.yields import hourly, site_model
from detectors.yields.peer_comparison import LEAST, Comparison, compare, picked, sound_level
from detectors.yields.site_model import MAX_WANDER_RATIO, MODEL

HEARD_SHIFT_MIN = 120.0  # ours: midnight moved by two hours stays dark below 60 degrees: the day's energy is right

LEAST_FREE_RATIO = 0.4  # ours: below it what is left of a held-back day is its dim edges
FITTING_SENSOR = (0.8, 1.2)  # ours: a sensor that reads outside it on clear days does not lie in the modules' plane
LEAST_CLEAR_RATIO = 0.4  # ours: an even grey day makes under two fifths of a clear one
BLOCK_ROWS = 4000  # site-days; their 48 instants hold 1.5 MB an array
SURER_RATIO = 0.7  # ours: of the new spread; planes learned that much better stay
HOLD_RATIO = 0.95  # ours: a level lower than that may be a fault coming on, so the earlier one is kept
MAX_SCATTER_RATIO = 0.12  # ours: where single days scatter by more, as in a dim winter, there is no level to remember
MIN_PAST_DAYS = 20  # ours: fewer days may all have been of one kind
DEFAULT_TILT_DEG = 25.0  # for the course of the day alone, where no plane is known
KEPT_BY = "underperformance"  # the detector whose kept rows these are
ALONE, SENSOR, NEIGHBOURS = "clear days alone", "its own irradiance", "its neighbours"


class Yields(NamedTuple):
    """The fleet's days up to the judged one; arrays are [sites, days] in the order of `seen.sites` and `seen.dates`."""

    seen: Comparison  # sites with learned planes filled in where the register is silent
    models: pl.DataFrame  # MODEL, the newest row of each site
    learned: pl.DataFrame  # the rows of `models` that are of the judged day: to be remembered
    register: pl.DataFrame  # SITES as the register has them, in the order of seen.sites
    kept: pl.DataFrame  # KEPT of hours
    doubts: dict[str, Reason]  # why a site's own readings of the day are not to be trusted
    free_ratio: Array  # share of the day's clear energy that nothing held back
    reference_ratio: Array  # [sites]: the level beside its neighbours while it was sound
    source: NDArray[np.str_]  # where the day's sky comes from
    ratio: Array  # actual over expected with the planes that fit best
    expected_kwh: Array  # what each roof should have made, held-back hours left out; NaN where nobody can say

    def planes_text(self, row: int) -> str:
        """Where a site's planes come from."""
        if not self.seen.has_planes[row]:
            return "unknown: the roof least in its disfavour"
        own = self.register.row(row, named=True)
        site = self.seen.sites.row(row, named=True)
        if own["tilt_deg"] is None and site["tilt_deg"] is not None:
            return f"learned: {site['tilt_deg']:.0f} deg tilt, {site['azimuth_deg']:.0f} deg azimuth"
        return "register"


def look(
    kept: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    models: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> Yields:
    """The fleet's yields over the 60 days up to `day`.

    `kept` are KEPT rows of hours, `models` MODEL rows of days before `day` (one or more per site), `earlier` the
    findings of the detectors that come before those of yield.
    """
    sites = sites.sort("site_id")
    kept = kept.sort("site_id", "day")
    doubts = doubts_of(earlier, "time", "readings")
    known = models.filter(pl.col("day") < day).sort("site_id", "day").group_by("site_id", maintain_order=True).last()
    learned = _learn(kept, sites, planes, known, doubts, day)
    learned = _surer_planes(learned, known)
    newest = pl.concat([learned, known.join(learned.select("site_id"), on="site_id", how="anti")]).sort("site_id")
    filled = site_model.filled(sites, newest)
    kept = kept.filter(pl.col("day").is_between(day - timedelta(days=59), day)).sort("site_id", "day")
    free = _free(kept, filled, planes)
    seen = compare(_as_if_free(days, free), filled, planes, last_day=day, left_out=_unheard(earlier))
    table = _laid(free, "free_ratio", seen, 1.0)
    actual = _laid(free, "actual_kwh", seen, np.nan)
    seen, source = _own_sky(
        seen._replace(actual_kwh=np.where(np.isfinite(actual), actual, seen.actual_kwh)), kept, planes
    )
    reference = _reference(seen, known)
    learned = _with_memory(learned, seen, reference, kept, known)
    newest = pl.concat([learned, newest.join(learned.select("site_id"), on="site_id", how="anti")]).sort("site_id")
    ratio, kwh = picked(seen.ratio, seen.best), picked(seen.expected_kwh, seen.best) * table
    return Yields(seen, newest, learned, sites, kept, doubts, table, reference, source, ratio, kwh)


def _unheard(earlier: pl.DataFrame) -> set[str]:
    """The sites in doubt that tell nothing of their neighbours' sky either; a day shifted a little still does."""
    is_shift = pl.col("unreliable").list.contains("time") & (pl.col("unit") == "min")  # the value is the error
    is_near_right = is_shift & (pl.col("value").abs() <= HEARD_SHIFT_MIN)
    makes_doubt = pl.col("unreliable").list.contains("time") | pl.col("unreliable").list.contains("readings")
    return set(earlier.filter(makes_doubt & ~is_near_right.fill_null(False))["site_id"])


def _learn(
    kept: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    known: pl.DataFrame,
    doubts: dict[str, Reason],
    day: date,
) -> pl.DataFrame:
    due = sites.filter(site_model.is_due(sites["site_id"].to_list(), known, day))
    due = due.filter(~pl.col("site_id").is_in(list(doubts)))
    return site_model.learn(kept.join(due.select("site_id"), on="site_id", how="semi"), due, planes, day)


def _surer_planes(learned: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """`learned` with the planes known before where those were much surer: roofs do not turn, and winters are dim."""
    names = ["tilt_deg", "tilt_spread_deg", "azimuth_deg", "azimuth_spread_deg"]
    before = known.select("site_id", *(pl.col(name).alias(f"_{name}") for name in names))
    is_surer = (pl.col("_tilt_spread_deg") < SURER_RATIO * pl.col("tilt_spread_deg")).fill_null(False)
    return (
        learned.join(before, on="site_id", how="left", maintain_order="left")
        .with_columns(pl.when(is_surer).then(f"_{name}").otherwise(name).alias(name) for name in names)
        .select(learned.columns)
    )


def _modelled_kw(rows: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame) -> tuple[Array, Array]:
    """kW of each row's roof by the hour under a clear sky, and W/m2 on it (mean by size), both [rows, 24]."""
    about = sites.select("site_id", "latitude", "longitude", "inverter_kw", "installed_kwp")
    rows = rows.join(about, on="site_id", how="left", maintain_order="left")
    roofs = site_model.known_roofs(sites, planes)
    rest = sites.join(roofs.select("site_id").unique(), on="site_id", how="anti").select(
        "site_id",
        kwp="installed_kwp",
        tilt_deg=pl.lit(DEFAULT_TILT_DEG),
        azimuth_deg=pl.when(pl.col("latitude") >= 0).then(180.0).otherwise(0.0),
    )
    roofs = pl.concat([roofs, rest])
    kw, plane = np.zeros((rows.height, 24)), np.zeros((rows.height, 24))
    for start in range(0, rows.height, BLOCK_ROWS):
        part = rows.slice(start, BLOCK_ROWS)
        clear = pv_model.clear_hours(
            part["latitude"].to_numpy(),
            part["longitude"].to_numpy(),
            part["day"].cast(pl.Int32).cast(pl.Float64).to_numpy(),
            part["ambient_temp_c"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
        )
        numbered = part.select("site_id", "installed_kwp").with_row_index("at")
        mine = numbered.join(roofs, on="site_id", how="inner").sort("at", "tilt_deg", "azimuth_deg")
        limit = part["inverter_kw"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        block = slice(start, start + part.height)
        kw[block] = pv_model.roof_kw(clear, mine, mine["at"].to_numpy(), part.height, limit)
        light = pv_model.by_hour(
            pv_model.on_plane(
                pv_model.Sky(*(values[mine["at"].to_numpy()] for values in clear.sky)),
                mine["tilt_deg"].to_numpy()[:, None],
                mine["azimuth_deg"].to_numpy()[:, None],
            )
        )
        np.add.at(
            plane[block], mine["at"].to_numpy(), light * (mine["kwp"] / mine["installed_kwp"]).to_numpy()[:, None]
        )
    return kw, plane


def _free(kept: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, free_ratio, actual_kwh] of the days with held-back hours: what was left free, and made there."""
    rows = kept.filter(pl.col("held_back_hours") != 0).join(sites.select("site_id"), on="site_id", how="semi")
    if rows.is_empty():
        return pl.DataFrame(
            schema={"site_id": pl.String, "day": pl.Date, "free_ratio": pl.Float64, "actual_kwh": pl.Float64}
        )
    clear, _ = _modelled_kw(rows, sites, planes)
    is_free = ~hourly.is_held(rows)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.nan_to_num((clear * is_free).sum(axis=-1) / clear.sum(axis=-1))
    made = np.nansum(hourly.table(rows, "pv_w") * is_free, axis=-1) / 1000
    return rows.select("site_id", "day").with_columns(free_ratio=ratio, actual_kwh=made)


def _as_if_free(days: pl.DataFrame, free: pl.DataFrame) -> pl.DataFrame:
    """`days` with the energy that the free hours promise for the whole day, where enough of it was free."""
    is_enough = pl.col("free_ratio") >= LEAST_FREE_RATIO
    return (
        days.join(free, on=["site_id", "day"], how="left")
        .with_columns(
            pv_kwh=pl.when(is_enough).then(pl.col("actual_kwh") / pl.col("free_ratio")).otherwise("pv_kwh"),
            held_back_h=pl.when(is_enough)
            .then(0.0)
            .when(pl.col("free_ratio").is_not_null())
            .then(pl.max_horizontal("held_back_h", 1.0))
            .otherwise("held_back_h"),
        )
        .drop("free_ratio", "actual_kwh")
    )


def _laid(rows: pl.DataFrame, name: str, seen: Comparison, empty: float) -> Array:
    """A column of rows [site_id, day, ...] as [sites, days]."""
    told = np.full((seen.sites.height, len(seen.dates)), empty)
    place = _places(rows, seen)
    at = place.filter(pl.col("row").is_not_null(), pl.col("at").is_between(0, len(seen.dates) - 1))
    told[at["row"].to_numpy(), at["at"].to_numpy()] = at[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return told


def _places(rows: pl.DataFrame, seen: Comparison) -> pl.DataFrame:
    index = seen.sites.select("site_id").with_row_index("row")
    return rows.join(index, on="site_id", how="left", maintain_order="left").with_columns(
        at=(pl.col("day") - pl.lit(seen.dates[0])).dt.total_days()
    )


def _own_sky(seen: Comparison, kept: pl.DataFrame, planes: pl.DataFrame) -> tuple[Comparison, NDArray[np.str_]]:
    """The comparison with the sky by the site's own sensor, or by its own clear days where nobody is near."""
    source = np.full(seen.neighbours.shape, NEIGHBOURS, dtype="<U20")
    places = _places(kept, seen).filter(pl.col("row").is_not_null(), pl.col("at").is_between(0, len(seen.dates) - 1))
    is_alone = seen.neighbours < LEAST
    lonely = is_alone[places["row"].to_numpy(), places["at"].to_numpy()]
    has_sensor = places["irradiance_w_m2"].is_not_null().to_numpy()
    is_smooth = (places["wander_ratio"].fill_null(9.0) <= MAX_WANDER_RATIO).to_numpy()
    rows = places.filter(pl.Series(has_sensor | (lonely & is_smooth)))
    if rows.is_empty():
        return seen, source
    by_model, light = _modelled_kw(rows, seen.sites, planes)
    due, is_told, is_sensed = _due(rows, seen, by_model, light)
    row, at = rows["row"].to_numpy(), rows["at"].to_numpy()
    use = is_told & (is_sensed | is_alone[row, at])
    row, at, kwh = row[use], at[use], due[use]
    expected, ratio, sky = seen.expected_kwh.copy(), seen.ratio.copy(), seen.sky_ratio.copy()
    spread = seen.disagreement_ratio.copy()
    expected[row, :, at] = kwh[:, None]
    whole = (seen.coverage_pct[row, at] >= 90) & ~(seen.held_back_h[row, at] > 0.5)
    ratio[row, :, at] = np.where(whole, seen.actual_kwh[row, at] / kwh, np.nan)[:, None]
    sky[row, at] = np.clip(kwh / np.maximum(by_model.sum(axis=-1)[use], 1e-6), 0, 1.2)
    spread[row, at] = 0.0
    source[row, at] = np.where(is_sensed[use], SENSOR, ALONE)
    return seen._replace(expected_kwh=expected, ratio=ratio, sky_ratio=sky, disagreement_ratio=spread), source


def _due(
    rows: pl.DataFrame, seen: Comparison, by_model: Array, light: Array
) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """kWh that each row's day should have made, whether that can be told, and whether a sensor told it."""
    sensed = hourly.table(rows, "irradiance_w_m2")
    about = seen.sites[rows["row"].to_numpy()]
    kwp = about["installed_kwp"].to_numpy()[:, None]
    limit = about["inverter_kw"].cast(pl.Float64).fill_null(float("nan")).to_numpy()[:, None]
    warm = pv_model.usual_ambient_c(
        about["latitude"].to_numpy(), rows["day"].cast(pl.Int32).cast(pl.Float64).to_numpy()[:, None]
    )
    own = rows["ambient_temp_c"].cast(pl.Float64).fill_null(float("nan")).to_numpy()[:, None]
    dc = pv_model.per_kwp(np.nan_to_num(sensed), np.where(np.isfinite(own), own, warm)) * kwp
    by_sensor = pv_model.to_grid(dc, limit).sum(axis=-1)
    is_smooth = (rows["wander_ratio"].fill_null(9.0) <= MAX_WANDER_RATIO).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        reading = np.nansum(sensed, axis=-1) / light.sum(axis=-1)
    fits = np.zeros(seen.sites.height, dtype=bool)
    for row in np.unique(rows["row"].to_numpy()[np.isfinite(sensed).any(axis=-1)]):
        clear = reading[(rows["row"].to_numpy() == row) & is_smooth & (reading > LEAST_CLEAR_RATIO)]
        fits[row] = len(clear) > 0 and FITTING_SENSOR[0] <= np.median(clear) <= FITTING_SENSOR[1]
    # A sensor that misses daylight hours would promise too little.
    is_whole = (np.isfinite(sensed) | (light < 20)).all(axis=-1)
    is_sensed = fits[rows["row"].to_numpy()] & is_whole
    made = np.nansum(hourly.table(rows, "pv_w"), axis=-1) / 1000
    model_kwh = by_model.sum(axis=-1)
    is_clear = is_smooth & (made >= LEAST_CLEAR_RATIO * model_kwh)
    due = np.where(is_sensed, by_sensor, model_kwh)
    return due, (is_sensed | is_clear) & (due > 0), is_sensed


def _reference(seen: Comparison, known: pl.DataFrame) -> Array:
    """The sound level of each site: of this window, or the remembered one while the window's is lower."""
    ratio = picked(seen.ratio, seen.best)
    past = ratio[:, :-10]
    level, scatter = sound_level(past)
    with np.errstate(invalid="ignore"):
        is_plain = (np.isfinite(past).sum(axis=-1) >= MIN_PAST_DAYS) & (scatter <= MAX_SCATTER_RATIO)
    level = np.where(is_plain, level, np.nan)
    before = seen.sites.select("site_id", now="installed_kwp").join(
        known.select("site_id", "installed_kwp", "reference_ratio"), on="site_id", how="left", maintain_order="left"
    )
    # The same roof under another registered size stands at another level.
    held = before.select(pl.col("reference_ratio") * pl.col("installed_kwp") / pl.col("now")).to_series()
    held_ratio = held.fill_null(float("nan")).to_numpy()
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(held_ratio) & ~(level >= HOLD_RATIO * held_ratio), held_ratio, level)


def input_shares(kept: pl.DataFrame) -> pl.DataFrame:
    """[site_id, input1_share_pct..]: the median share of each input over the days, null where it never reported."""
    names = [f"pv{n}_kwh" for n in range(1, 5)]
    total = pl.sum_horizontal(names)
    return (
        kept.filter(total > 0)
        .group_by("site_id")
        .agg((pl.col(name) / total * 100).median().alias(f"input{n}_share_pct") for n, name in enumerate(names, 1))
    )


def _with_memory(
    learned: pl.DataFrame, seen: Comparison, reference: Array, kept: pl.DataFrame, known: pl.DataFrame
) -> pl.DataFrame:
    """The learned rows with what a window forgets: the sound level, and the inputs' shares while that level held."""
    level = median(picked(seen.ratio, seen.best)[:, -10:])
    with np.errstate(invalid="ignore"):
        is_sound = level >= HOLD_RATIO * reference
    of_site = seen.sites.select("site_id").with_columns(
        told=pl.Series(reference).fill_nan(None), is_sound=pl.Series(is_sound)
    )
    shares = [f"input{n}_share_pct" for n in range(1, 5)]
    held = known.select("site_id", *(pl.col(name).alias(f"held_{name}") for name in shares))
    rows = (
        learned.drop("reference_ratio", *shares)
        .join(of_site, on="site_id", how="left", maintain_order="left")
        .join(input_shares(kept), on="site_id", how="left", maintain_order="left")
        .join(held, on="site_id", how="left", maintain_order="left")
    )
    return (
        rows.with_columns(
            pl.when(pl.col("is_sound") | pl.col(f"held_{name}").is_null())
            .then(name)
            .otherwise(f"held_{name}")
            .alias(name)
            for name in shares
        )
        .rename({"told": "reference_ratio"})
        .select(MODEL.names())
        .cast(MODEL)
    )
