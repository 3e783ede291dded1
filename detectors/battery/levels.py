"""A battery's levels as its days show them, for where the register is silent and to hold against it where it is not.

The reserve is learned from evenings on which discharge came to a stop and the house went on importing, never from a
level at which a battery merely lay. Medians over the window and their scaled median absolute deviation tolerate the
odd evening; a level that was set anew takes over once most of the window's evenings show it.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT
from detectors.battery.given import FULL_PCT
from detectors.battery.rest_states import LEVEL_BAND_PCT, was_asked
from detectors.finding import EvidenceValue
from detectors.stats.robust import MAD_TO_SIGMA

WINDOW_DAYS = 90  # ours: a season; in summer many a battery is not drawn down to its reserve for weeks
MIN_DAYS = 5  # ours: a working week's evenings
MIN_STOP_H = 0.5  # ours: shorter rests are switching, a test or a step of the reading
SETTLED_PCT = 3.0  # ours: sigma beyond which a level changes too much to judge by: schedules, or a setting in transit
SETTLED_RESUME_PCT = 6.0  # ours: a level of resuming shows only between two readings, so it is known less well
ASSUMED_PCT = 50.0  # common practice, no source: reserves are set at 5 to 30 %, few for backup at half
BOUND_SHARE = 0.2  # ours: of the days on which it gave; a fifth of them is no odd evening
RAISED_PCT = 10.0  # ours: twice the margin above a reserve; so far below its stops a battery gave as it was set then
SETTLED_W = 40.0  # ours: sigma of the import kept up; beyond it the battery's power and not the control set it
MAX_IMPORT_W = 500.0  # common practice, no source: controls keep up 20 to 500 W
MIN_DROP_PCT = 20.0  # ours: with a level in whole per cent, a day's ratio then errs by some 5 %
MIN_SIGMA_PCT = 0.3  # rounding to whole per cent: 1 / sqrt 12
MIN_SIGMA_W = 3.0  # ours: rounding to ten watts: 10 / sqrt 12
SIGMAS = 2.0  # ours: a register and a learned level further apart than two sigma, and than a level settles, differ
WHOLE_PCT = 1.0  # common practice: levels are shown in whole per cent, and none is told as known better
LEVELS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # as of which it was learned, from earlier days alone
        "reserve_pct": pl.Float64,  # state of charge at which discharge stops
        "reserve_sigma_pct": pl.Float64,  # one standard deviation over the days, like the others
        "reserve_days": pl.Int32,  # days that showed it
        "resume_pct": pl.Float64,  # at which discharge resumes after a stop
        "resume_sigma_pct": pl.Float64,
        "import_w": pl.Float64,  # grid power that the control keeps up while discharging
        "import_sigma_w": pl.Float64,
        "capacity_kwh": pl.Float64,  # given back per 100 % of the state of charge
        "capacity_sigma_kwh": pl.Float64,
        "ceiling_pct": pl.Float64,  # state of charge at which charging ends
        "ceiling_sigma_pct": pl.Float64,
        "is_carried": pl.Boolean,  # readings in doubt on this day: told as on the day before, and not learned from
    }
)


def learn(
    battery_rests: pl.DataFrame,
    level_day: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    past: pl.DataFrame,
    doubted: list[str],
    day: date,
) -> pl.DataFrame:
    """LEVELS, one row per site with a battery, learned from the days before `day` that nothing was wrong with."""
    own = sites.lazy().filter(pl.col("battery_kwh") > 0).select("site_id", "battery_kwh")
    carried = past.lazy().filter("is_carried").select("site_id", "day")

    def clean(frame: pl.DataFrame) -> pl.LazyFrame:
        recent = (pl.lit(day) - pl.col("day")).dt.total_days().is_between(1, WINDOW_DAYS)
        return frame.lazy().filter(recent).join(carried, on=["site_id", "day"], how="anti")

    is_stop = pl.col("has_stop").fill_null(False) | _stopped_before_midnight()
    is_stop = is_stop & (pl.col("level_h") >= MIN_STOP_H) & ~(pl.col("is_steady") | pl.col("is_still"))
    stops = clean(battery_rests).sort("site_id", "day").filter(is_stop.fill_null(False))
    seen = clean(level_day)
    imports = _level(seen, "held_w", "import", "w", MIN_SIGMA_W)
    stops = stops.join(imports, on="site_id", how="left").filter(was_asked(pl.col("import_w")))
    ratio = 100 * pl.col("discharge_drop_kwh") / pl.col("discharge_drop_pct")
    drops = clean(days).filter(pl.col("discharge_drop_pct") >= MIN_DROP_PCT).with_columns(ratio=ratio)
    fresh = own
    for frame in (
        _level(stops, "level_pct", "reserve", "pct", MIN_SIGMA_PCT, count="reserve_days"),
        _resume(seen),
        imports,
        _level(drops, "ratio", "capacity", "kwh", 0.0),
        _level(seen, "ceiling_pct", "ceiling", "pct", MIN_SIGMA_PCT),
    ):
        fresh = fresh.join(frame, on="site_id", how="left")
    fresh = fresh.with_columns(day=pl.lit(day), is_carried=pl.lit(False)).select(LEVELS.names()).cast(LEVELS)
    newest = past.lazy().filter(pl.col("day") < day).sort("site_id", "day").group_by("site_id").last()
    is_doubted = pl.col("site_id").is_in(doubted)
    before = (
        own.filter(is_doubted)
        .select("site_id")
        .join(newest, on="site_id", how="left")
        .with_columns(day=pl.lit(day), is_carried=pl.lit(True))
    )
    return pl.concat([fresh.filter(~is_doubted), before.select(LEVELS.names()).cast(LEVELS)]).sort("site_id").collect()


def _stopped_before_midnight() -> pl.Expr:
    """Whether it rested where it had given the day before, of rests by site and day: its stop came before midnight."""
    is_next = pl.col("day") - pl.col("day").shift(1).over("site_id") == pl.duration(days=1)
    apart = (pl.col("level_pct") - pl.col("lowest_use_pct").shift(1).over("site_id")).abs()
    return (is_next & (apart <= LEVEL_BAND_PCT)).fill_null(False)


def _level(frame: pl.LazyFrame, value: str, name: str, unit: str, min_sigma: float, count: str = "") -> pl.LazyFrame:
    """[site_id, <name>_<unit>, <name>_sigma_<unit>] of sites with enough days of a value."""
    known = frame.filter(pl.col(value).is_not_null())
    middle = known.group_by("site_id").agg(middle=pl.col(value).median(), seen=pl.len())
    off = known.join(middle.filter(pl.col("seen") >= MIN_DAYS), on="site_id")
    sigma = MAD_TO_SIGMA * (pl.col(value) - pl.col("middle")).abs().median()
    return off.group_by("site_id").agg(
        pl.col("middle").first().alias(f"{name}_{unit}"),
        pl.max_horizontal(sigma, pl.lit(min_sigma)).alias(f"{name}_sigma_{unit}"),
        *([pl.col("seen").first().cast(pl.Int32).alias(count)] if count else []),
    )


def _resume(seen: pl.LazyFrame) -> pl.LazyFrame:
    """[site_id, resume_pct, resume_sigma_pct]: between where it still waited and where it gave again.

    The level lies at or below the lowest place where discharge began again, and above the highest where it waited; of
    both the outermost tenth is left to chance. Sigma is that of an even chance between the two.
    """
    low = pl.col("waited_pct").quantile(0.9)
    high = pl.col("began_pct").quantile(0.1)
    bounds = seen.group_by("site_id").agg(low=low, high=high, seen=pl.col("began_pct").count())
    bounded = bounds.filter(pl.col("seen") >= MIN_DAYS, pl.col("low").is_not_null())
    width = (pl.col("high") - pl.col("low")).abs()
    return bounded.select(
        "site_id",
        resume_pct=(pl.col("low") + pl.col("high")) / 2,
        resume_sigma_pct=pl.max_horizontal(width / 12**0.5, pl.lit(MIN_SIGMA_PCT)),
    )


def with_levels(sites: pl.DataFrame, levels: pl.DataFrame | None, day: date) -> pl.DataFrame:
    """SITES with the register's levels, else the learned ones where they are settled; and what was learned beside them.

    battery_reserve_pct, battery_resume_pct and feed_in_buffer_w are filled in; further columns are learned_reserve_pct,
    learned_reserve_sigma_pct, learned_reserve_days, is_reserve_learned, and ceiling_pct, where its charging ends.
    """
    known = LEVELS.to_frame() if levels is None else levels
    own = (
        known.lazy()
        .filter(pl.col("day") == day)
        .select(
            "site_id",
            learned_reserve_pct="reserve_pct",
            learned_reserve_sigma_pct="reserve_sigma_pct",
            learned_reserve_days="reserve_days",
            settled_pct=pl.when(pl.col("reserve_sigma_pct") <= SETTLED_PCT).then("reserve_pct"),
            resume_pct=pl.when(pl.col("resume_sigma_pct") <= SETTLED_RESUME_PCT).then("resume_pct"),
            ceiling_pct=pl.when(pl.col("ceiling_sigma_pct") <= SETTLED_RESUME_PCT).then("ceiling_pct"),
            import_w=pl.when(
                (pl.col("import_sigma_w") <= SETTLED_W) & pl.col("import_w").is_between(0, MAX_IMPORT_W)
            ).then("import_w"),
        )
    )
    return (
        sites.lazy()
        .join(own, on="site_id", how="left", maintain_order="left")
        .with_columns(
            is_reserve_learned=pl.col("battery_reserve_pct").is_null() & pl.col("settled_pct").is_not_null(),
            is_reserve_assumed=pl.lit(False),
            battery_reserve_pct=pl.coalesce("battery_reserve_pct", "settled_pct"),
            battery_resume_pct=pl.coalesce("battery_resume_pct", "resume_pct"),
            feed_in_buffer_w=pl.coalesce("feed_in_buffer_w", "import_w"),
        )
        .drop("settled_pct", "resume_pct", "import_w")
        .collect()
    )


def with_bound(own_sites: pl.DataFrame, battery_rests: pl.DataFrame, day: date) -> pl.DataFrame:
    """The rows of `with_levels`; where register and stops are silent, the reserve is at or below where it gave.

    So it is where its stops lie far above the levels at which it gave on days enough: then the stops are what is to be
    explained, and no reserve. Only what is told of levels far above the reserve may be judged by such a bound. Stops at
    ever other levels show that there is no one level, and then there is no bound of it. Of a battery that gave nothing
    in all these days and lay full, the reserve is assumed, `is_reserve_assumed`.
    """
    days_ago = (pl.lit(day) - pl.col("day")).dt.total_days()
    gave = battery_rests.filter(days_ago.is_between(1, WINDOW_DAYS) & pl.col("lowest_use_pct").is_not_null())
    bounds = gave.group_by("site_id").agg(
        bound_pct=pl.col("lowest_use_pct").quantile(BOUND_SHARE),
        lowest_pct=pl.col("lowest_use_pct").bottom_k(MIN_DAYS).max(),
        bound_days=pl.len().cast(pl.Int32),
    )
    bounds = bounds.filter(pl.col("bound_days") >= MIN_DAYS)
    idle = (
        battery_rests.filter(days_ago.is_between(0, WINDOW_DAYS))
        .group_by("site_id")
        .agg(
            lay_full=pl.col("lowest_use_pct").is_null().all()
            & (pl.col("level_pct").median() >= FULL_PCT - LEVEL_BAND_PCT)
        )
    )
    is_silent = pl.col("battery_reserve_pct").is_null() & pl.col("learned_reserve_pct").is_null()
    was_lower = pl.col("is_reserve_learned") & (pl.col("lowest_pct") < pl.col("learned_reserve_pct") - RAISED_PCT)
    is_bound = (is_silent & pl.col("bound_pct").is_not_null()) | was_lower.fill_null(False)
    bound_pct = pl.when(was_lower.fill_null(False)).then("lowest_pct").otherwise("bound_pct")
    own = own_sites.join(bounds, on="site_id", how="left", maintain_order="left")
    own = own.join(idle, on="site_id", how="left", maintain_order="left")
    is_assumed = is_silent & pl.col("lay_full").fill_null(False)

    def bounded(name: str, value: pl.Expr) -> pl.Expr:
        return pl.when(is_bound).then(value).otherwise(name).alias(name)

    return own.with_columns(
        bounded("is_reserve_learned", pl.lit(True)),
        pl.when(is_bound).then(bound_pct).when(is_assumed).then(ASSUMED_PCT).otherwise("battery_reserve_pct")
        .alias("battery_reserve_pct"),
        bounded("learned_reserve_pct", bound_pct),
        bounded("learned_reserve_sigma_pct", pl.lit(SETTLED_PCT)),
        bounded("learned_reserve_days", pl.col("bound_days")),
        is_reserve_assumed=is_assumed,
    ).drop("bound_pct", "lowest_pct", "bound_days", "lay_full")  # fmt: skip


def reserve_words(site: Mapping[str, Any]) -> str:
    """The reserve as a sentence names it: `20 %`, or where the register is silent `20 +- 1 % as learned`."""
    if site["is_reserve_assumed"]:
        return f"{site['battery_reserve_pct']:g} % or less, as nobody knows it"
    if not site["is_reserve_learned"]:
        return f"{site['battery_reserve_pct']:g} %"
    sigma = max(site["learned_reserve_sigma_pct"], WHOLE_PCT)
    return f"{site['battery_reserve_pct']:.0f} +- {sigma:.0f} % as learned"


def difference(site: Mapping[str, Any]) -> str:
    """What is to be said where register and learned reserve differ beyond sigma; empty where they agree."""
    registered, seen = site["battery_reserve_pct"], site["learned_reserve_pct"]
    if registered is None or seen is None or site["is_reserve_learned"]:
        return ""
    sigma = site["learned_reserve_sigma_pct"]
    if abs(registered - seen) <= max(SIGMAS * sigma, RESERVE_BAND_PCT):
        return ""
    learned = f"{seen:.0f} +- {max(sigma, WHOLE_PCT):.0f} %"
    return f" The register says {registered:g} %, its evenings show discharge stopping at {learned}."


def is_settled_lower() -> pl.Expr:
    """Whether discharge stops below the register's reserve, evening after evening, of the rows of `with_levels`.

    Not at the backup floor, where nightly outages would end it too.
    """
    learned, sigma = pl.col("learned_reserve_pct"), pl.col("learned_reserve_sigma_pct")
    apart = pl.max_horizontal(SIGMAS * sigma, pl.lit(RESERVE_BAND_PCT))
    at_floor = ((learned - pl.col("battery_backup_floor_pct")).abs() <= apart).fill_null(False)
    lower = learned < pl.col("battery_reserve_pct") - apart
    return (lower & (sigma <= SETTLED_PCT)).fill_null(False) & ~at_floor


def as_evidence(site: Mapping[str, Any]) -> dict[str, EvidenceValue]:
    """The learned reserve in a finding's evidence."""
    if site["learned_reserve_pct"] is None:
        return {}
    return {
        "learned_reserve_pct": site["learned_reserve_pct"],
        "learned_reserve_sigma_pct": site["learned_reserve_sigma_pct"],
        "learned_reserve_days_count": site["learned_reserve_days"],
    }


def not_learned(site: Mapping[str, Any]) -> dict[str, Any] | None:
    """Values for the sentence that a reserve was seen but is not settled; None = none was seen, or it is settled."""
    if site["battery_reserve_pct"] is not None or site["learned_reserve_pct"] is None:
        return None
    return {
        "level_pct": site["learned_reserve_pct"],
        "sigma_pct": site["learned_reserve_sigma_pct"],
        "seen_count": site["learned_reserve_days"],
    }
