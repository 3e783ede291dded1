"""What each day tells of the grid sensor's sign: dark hours, answers to generation, the balance with signs turned.

A kept row holds sums of one site and local day, from that day's readings alone; the verdict over days is drawn in
detectors/grid/meter_reversed.py.
"""

from typing import NamedTuple

import polars as pl

from detectors.frames import PHASE_CHANNELS, POWER_CHANNELS
from detectors.grid.feed_in_transients import MAX_BUFFER_W
from detectors.grid.meter import GRID_W, RATING_W, block_means, highest_sun_deg, meter_resolution
from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import in_units, units_of

DARK_DEG = -6.0  # end of civil twilight: below it the sky lights no module to any power that a meter sees
NOISE_W = 20.0  # ours: standby and rounding; the least import that a house with anything switched on shows
NOISE_SHARE = 0.002  # ours: of the rating; sensors sized for the connection scatter by that around zero
STEPS_OF_NOISE = 1.5  # ours: one step either way is the meter's rounding
SOURCES_SHARE = 0.10  # ours: losses, and two meters that average over other moments
IDLE_SHARE = 0.005  # ours: below 0.5 % of the rating nothing is generated or discharged
CHANGE_MINUTES = 30  # ours: over half an hour generation changes more than most loads
CHANGE_SHARE = 0.08  # ours: of the rating; smaller changes of generation drown in the loads'
BATTERY_SHARE = 0.25  # ours: where the battery took more of the change, the grid had little to answer
BASE_QUANTILE = 0.05  # ours: an hour of the day, so that no moment of two meters' difference decides
REST_W = 10.0  # ours: half of the least import that regulators keep up
REST_SHARE = 0.03  # ours: three class 1 meters, of what flows through them
CLIP = 1.5  # ours: one oven must not outvote an afternoon


class Variant(NamedTuple):
    """One way in which sensors may be mounted wrongly: what each phase's reading must be multiplied with."""

    name: str
    factors: tuple[float, float, float]
    words: str


# A sensor paired with another phase's voltage shows P cos(120 deg) of a resistive load: half of it, sign turned.
VARIANTS = (
    Variant("l1", (-1, 1, 1), "the sensor on L1 is turned round"),
    Variant("l2", (1, -1, 1), "the sensor on L2 is turned round"),
    Variant("l3", (1, 1, -1), "the sensor on L3 is turned round"),
    Variant("l12", (-1, -1, 1), "the sensors on L1 and L2 are turned round"),
    Variant("l13", (-1, 1, -1), "the sensors on L1 and L3 are turned round"),
    Variant("l23", (1, -1, -1), "the sensors on L2 and L3 are turned round"),
    Variant("swap12", (-2, -2, 1), "the sensors on L1 and L2 have changed places"),
    Variant("swap13", (-2, 1, -2), "the sensors on L1 and L3 have changed places"),
    Variant("swap23", (1, -2, -2), "the sensors on L2 and L3 have changed places"),
    Variant("rotated", (-2, -2, -2), "the sensors sit one phase further round than they should"),
)
PHASES = (1, 2, 3)
OF_PHASES = (("fed", "h"), ("bought", "h"), ("fed", "kwh"), ("answered", "kw"))
FLOATS = (
    "grid_h", "pv_h", "dark_h", "known_dark_h", "fed_h", "bought_h", "fed_kwh", "still_ratio",
    "sure_bought_h",  # import in the dark that is no turned feed-in of the battery
    "impossible_kwh", "light_impossible_kwh", "rating_kw", "change_kw", "answered_kw",
    "load_h", "through_kwh", "open_kwh", "open_turned_kwh", "own_kwh", "step_w",
    "plus_h", "minus_h", "minus_kwh",  # import and feed-in at any hour, beyond the meter's own scatter
    "kept_w", "base_w", "base_turned_w",  # median of the grid; what the house takes at least, by either sign
    "rest_right_kwh", "rest_turned_kwh", "rest_fed_kwh",  # what is left for the grid, by whether its sign agrees
    *(f"open_{variant.name}_kwh" for variant in VARIANTS),
    *(f"{what}_l{n}_{unit}" for n in PHASES
      for what, unit in OF_PHASES),
)  # fmt: skip
SIGNS = pl.Schema({"site_id": pl.String(), "day": pl.Date(), **dict.fromkeys(FLOATS, pl.Float64())})
BY = ["site_id", "day"]


def signs_of_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SIGNS rows of every site and local day in `readings`."""
    rows = flows(readings, sites)
    if rows.is_empty():
        return SIGNS.to_frame()
    sums = rows.group_by("unit", maintain_order=True).agg(
        **_dark_sums(), **_balance_sums(), **_rest_sums(), **_one_sided()
    )
    signs = units_of(rows)
    for some in (sums, _phase_sums(rows), _variant_sums(rows), _answers(rows)):
        signs = signs.join(some, on="unit", how="left")
    nothing = ["change_kw", "answered_kw", *(f"{name}_l{n}_{unit}" for n in PHASES for name, unit in OF_PHASES)]
    return signs.with_columns(pl.col(nothing).fill_null(0.0)).select(SIGNS.names()).cast(SIGNS).sort(BY)


def flows(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Readings in order with `impossible_w`: feed-in for which no source was there, by more than the noise."""
    known = sites.select(
        "site_id", "latitude", "longitude", "battery_kwh", rating_w=RATING_W,
        may_feed_in=(pl.col("feed_in_limit_kw") != 0).fill_null(True),
    )  # fmt: skip
    rows = in_units(readings).select("site_id", "unit", "day", "ts_utc", "interval_s", *POWER_CHANNELS, *PHASE_CHANNELS)
    rows = with_sites(rows.with_columns(GRID_W.alias("grid_w")), known)
    if rows.is_empty():
        return rows.with_columns(impossible_w=pl.lit(None, pl.Float64))
    rows = with_units(rows.with_columns(highest_sun_deg(rows)), meter_resolution(rows, ["unit"]))
    is_dark = pl.col("sun_deg") <= DARK_DEG
    rows = rows.with_columns(
        hours=pl.col("interval_s") / 3600,
        is_dark=is_dark,
        # Many loggers leave the night's generation out.
        made_w=pl.col("pv_w").fill_null(pl.when(is_dark).then(0.0)).clip(lower_bound=0.0),
        # A battery that is there but not read may be what feeds in.
        stored_w=pl.col("battery_w").fill_null(pl.when(pl.col("battery_kwh").is_null()).then(0.0)),
    )
    sources = pl.col("made_w") + pl.col("stored_w")
    noise = pl.max_horizontal(pl.lit(NOISE_W), NOISE_SHARE * pl.col("rating_w"), STEPS_OF_NOISE * pl.col("step_w"))
    idle = IDLE_SHARE * pl.col("rating_w")
    excess = pl.min_horizontal(-pl.col("grid_w"), -(pl.col("grid_w") + sources))
    return rows.with_columns(
        noise_w=noise + SOURCES_SHARE * (pl.col("made_w") + pl.col("stored_w").abs()).fill_null(0.0),
        is_idle_dark=(is_dark & (pl.col("made_w") <= idle) & (pl.col("stored_w").abs() <= idle)).fill_null(False),
        excess_w=pl.when(sources.is_not_null()).then(excess),
    ).with_columns(
        impossible_w=pl.when(pl.col("excess_w") > pl.col("noise_w")).then("excess_w").otherwise(0.0),
    )


def _dark_sums() -> dict[str, pl.Expr]:
    hours, grid, noise = pl.col("hours"), pl.col("grid_w"), pl.col("noise_w")
    dark = pl.col("is_idle_dark") & grid.is_not_null()
    fed, bought = dark & (grid < -noise), dark & (grid > noise)
    repeated = (grid.diff() == 0).fill_null(False)
    # What else shows the sign: a sensor that is turned shows feed-in as import, and in the dark a battery alone could
    # feed in. Where it may not, a little import beside it is what its regulator keeps up; much may be a regulator that
    # obeys a turned sensor. One sensor's sign needs no room for two meters' moments.
    scatter = pl.max_horizontal(pl.lit(NOISE_W), NOISE_SHARE * pl.col("rating_w"), STEPS_OF_NOISE * pl.col("step_w"))
    is_no_source = (pl.col("stored_w") <= IDLE_SHARE * pl.col("rating_w")) | (
        ~pl.col("may_feed_in") & (grid <= MAX_BUFFER_W)
    )
    is_unlit = pl.col("is_dark") & (pl.col("made_w") <= IDLE_SHARE * pl.col("rating_w"))
    sure = (is_unlit & is_no_source & (grid > scatter)).fill_null(False)
    impossible = pl.col("impossible_w").fill_null(0.0) * hours / 1000
    return {
        "grid_h": hours.filter(grid.is_not_null()).sum(),
        "pv_h": hours.filter(pl.col("pv_w").is_not_null()).sum(),
        "dark_h": hours.filter(pl.col("is_dark") & grid.is_not_null()).sum(),
        "known_dark_h": hours.filter(dark).sum(),
        "fed_h": hours.filter(fed).sum(),
        "bought_h": hours.filter(bought).sum(),
        "fed_kwh": (-grid * hours).filter(fed).sum() / 1000,
        "sure_bought_h": hours.filter(sure).sum(),
        "still_ratio": repeated.filter(fed).mean().fill_null(0.0),
        "impossible_kwh": impossible.sum(),
        "light_impossible_kwh": impossible.filter(~pl.col("is_dark")).sum(),
        "rating_kw": pl.col("rating_w").first() / 1000,
        "step_w": pl.col("step_w").first(),
    }


def _phase_sums(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, fed_l?_h, bought_l?_h, fed_l?_kwh] of the units with phases in the dark."""
    dark = rows.filter(pl.col("is_idle_dark"), pl.any_horizontal(pl.col(name).is_not_null() for name in PHASE_CHANNELS))
    hours, noise = pl.col("hours"), pl.col("noise_w")
    sums = {}
    for n, name in zip(PHASES, PHASE_CHANNELS, strict=True):
        phase = pl.col(name)
        sums[f"fed_l{n}_h"] = hours.filter(phase < -noise).sum()
        sums[f"bought_l{n}_h"] = hours.filter(phase > noise).sum()
        sums[f"fed_l{n}_kwh"] = (-phase * hours).filter(phase < -noise).sum() / 1000
    return dark.group_by("unit", maintain_order=True).agg(**sums)


def _balance_sums() -> dict[str, pl.Expr]:
    """How far pv + battery + grid stays from a load that is read, as it is and with signs turned."""
    sources, load, grid, hours = pl.col("made_w") + pl.col("stored_w"), pl.col("load_w"), pl.col("grid_w"), "hours"
    known = (sources + load + grid).is_not_null()

    def kwh(power: pl.Expr) -> pl.Expr:
        return (power * pl.col(hours)).filter(known).sum() / 1000

    return {
        "load_h": pl.col(hours).filter(known).sum(),
        "through_kwh": kwh(load.abs() + grid.abs()),
        "open_kwh": kwh((sources + grid - load).abs()),
        "open_turned_kwh": kwh((sources - grid - load).abs()),
        # A load that is worked out from the others closes, but for where it would be less than nothing.
        "own_kwh": kwh(pl.when(load > 0).then((sources + grid - load).abs()).otherwise(0.0)),
    }


def _variant_sums(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, open_<variant>_kwh...]: the same as each variant would have it.

    Of units in which a row has all phases: one that is not read leaves the variant open, and is not a sum of nothing.
    """
    sources, load, hours = pl.col("made_w") + pl.col("stored_w"), pl.col("load_w"), pl.col("hours")
    phases = [pl.col(name) for name in PHASE_CHANNELS]
    known = (sources + load + pl.col("grid_w")).is_not_null()
    read = rows.filter(known, pl.all_horizontal(phase.is_not_null() for phase in phases))
    sums = {}
    for variant in VARIANTS:
        corrected = sum((f * phase for f, phase in zip(variant.factors, phases, strict=True)), pl.lit(0.0))
        sums[f"open_{variant.name}_kwh"] = ((sources + corrected - load).abs() * hours).sum() / 1000
    return read.group_by("unit", maintain_order=True).agg(**sums)


def _rest_sums() -> dict[str, pl.Expr]:
    """What load, generation and battery leave for the grid, by whether the grid shows it with that sign.

    At any hour, a battery at work or not: what a regulator keeps up is little, but it has a sign all day long.
    """
    sources, load, grid = pl.col("made_w") + pl.col("stored_w"), pl.col("load_w"), pl.col("grid_w")
    rest = load - sources
    flows = load.abs() + pl.col("made_w").abs() + pl.col("stored_w").abs()
    noise = pl.max_horizontal(pl.lit(REST_W), STEPS_OF_NOISE * pl.col("step_w")) + REST_SHARE * flows
    # Where less than nothing would be left for the load, it may be a sum that was cut at nothing.
    is_clear = (rest.abs() > noise) & (grid.abs() > noise) & (load > 0)
    agrees = (rest > 0) == (grid > 0)

    def kwh(power: pl.Expr, which: pl.Expr) -> pl.Expr:
        return (power * pl.col("hours")).filter((is_clear & which).fill_null(False)).sum() / 1000

    return {
        "rest_right_kwh": kwh(rest.abs(), agrees),
        "rest_turned_kwh": kwh(rest.abs(), ~agrees),
        "rest_fed_kwh": kwh(-grid, ~agrees & (grid < 0)),
    }


def _one_sided() -> dict[str, pl.Expr]:
    """Whether the grid shows one sign all day long, and what the house takes at least by that sign or the other."""
    grid, sources, hours = pl.col("grid_w"), pl.col("made_w") + pl.col("stored_w"), pl.col("hours")
    scatter = pl.max_horizontal(pl.lit(REST_W), STEPS_OF_NOISE * pl.col("step_w"))
    return {
        "plus_h": hours.filter(grid > scatter).sum(),
        "minus_h": hours.filter(grid < -scatter).sum(),
        "minus_kwh": (-grid * hours).filter(grid < -scatter).sum() / 1000,
        "kept_w": grid.median(),
        "base_w": (sources + grid).quantile(BASE_QUANTILE),
        "base_turned_w": (sources - grid).quantile(BASE_QUANTILE),
    }


def _answers(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, change_kw, answered_kw, answered_l?_kw]: generation's changes added up, and what the grid answered.

    answered_kw is the sum of these changes, each times grid's change over generation's. Near -change_kw the grid takes
    what is generated, as it must; near +change_kw its sign is turned. The phases likewise: together as much.
    """
    channels = ["made_w", "stored_w", "grid_w", *PHASE_CHANNELS]
    halves = with_units(
        block_means(rows, channels, CHANGE_MINUTES, ["unit"]), units_of(rows, "rating_w").select("unit", "rating_w")
    )
    is_next = pl.col("unit") == pl.col("unit").shift(1)
    diffs = halves.with_columns(pl.when(is_next).then(pl.col(name).diff()).alias(name) for name in channels)
    made = pl.col("made_w")
    changes = diffs.filter(
        (made.abs() >= CHANGE_SHARE * pl.col("rating_w"))
        & (pl.col("stored_w").abs() <= BATTERY_SHARE * made.abs())
        & pl.col("grid_w").is_not_null()
    )

    def answered(name: str) -> pl.Expr:
        return (made.abs() * (pl.col(name) / made).clip(-CLIP, CLIP)).sum() / 1000

    return changes.group_by("unit", maintain_order=True).agg(
        change_kw=made.abs().sum() / 1000,
        answered_kw=answered("grid_w"),
        **{f"answered_l{n}_kw": answered(name) for n, name in zip(PHASES, PHASE_CHANNELS, strict=True)},
    )
