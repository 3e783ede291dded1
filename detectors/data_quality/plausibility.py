"""What physics and the site's equipment rule out, channel by channel.

A bright cloud edge, an inverter's own consumption at night and a grid that is off are none of these.
"""

from datetime import date
from typing import NamedTuple

import polars as pl

from detectors.data_quality.flagged_values import FLAGGED_VALUES, OWN
from detectors.frames import PHASE_CHANNELS, STRING_CHANNELS, VOLTAGE_CHANNELS
from detectors.solar.ratings import CLOUD_EDGE, FAR_TIMES, OVERLOAD, beyond_capacity
from detectors.stats.interruptions import is_mixed, with_neighbours
from detectors.stats.rows import with_sites
from detectors.stats.units import among_units, in_units

NEGATIVE_SHARE = 0.01  # the readings query takes up to 1 % of the peak capacity below zero for own consumption
NEGATIVE_W = 50.0  # ours: loads worked out from two meters dip below zero by as much when both change at once ...
NEGATIVE_LOAD_SHARE = 0.02  # ... or by the errors of two meters at full power
SOC_SLACK_PCT = 0.5  # rounding
C_RATE = 3.0  # ours: batteries in houses are charged and discharged within an hour or more; 20 min are beyond any
SERVICE_A = 100.0  # ours: larger services than 100 A per phase are rare for sites whose inverter does not show it
SERVICE_TIMES = 3.0  # ours: of a size that register and mains suggest, where the site's history is short
PAST_TIMES = 5.0  # ours: a new car charger trebles a house's peak, a wrong unit makes it a thousand times as high
MIN_DAYS = 7  # ours: a week shows the usual peaks
CONTRADICTING_DAYS = 3  # ours: what the data say on three days is no accident of a day
VOLTAGE_LOW, VOLTAGE_HIGH = 0.5, 1.5  # of nominal; beyond, inverters have long disconnected (EN 50160: +-10 %)
VOLTAGE_OFF = 0.05  # ours: a phase that is not connected floats at a few volts
FREQUENCY_LOW_HZ, FREQUENCY_HIGH_HZ = 40.0, 70.0  # EN 50160: 47-52 Hz always; the same width around 60 Hz
COLD_C, HOT_C = -60.0, 120.0  # ours: outside any weather and any inverter's shutdown
DARK_W_M2, BRIGHT_W_M2 = -20.0, 1600.0  # ours: sensors' offsets at night; above the highest minute means on record
OVERLAP_SHARE = 0.5  # ours: stamps that jitter overlap by less than half an interval
SUPPORTED = {1800: 3, 10**9: 2}  # ours: so many values in a row beyond a rating support each other (interval below: s)
MOSTLY = 0.5  # more than half
IDLE_SHARE = 0.01  # ours: below 1 % of the modules' capacity a unit cannot be told from the day's other values
TEMPERATURES = ("module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")

OF_RATINGS = ("beyond_peak", "beyond_inverter", "beyond_battery")
OVERLAP = "overlap_s"  # stands for a channel: what the row's interval shares with the next row's
TOO_FAR = ("far_beyond", "beyond_service")


class Rule(NamedTuple):
    """What rules a value of a channel out."""

    name: str  # key of the evidence
    channel: str
    broken: pl.Expr
    limit: pl.Expr  # the bound that was passed
    text: str
    is_hard: bool  # one reading is enough
    is_of_rating: bool = False  # of a rating of the register, which the readings may contradict


def rules() -> list[Rule]:
    """All rules; an unknown rating makes a rule say nothing."""
    rules = []
    kwp_w, rating_w = pl.col("installed_kwp") * 1000, pl.col("rating_w")
    # A battery on the modules' side takes what the inverter need not convert.
    peak_cap = pl.col("pv_cap_w")
    through_w = pl.col("pv_w") + pl.col("battery_w").fill_null(0.0).clip(upper_bound=0.0)
    has_dc_path = pl.col("battery_kwh").is_not_null() & pl.col("battery_w").is_null()

    def rule(channel: str, what: str, broken: pl.Expr, limit: pl.Expr, text: str, *, is_hard: bool = False) -> None:
        name = f"{channel.rsplit('_', 1)[0]}_{what}"
        rules.append(Rule(name, channel, broken.fill_null(False), limit, text, is_hard, what in OF_RATINGS))

    for name in ("pv_w", *STRING_CHANNELS):
        rule(name, "beyond_peak", pl.col(name) > peak_cap, peak_cap, "more than the modules can give")
        far = FAR_TIMES * CLOUD_EDGE * kwp_w
        rule(name, "far_beyond", pl.col(name).abs() > far, far, "a placeholder or a wrong unit", is_hard=True)
        low = -NEGATIVE_SHARE * kwp_w
        rule(name, "negative", pl.col(name) < low, low, "generation below zero")
    cap = pl.col("inverter_cap_w")
    beyond = (through_w > cap) & ~has_dc_path & ~(pl.col("pv_w") > peak_cap)
    rule("pv_w", "beyond_inverter", beyond, cap, "more than the inverter can deliver")
    low = -pl.max_horizontal(pl.lit(NEGATIVE_W), NEGATIVE_LOAD_SHARE * rating_w)
    rule("load_w", "negative", pl.col("load_w") < low, low, "a load below zero")
    rule("load_w", "beyond_service", pl.col("load_w").abs() > pl.col("load_cap_w"), pl.col("load_cap_w"),
         "more than any service of this size carries", is_hard=True)  # fmt: skip
    for name in ("grid_w", *PHASE_CHANNELS):
        rule(name, "beyond_service", pl.col(name).abs() > pl.col("grid_cap_w"), pl.col("grid_cap_w"),
             "more than any service of this size carries", is_hard=True)  # fmt: skip
    cap = 1000 * pl.max_horizontal(C_RATE * pl.col("battery_kwh"), 1.5 * rating_w / 1000)
    beyond = (pl.col("battery_w").abs() > cap) & pl.col("battery_kwh").is_not_null()
    rule("battery_w", "beyond_battery", beyond, cap, "more than its battery can take or give")
    far = FAR_TIMES * cap
    rule("battery_w", "far_beyond", pl.col("battery_w").abs() > far, far, "a placeholder or a wrong unit", is_hard=True)
    soc = pl.col("soc_pct")
    rule("soc_pct", "above_full", soc > 100 + SOC_SLACK_PCT, pl.lit(100.0), "charged beyond 100 %", is_hard=True)
    rule("soc_pct", "below_empty", soc < -SOC_SLACK_PCT, pl.lit(0.0), "charged below 0 %", is_hard=True)
    for name in VOLTAGE_CHANNELS:
        nominal = pl.col("nominal_voltage_v")
        off = pl.col(name).abs() <= VOLTAGE_OFF * nominal
        low, high = VOLTAGE_LOW * nominal, VOLTAGE_HIGH * nominal
        # Where the supply goes or comes within an interval, its mean is of some voltage and none.
        too_low = (pl.col(name) < low) & ~off & ~is_mixed(name)
        rule(name, "too_low", too_low, low, "no voltage that an inverter works on")
        rule(name, "too_high", pl.col(name) > high, high, "no voltage of a phase to neutral", is_hard=True)
    hertz = pl.col("frequency_hz")
    rule("frequency_hz", "too_low", (hertz < FREQUENCY_LOW_HZ) & (hertz != 0), pl.lit(FREQUENCY_LOW_HZ), "no mains")
    rule("frequency_hz", "too_high", hertz > FREQUENCY_HIGH_HZ, pl.lit(FREQUENCY_HIGH_HZ), "no mains", is_hard=True)
    for name in TEMPERATURES:
        rule(name, "too_cold", pl.col(name) < COLD_C, pl.lit(COLD_C), "no temperature on Earth", is_hard=True)
        rule(name, "too_hot", pl.col(name) > HOT_C, pl.lit(HOT_C), "hotter than it could bear", is_hard=True)
    light = pl.col("irradiance_w_m2")
    rule("irradiance_w_m2", "too_low", light < DARK_W_M2, pl.lit(DARK_W_M2), "darker than dark", is_hard=True)
    rule("irradiance_w_m2", "too_high", light > BRIGHT_W_M2, pl.lit(BRIGHT_W_M2), "no sun so bright", is_hard=True)
    overlap = pl.col(OVERLAP) > OVERLAP_SHARE * pl.col("interval_s")
    rule(OVERLAP, "intervals", overlap, pl.lit(0.0), "intervals that lie over one another")
    return rules


def _service_w() -> pl.Expr:
    """What flows at most where mains and roof are of a usual size: a load takes what both give together."""
    voltage = pl.col("nominal_voltage_v").fill_null(230.0)
    mains_w = SERVICE_A * pl.col("phases").fill_null(1) * voltage
    return mains_w + pl.max_horizontal("inverter_kw", "installed_kwp") * 1000


def beyond_service(flow_peaks: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Rows of `flow_peaks` with a flow that only a service larger than usual carries."""
    size = sites.select("site_id", size_w=_service_w())
    top = pl.max_horizontal("load_top_w", "grid_top_w")
    return flow_peaks.join(size, on="site_id").filter(top > pl.col("size_w")).drop("size_w")


def beyond_rating(flow_peaks: pl.DataFrame, flags: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day] of generation beyond a rating: as `flow_peaks` tells, or as READING_FLAGS `flags` told."""
    rated_w = sites.select("site_id", by_modules=_modules_cap_w(), by_inverter=_inverter_cap_w())
    is_beyond = pl.col("pv_peak_w") > pl.min_horizontal("by_modules", "by_inverter")
    of_peaks = flow_peaks.join(rated_w, on="site_id").filter(is_beyond)
    of_flags = flags.filter(pl.col("rule").str.contains_any([f"_{name}" for name in OF_RATINGS]))
    return pl.concat([of_peaks.select("site_id", "day"), of_flags.select("site_id", "day")]).unique()


def _modules_cap_w() -> pl.Expr:
    return CLOUD_EDGE * 1000 * pl.col("installed_kwp")


def _inverter_cap_w() -> pl.Expr:
    return OVERLOAD * 1000 * pl.col("inverter_kw")


def rated(device_readings: pl.DataFrame, peaks: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """The day's readings in units, with their site's ratings, caps and the overlap with the next reading."""
    size_w = _service_w()
    past = (
        peaks.filter(pl.col("day") < day)
        .group_by("site_id")
        .agg(
            pl.col("load_peak_w").median(),
            pl.col("grid_peak_w").median(),
            load_days=pl.col("load_peak_w").count(),
            grid_days=pl.col("grid_peak_w").count(),
        )
    )

    def cap(name: str) -> pl.Expr:
        by_past = pl.max_horizontal(size_w, PAST_TIMES * pl.col(f"{name}_peak_w"))
        is_known = (pl.col(f"{name}_days") >= MIN_DAYS).fill_null(False)
        return pl.when(is_known).then(by_past).otherwise(SERVICE_TIMES * size_w).alias(f"{name}_cap_w")

    about = sites.join(past, on="site_id", how="left").select(
        "site_id", "installed_kwp", "inverter_kw", "battery_kwh", "nominal_voltage_v", "feed_in_limit_kw",
        "feed_in_buffer_w", cap("load"), cap("grid"),
        rating_w=pl.coalesce("inverter_kw", "installed_kwp") * 1000,
    )  # fmt: skip
    caps = _pv_caps(peaks.filter(pl.col("day") < day), sites, day)
    about = about.join(caps, on="site_id", how="left", maintain_order="left")
    until_next_s = (pl.col("ts_utc").shift(-1) - pl.col("ts_utc")).dt.total_milliseconds() / 1000
    is_mean_before = (pl.col("unit") == pl.col("unit").shift(-1)) & ~pl.col("is_instant")
    return with_sites(in_units(device_readings).filter(pl.col("day") == day), about).with_columns(
        end_utc=pl.col("ts_utc") + pl.duration(seconds="interval_s"),
        overlap_s=pl.when(is_mean_before).then(pl.col("interval_s") - until_next_s),
    )


def _pv_caps(peaks: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, pv_cap_w, inverter_cap_w]: the ratings' caps, or what the data's own days put in their place.

    A rating that the generation itself passes day after day is wrong, and not the readings; peaks so far beyond that
    no rating could be meant (a wrong unit) speak against none. `peaks`: of the days before `day`.
    """
    rated_w = sites.select("site_id", by_modules=_modules_cap_w(), by_inverter=_inverter_cap_w())
    past = peaks.join(rated_w, on="site_id").filter(pl.col("pv_peak_w") <= FAR_TIMES * pl.col("by_modules"))

    def beyond(cap: str) -> pl.Expr:
        peak = pl.col("pv_peak_w").filter(pl.col("pv_peak_w") > pl.col(cap))
        return pl.when(peak.len() >= CONTRADICTING_DAYS).then(CLOUD_EDGE * peak.max())

    # Modules make their capacity for an hour on the clearest cold days alone: who does on several has more of them.
    full = pl.col("pv_peak_w").filter(CLOUD_EDGE * pl.col("pv_peak_w") > pl.col("by_modules"))
    over_capacity = CLOUD_EDGE * full.top_k(CONTRADICTING_DAYS).min()
    seen = past.group_by("site_id").agg(
        over_modules=beyond("by_modules"),
        over_inverter=beyond("by_inverter"),
        over_capacity=pl.when(full.len() >= CONTRADICTING_DAYS).then(over_capacity),
    )
    contradicted = beyond_capacity(peaks, sites, day).select("site_id", contradicted=CLOUD_EDGE * pl.col("peak_w"))
    return (
        rated_w.join(seen, on="site_id", how="left")
        .join(contradicted, on="site_id", how="left")
        .select(
            "site_id",
            pv_cap_w=pl.max_horizontal("by_modules", "over_modules", "over_capacity", "contradicted"),
            inverter_cap_w=pl.when(pl.col("by_inverter").is_not_null()).then(
                pl.max_horizontal("by_inverter", "over_inverter")
            ),
        )
    )


def broken_values(rows: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of the values that a rule excludes, of a day's `rated` rows.

    Where most of the values beyond a rating stand together in a row and none of them is far away, it is the rating that
    is wrong: these stay, flagged as beyond it. Where most of a device's day is far too high, it is the unit, and what
    looks possible of that channel is no better.
    """
    present = {name for name in rows.columns if rows[name].null_count() < rows.height}
    live = [rule for rule in rules() if rule.channel in present]
    around = with_neighbours(rows) if present.intersection(VOLTAGE_CHANNELS) else rows
    flags = around.select(rule.broken.alias(rule.name) for rule in live)
    found = sorted((rule for rule in live if flags[rule.name].any()), key=lambda rule: not rule.is_hard)
    marked = [_flagged_by(_of_broken(rows, flags[rule.name], _is_far(flags, rule)), rule) for rule in found]
    return pl.concat([FLAGGED_VALUES.to_frame(), *marked])


def _of_broken(rows: pl.DataFrame, is_broken: pl.Series, is_far: pl.Series) -> pl.DataFrame:
    """The rows of the devices that have one that is broken, with is_broken and is_far: a rule judges them alone."""
    return among_units(rows.with_columns(is_broken=is_broken, is_far=is_far), rows["unit"].filter(is_broken))


def _is_far(flags: pl.DataFrame, rule: Rule) -> pl.Series:
    """Which values of the rule's channel are too far beyond any rating to speak against it."""
    names = [f"{rule.channel.rsplit('_', 1)[0]}_{what}" for what in TOO_FAR]
    far = [flags[name] for name in names if name in flags.columns]
    return far[0] if far else pl.repeat(False, flags.height, dtype=pl.Boolean, eager=True)


def _flagged_by(rows: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    """FLAGGED_VALUES of one rule."""
    value, broken = pl.col(rule.channel), pl.col("is_broken")
    flag, reason, also = pl.lit("implausible"), pl.lit(rule.text), pl.lit(False)
    if rule.channel == OVERLAP:
        flag = pl.lit("overlapping")
    elif rule.is_of_rating:
        near = broken & ~pl.col("is_far")
        rows = rows.with_columns(run=(near != near.shift(1)).fill_null(True).cum_sum())
        needed = pl.when(pl.col("interval_s") < min(SUPPORTED)).then(SUPPORTED[min(SUPPORTED)]).otherwise(
            SUPPORTED[max(SUPPORTED)]
        )  # fmt: skip
        supported = near & (near.sum().over("unit", "run") >= needed)
        is_rating = (supported.sum().over("unit") > MOSTLY * broken.sum().over("unit")) & supported
        flag = pl.when(is_rating).then(pl.lit("beyond rating")).otherwise(flag)
    elif rule.name.endswith(TOO_FAR):
        lit = value.abs() > IDLE_SHARE * 1000 * pl.col("installed_kwp")
        also = ((broken.sum().over("unit") > MOSTLY * lit.sum().over("unit")) & (value != 0)).fill_null(False)
        reason = pl.when(broken).then(reason).otherwise(pl.lit("most of the day's values cannot be: a wrong unit"))
    flagged = rows.with_columns(
        place=value.is_not_null().cum_sum().over("unit"), flag=flag, reason=reason, is_marked=broken | also,
        limit=rule.limit.cast(pl.Float64),
    ).filter("is_marked")  # fmt: skip
    return flagged.select(
        *OWN, "day", "ts_utc", "end_utc", "place", "flag", "reason", "limit",
        channel=pl.lit(rule.channel), rule=pl.lit(rule.name), value=value,
    ).select(FLAGGED_VALUES.names()).cast(FLAGGED_VALUES)  # fmt: skip
