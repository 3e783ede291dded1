"""What a site's clear days tell of its roof: planes, size that the sun sees, and how sure that is.

Learned anew each week from the trailing window.
"""

import zlib
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar import pv_model
from detectors.stats.robust import MAD_TO_SIGMA, Array, median
from detectors.yields import hourly, orientation_fit, plane_ratio

MODEL = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # the day as of which it was learned
        "clear_days": pl.Int32,
        "tilt_deg": pl.Float64,
        "tilt_spread_deg": pl.Float64,
        "azimuth_deg": pl.Float64,
        "azimuth_spread_deg": pl.Float64,
        "capacity_kwp": pl.Float64,  # that would make the clear days' powers, by the register's planes where it has any
        "capacity_spread_kwp": pl.Float64,
        "capacity_early_kwp": pl.Float64,  # the same from the earlier and from the later half of the clear days
        "capacity_late_kwp": pl.Float64,
        "first_clear_day": pl.Date,
        "last_clear_day": pl.Date,
        "residual_pct": pl.Float64,  # what the model leaves unexplained, of the highest power
        "installed_kwp": pl.Float64,  # the register's, when it was learned
        "registered_text": pl.String,  # its planes then, as `planes_text` gives them; null = not known to it
        # Log likelihood of the learned plane over the registered ones, by the hours before and after the sun's noon.
        "log_ratio_morning": pl.Float64,
        "log_ratio_afternoon": pl.Float64,
    }
)

MAX_DAYS = 12  # ours: more clear days than these add nothing but time
FEWEST_DAYS = 3  # ours: two alone cannot outvote a hazy one
MAX_VARIABILITY_RATIO = 1.12  # ours: one smooth hill is 1; ripples of an eighth of its height are a clear day's still
NEAR_BEST_RATIO = 0.8  # ours: smooth and a fifth below the best within twelve days is a thin, even cloud
AROUND_DAYS = 12
LOW_SUN_SINE = 0.14  # ours: below 8 degrees horizons and hedges count more than planes
CLIP_RATIO = 0.97  # ours: a mean this near to the rating holds clipped minutes
BEYOND_RATIO = 1.05  # ours: meters and ratings agree within that
FLAT_RATIO, FLAT_HOURS = 0.985, 3  # ours: three hours within 1.5 % of the highest are no hill of the sun's
LEARN_EVERY_DAYS = 7
SURER_RATIO = 0.7  # ours: of the new sigma; planes learned that much better stay
HIGH_RATIO = 0.6  # ours: the upper part of the day shows the size, the flanks show the planes


def is_due(site_ids: list[str], models: pl.DataFrame, day: date) -> NDArray[np.bool_]:
    """The sites to be learned anew: once a week each, and daily until some clear days were seen."""
    settled = set(models.filter(pl.col("clear_days") >= 2 * FEWEST_DAYS)["site_id"])
    turn = [(zlib.crc32(site.encode()) + day.toordinal()) % LEARN_EVERY_DAYS == 0 for site in site_ids]
    return np.array([own or site not in settled for own, site in zip(turn, site_ids, strict=True)], dtype=bool)


def learn(hours: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, day: date) -> pl.DataFrame:
    """MODEL rows of the sites with clear days enough in `hours` (HOURLY)."""
    chosen = clear_days(hours, sites)
    if chosen.is_empty():
        return MODEL.to_frame()
    sites = sites.join(chosen.select("site_id").unique(), on="site_id", how="semi").sort("site_id")
    index = sites.select("site_id", "latitude", "longitude", "inverter_kw", "installed_kwp").with_row_index("row")
    chosen = chosen.join(index, on="site_id").sort("row", "day").with_columns(
        place=pl.int_range(pl.len()).over("row")
    )  # fmt: skip
    days_since = chosen["day"].cast(pl.Int32).cast(pl.Float64).to_numpy()
    clear = pv_model.clear_hours(
        chosen["latitude"].to_numpy(), chosen["longitude"].to_numpy(), days_since, _column(chosen, "ambient_temp_c")
    )
    power = _heard(chosen, clear)
    roof, place = chosen["row"].to_numpy(), chosen["place"].to_numpy()
    counts = np.bincount(roof, minlength=sites.height)
    fitted = _fit(clear, power, roof, place, counts)
    made = _by_planes(chosen, sites, planes, clear, fitted)
    scales = _own_scales(made, power)
    highest = np.zeros(sites.height)
    np.maximum.at(highest, roof, clear.sky.up.max(axis=-1))
    unknown = sites.with_columns(pl.lit(None, pl.Float64).alias(name) for name in ("tilt_deg", "azimuth_deg"))
    by_learned = _by_planes(chosen, unknown, planes.clear(), clear, fitted)
    ratios = plane_ratio.of_sites(power, made, by_learned, clear, roof, counts, orientation_fit.through_haze(highest))
    return (
        _rows(chosen, sites, fitted, scales, counts, day)
        .with_columns(
            capacity_spread_kwp=pl.col("capacity_spread_kwp") * pl.Series(orientation_fit.through_haze(highest)),
            log_ratio_morning=pl.Series(ratios.morning).fill_nan(None),
            log_ratio_afternoon=pl.Series(ratios.afternoon).fill_nan(None),
        )
        .drop("registered_text")
        .join(planes_text(known_roofs(sites, planes)), on="site_id", how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col("registered_text").is_not_null()).then(name).alias(name)
            for name in ("log_ratio_morning", "log_ratio_afternoon")
        )
        .select(MODEL.names())
    )


def clear_days(hours: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The rows of `hours` that look like a clear day at their site, its smoothest twelve, if there are three."""
    if hours.is_empty():
        return hours
    energy = pl.col("pv_w").list.sum().cast(pl.Float64)
    rows = (
        hours.join(sites.select("site_id", "commissioned_on"), on="site_id", how="inner")
        .filter((pl.col("day") >= pl.col("commissioned_on")).fill_null(True))
        .sort("site_id", "day")
        .with_columns(energy=energy)
        .with_columns(
            best=pl.col("energy").rolling_max_by("day", window_size=f"{2 * AROUND_DAYS + 1}d").over("site_id"),
        )
    )
    # The window of rolling_max_by looks back: its middle lies AROUND_DAYS earlier.
    ahead = rows.select("site_id", pl.col("day").dt.offset_by(f"-{AROUND_DAYS}d"), pl.col("best").alias("around"))
    rows = rows.join_asof(
        ahead.sort("site_id", "day"), on="day", by="site_id", strategy="backward", check_sortedness=False
    )
    found = rows.filter(
        pl.col("wander_ratio") <= MAX_VARIABILITY_RATIO,
        pl.col("energy") >= NEAR_BEST_RATIO * pl.max_horizontal(pl.col("around").fill_null(0), pl.col("best")),
        pl.col("energy") > 0,
        pl.col("pv_w").list.drop_nulls().list.len() >= 6,
    )
    found = found.sort("site_id", "wander_ratio", "day").group_by("site_id", maintain_order=True).head(MAX_DAYS)
    return found.filter(pl.len().over("site_id") >= FEWEST_DAYS).select(hours.columns)


def _column(frame: pl.DataFrame, name: str) -> Array:
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _heard(chosen: pl.DataFrame, clear: pv_model.Hours) -> Array:
    """kW per kWp of the hours that show the planes, [rows, 24]: the sun well up, nothing curtailed, nothing clipped."""
    power = hourly.table(chosen, "pv_w") / 1000
    top = np.nanmax(power, axis=-1, initial=0.0)
    flat = (power >= FLAT_RATIO * top[:, None]).sum(axis=-1) >= FLAT_HOURS
    rating = np.nan_to_num(_column(chosen, "inverter_kw"), nan=np.inf)
    rating = np.where(top > BEYOND_RATIO * rating, np.inf, rating)  # what was exceeded is no limit
    limit = np.fmin(np.where(flat, top, np.inf), rating)
    is_valid = (power < CLIP_RATIO * limit[:, None]) & ~hourly.is_curtailed(chosen)
    is_valid &= pv_model.by_hour(clear.sky.up) > LOW_SUN_SINE
    return np.where(is_valid, power / chosen["installed_kwp"].to_numpy()[:, None], np.nan)


def _fit(
    clear: pv_model.Hours,
    power: Array,
    roof: NDArray[np.intp],
    place: NDArray[np.intp],
    counts: NDArray[np.intp],
) -> orientation_fit.Fit:
    """The free fit of every roof, its clear days laid side by side."""
    shape = (len(counts), MAX_DAYS)

    def laid(values: Array, empty: float) -> Array:
        table = np.full((*shape, values.shape[1]), empty)
        table[roof, place] = values
        return table.reshape(shape[0], -1)

    sky = pv_model.Sky(*(laid(values, 0.0) for values in clear.sky))
    return orientation_fit.fit(sky, laid(clear.ambient_c, 20.0), laid(power, np.nan), days=counts)


def _by_planes(
    chosen: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    clear: pv_model.Hours,
    fitted: orientation_fit.Fit,
) -> Array:
    """kW per kWp of each clear day, [rows, 24]: by the planes that the register knows, else by the fitted one."""
    roofs = known_roofs(sites, planes)
    learned = pl.DataFrame(
        {
            "site_id": sites["site_id"],
            "kwp": sites["installed_kwp"],
            "tilt_deg": fitted.tilt_deg,
            "azimuth_deg": fitted.azimuth_deg,
        }
    ).join(roofs.select("site_id").unique(), on="site_id", how="anti")
    every = pl.concat([roofs, learned.fill_nan(None).drop_nulls()])
    numbered = chosen.select("site_id").with_row_index("at")
    joined = numbered.join(every, on="site_id", how="inner").sort("at")
    made = pv_model.roof_kw(clear, joined, joined["at"].to_numpy(), chosen.height, np.full(chosen.height, np.nan))
    return np.asarray(made / chosen["installed_kwp"].to_numpy()[:, None])


def _own_scales(made: Array, power: Array) -> Array:
    """Per clear day the size over the installed one, [rows]; `made` is what the planes let expect."""
    with np.errstate(invalid="ignore", divide="ignore"):
        is_high = made >= HIGH_RATIO * made.max(axis=-1, keepdims=True)
        return np.where(made.max(axis=-1) > 0, median(np.where(is_high, power / made, np.nan)), np.nan)


def planes_text(roofs: pl.DataFrame) -> pl.DataFrame:
    """[site_id, registered_text]: the planes of each site as one text, such as `5.2 kWp 30/180 + 4.8 kWp 30/0`.

    `roofs` is what `known_roofs` gives.
    """
    angles = (pl.col(name).round(1).cast(pl.String).str.strip_suffix(".0") for name in ("tilt_deg", "azimuth_deg"))
    tilt, azimuth = angles
    one = pl.col("kwp").round(2).cast(pl.String) + " kWp " + tilt + "/" + azimuth
    return roofs.group_by("site_id", maintain_order=True).agg(registered_text=one.str.join(" + "))


def known_roofs(sites: pl.DataFrame, planes: pl.DataFrame) -> pl.DataFrame:
    """[site_id, kwp, tilt_deg, azimuth_deg]: the planes that the register knows, of `sites` alone."""
    index = sites.select("site_id", "installed_kwp", "tilt_deg", "azimuth_deg")
    several = planes.join(index.select("site_id"), on="site_id", how="semi").filter(
        (pl.col("tilt_deg").is_not_null() & pl.col("azimuth_deg").is_not_null()).all().over("site_id")
    )
    one = (
        index.join(several.select("site_id").unique(), on="site_id", how="anti")
        .drop_nulls(["tilt_deg", "azimuth_deg"])
        .select("site_id", pl.col("installed_kwp").alias("kwp"), "tilt_deg", "azimuth_deg")
    )
    return pl.concat([several.select(one.columns), one]).sort("site_id", "tilt_deg", "azimuth_deg", "kwp")


def _rows(
    chosen: pl.DataFrame,
    sites: pl.DataFrame,
    fitted: orientation_fit.Fit,
    scales: Array,
    counts: NDArray[np.intp],
    day: date,
) -> pl.DataFrame:
    kwp = pl.col("installed_kwp")
    half = (pl.col("place") + 0.5) * 2 / pl.len().over("row")
    by_day = (
        chosen.select("row", "day", "installed_kwp", "place")
        .with_columns(scale=pl.Series(scales).fill_nan(None), half=half)
        .group_by("row")
        .agg(
            capacity_kwp=pl.col("scale").median() * kwp.first(),
            scatter=(pl.col("scale") - pl.col("scale").median()).abs().median() * MAD_TO_SIGMA * kwp.first(),
            capacity_early_kwp=pl.col("scale").filter(pl.col("half") <= 1).median() * kwp.first(),
            capacity_late_kwp=pl.col("scale").filter(pl.col("half") >= 1).median() * kwp.first(),
            first_clear_day=pl.col("day").min(),
            last_clear_day=pl.col("day").max(),
        )
    )
    models = sites.select("site_id", "installed_kwp").with_row_index("row").with_columns(
        day=pl.lit(day),
        clear_days=pl.Series(counts, dtype=pl.Int32),
        tilt_deg=fitted.tilt_deg,
        tilt_spread_deg=fitted.tilt_sigma_deg,
        azimuth_deg=fitted.azimuth_deg,
        azimuth_spread_deg=fitted.azimuth_sigma_deg,
        fit_spread_kwp=fitted.scale_sigma * sites["installed_kwp"].to_numpy(),
        residual_pct=fitted.residual_ratio * 100,
    )  # fmt: skip
    models = models.fill_nan(None).join(by_day, on="row", how="left")
    has_planes = pl.col("site_id").is_in(sites.drop_nulls(["tilt_deg", "azimuth_deg"])["site_id"].to_list())
    by_days = (pl.col("scatter") / pl.col("clear_days").sqrt()).fill_null(0)
    min_sigma = orientation_fit.FLOORS[2] * pl.col("capacity_kwp")
    models = models.with_columns(
        capacity_spread_kwp=pl.when(has_planes)
        .then((by_days**2 + min_sigma**2).sqrt())
        .otherwise((by_days**2 + pl.col("fit_spread_kwp") ** 2).sqrt())
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in MODEL.items() if name not in models.columns]
    return models.with_columns(missing).select(MODEL.names()).cast(MODEL).sort("site_id")


def surer_planes(learned: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """`learned` with the planes `known` before where those were much surer: roofs do not turn, and winters are dim."""
    names = ["tilt_deg", "tilt_spread_deg", "azimuth_deg", "azimuth_spread_deg"]
    before = known.select("site_id", *(pl.col(name).alias(f"_{name}") for name in names))
    is_surer = (pl.col("_tilt_spread_deg") < SURER_RATIO * pl.col("tilt_spread_deg")).fill_null(False)
    return (
        learned.join(before, on="site_id", how="left", maintain_order="left")
        .with_columns(pl.when(is_surer).then(f"_{name}").otherwise(name).alias(name) for name in names)
        .select(learned.columns)
    )
