"""Readings that physics or the site's equipment rules out.

Such values come from a wrong unit in a profile, a wrong entry in the register or a logger that writes a placeholder
where it has nothing; each of them spoils the sums of its day. A bright cloud edge, an inverter's own consumption at
night and a grid that is off are none of these.
"""

from datetime import date
from typing import NamedTuple

import polars as pl

from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Verdict, because, series
from detectors.frames import PHASE_CHANNELS, STRING_CHANNELS, VOLTAGE_CHANNELS

DETECTOR = "readings-implausible"
KIND = "readings-implausible"
RANK = 10
KINDS = {
    KIND: Kind(
        title="Readings that cannot be",
        hides=("balance-broken",),
        hides_why="values that cannot be do not add up either",
        makes_unreliable=("readings",),
        close_after=2,
        cause="A wrong unit or sign in the export's profile, a wrong rating in the register, or a logger that writes "
        "placeholders where it has no value.",
        next_step="Service desk: compare the values named with the export's own text and the register's ratings; fix "
        "the profile or the register, or have the logger looked at.",
    )
}
REASONS: dict[str, str] = {}  # those of all detectors are enough

CLOUD_EDGE = 1.3  # cloud edges lift irradiance to some 1.3 kW/m2 over minutes (from memory); modules are rated at 1
FAR_TIMES = 10.0  # ours: no weather and no overload makes that; one such reading is enough
OVERLOAD = 1.1  # ours: inverters deliver their rating, some of them 10 % more for a while
NEGATIVE_SHARE = 0.01  # the readings query takes up to 1 % of the peak capacity below zero for own consumption
NEGATIVE_W = 50.0  # ours: loads worked out from two meters dip below zero by as much when both change at once ...
NEGATIVE_LOAD_SHARE = 0.02  # ... or by the errors of two meters at full power
SOC_SLACK_PCT = 0.5  # rounding
C_RATE = 3.0  # ours: batteries in houses are charged and discharged within an hour or more; 20 min are beyond any
SERVICE_A = 100.0  # ours: larger services than 100 A per phase are rare for sites whose inverter does not show it
SERVICE_TIMES = 3.0  # ours: of a size that register and mains suggest, where the site's history is short
PAST_TIMES = 5.0  # ours: a new car charger trebles a house's peak, a wrong unit makes it a thousand times as high
MIN_DAYS = 7  # ours: a week shows the usual peaks
VOLTAGE_LOW, VOLTAGE_HIGH = 0.5, 1.5  # of nominal; beyond, inverters have long disconnected (EN 50160: +-10 %)
VOLTAGE_OFF = 0.05  # ours: a phase that is not connected floats at a few volts
FREQUENCY_LOW_HZ, FREQUENCY_HIGH_HZ = 40.0, 70.0  # EN 50160: 47-52 Hz always; the same width around 60 Hz
COLD_C, HOT_C = -60.0, 120.0  # ours: outside any weather and any inverter's shutdown
DARK_W_M2, BRIGHT_W_M2 = -20.0, 1600.0  # ours: sensors' offsets at night; above the highest minute means on record
OVERLAP_SHARE = 0.5  # ours: stamps that jitter overlap by less than half an interval
MIN_SOFT = 2  # ours: one mean may hold a moment of outage or switching
MANY_SHARE = 0.01  # ours: more than 1 % of a day's readings changes its sums
TEMPERATURES = ("module_temp_c", "ambient_temp_c", "inverter_temp_c", "battery_temp_c")


class Rule(NamedTuple):
    """What rules a value of a channel out."""

    name: str  # key of the evidence
    channel: str
    broken: pl.Expr
    limit: pl.Expr  # the bound that was passed
    text: str
    is_hard: bool  # one reading is enough


def detect(
    device_readings: pl.DataFrame,
    flow_peaks: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    implausible_stamps: pl.DataFrame | None = None,
    *,
    min_soft: int = MIN_SOFT,
) -> list[Verdict]:
    """A finding per site with readings on `day` that cannot be, or with rows rejected for their stamps; in readings."""
    stamped = {} if implausible_stamps is None else _stamped(implausible_stamps, day)
    rules = _rules()
    rows = _rows(device_readings, flow_peaks, sites, day)
    counted = _count(rows, rules) if not rows.is_empty() else {}
    verdicts: list[Verdict] = []
    for site_id in sites["site_id"].sort():
        if site_id not in counted:
            if site_id in stamped:
                verdicts.append(_of_stamps(site_id, *stamped[site_id], 0, day))
                continue
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "no-readings")))
            continue
        counts = counted[site_id]
        broken = [rule for rule in rules if counts[rule.name] >= (1 if rule.is_hard else min_soft)]
        if broken:
            own = rows.filter(pl.col("site_id") == site_id)
            found = _finding(site_id, own, broken, counts["readings"], day)
            verdicts.append(_with_stamps(found, *stamped[site_id]) if site_id in stamped else found)
        elif site_id in stamped:
            verdicts.append(_of_stamps(site_id, *stamped[site_id], counts["readings"], day))
    return verdicts


def _stamped(implausible_stamps: pl.DataFrame, day: date) -> dict[str, tuple[int, str]]:
    """Site -> how many of its rows were rejected for their stamps, and the first of these."""
    of_day = implausible_stamps.filter(pl.col("day") == day)
    return {site: (count, first or "") for site, count, first in of_day.select(
        "site_id", "rows_count", "first_ts_export").iter_rows()}  # fmt: skip


def _of_stamps(site_id: str, count: int, first: str, readings: int, day: date) -> Finding:
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="soon" if count > MANY_SHARE * readings else "watch",
        value=float(count),
        unit="readings",
        threshold=0.0,
        summary=f"{count} rows carry stamps of a time in which the site cannot have written them, first {first!r}; "
        "they were rejected. The logger's clock was reset or set wrongly.",
        measured=f"{count} rows, first stamped {first!r}",
        expected="stamps between the site's commissioning and the arrival of the export",
        evidence={"readings_count": readings, "stamps_rejected_count": count, "first_stamp_text": first},
    )


def _with_stamps(found: Finding, count: int, first: str) -> Finding:
    """The finding, with the rows that were rejected for their stamps told as well."""
    return found.model_copy(
        update={
            "value": found.value + count,
            "summary": f"{found.summary} Also {count} rows were rejected for their stamps, first {first!r}.",
            "evidence": found.evidence | {"stamps_rejected_count": count, "first_stamp_text": first},
        }
    )


def _rules() -> list[Rule]:
    """All rules; an unknown rating makes a rule say nothing."""
    rules = []
    kwp_w, rating_w = pl.col("installed_kwp") * 1000, pl.col("rating_w")
    # A battery on the modules' side takes what the inverter need not convert.
    through_w = pl.col("pv_w") + pl.col("battery_w").fill_null(0.0).clip(upper_bound=0.0)
    has_dc_path = pl.col("battery_kwh").is_not_null() & pl.col("battery_w").is_null()

    def rule(channel: str, what: str, broken: pl.Expr, limit: pl.Expr, text: str, *, is_hard: bool = False) -> None:
        name = f"{channel.rsplit('_', 1)[0]}_{what}"
        rules.append(Rule(name, channel, broken.fill_null(False), limit, text, is_hard))

    for name in ("pv_w", *STRING_CHANNELS):
        cap = CLOUD_EDGE * kwp_w
        rule(name, "beyond_peak", pl.col(name) > cap, cap, "more than the modules can give")
        far = FAR_TIMES * cap
        rule(name, "far_beyond", pl.col(name).abs() > far, far, "a placeholder or a wrong unit", is_hard=True)
        low = -NEGATIVE_SHARE * kwp_w
        rule(name, "negative", pl.col(name) < low, low, "generation below zero")
    cap = OVERLOAD * pl.col("inverter_kw") * 1000
    beyond = (through_w > cap) & ~has_dc_path & ~(pl.col("pv_w") > CLOUD_EDGE * kwp_w)
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
        rule(name, "too_low", (pl.col(name) < low) & ~off, low, "no voltage that an inverter works on")
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
    overlap = pl.col("overlap_s") > OVERLAP_SHARE * pl.col("interval_s")
    rule("overlap_s", "intervals", overlap, pl.lit(0.0), "intervals that lie over one another")
    return rules


def _rows(device_readings: pl.DataFrame, peaks: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """The day's readings with their site's ratings, caps and the overlap with the next reading."""
    voltage = pl.col("nominal_voltage_v").fill_null(230.0)
    mains_w = SERVICE_A * pl.col("phases").fill_null(1) * voltage
    rating_w = pl.max_horizontal("inverter_kw", "installed_kwp") * 1000
    # A load takes what the mains and the roof's own power give together, a grid flow what either gives.
    size_w = mains_w + rating_w
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

    told = sites.join(past, on="site_id", how="left").select(
        "site_id", "installed_kwp", "inverter_kw", "battery_kwh", "nominal_voltage_v", cap("load"), cap("grid"),
        rating_w=pl.coalesce("inverter_kw", "installed_kwp") * 1000,
    )  # fmt: skip
    own = ["site_id", "device_id"]
    is_same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(-1) for name in own)
    until_next_s = (pl.col("ts_utc").shift(-1) - pl.col("ts_utc")).dt.total_milliseconds() / 1000
    return (
        device_readings.filter(pl.col("ts_local").dt.date() == day)
        .sort(*own, "ts_utc")
        .with_columns(overlap_s=pl.when(is_same & ~pl.col("is_instant")).then(pl.col("interval_s") - until_next_s))
        .join(told, on="site_id", how="inner", maintain_order="left")
    )


def _count(rows: pl.DataFrame, rules: list[Rule]) -> dict[str, dict[str, int]]:
    """Site -> rule -> how many readings break it, and how many readings there are."""
    present = {name for name in rows.columns if rows[name].null_count() < rows.height}
    live = [rule for rule in rules if rule.channel in present]
    flags = rows.select("site_id", *(rule.broken.alias(rule.name) for rule in live))
    sums = flags.group_by("site_id").agg(pl.len().alias("readings"), *(pl.col(rule.name).sum() for rule in live))
    nothing = dict.fromkeys((rule.name for rule in rules), 0)
    return {row["site_id"]: {**nothing, **row} for row in sums.iter_rows(named=True)}


def _finding(site_id: str, rows: pl.DataFrame, broken: list[Rule], readings: int, day: date) -> Finding:
    told = rows.with_columns(rule.broken.alias(rule.name) for rule in broken)
    wrong = told.filter(pl.any_horizontal(rule.name for rule in broken))
    main = max(broken, key=lambda rule: int(told[rule.name].sum()))
    worst = _worst(told, main)
    by_hour = (
        told.group_by(pl.col("ts_utc").dt.truncate("1h"))
        .agg(wrong=pl.any_horizontal(rule.name for rule in broken).sum())
        .sort("ts_utc")
    )
    evidence: dict[str, EvidenceValue] = {
        "readings_count": readings,
        "implausible_count": wrong.height,
        "worst_utc": worst["ts_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        "channel_name": ", ".join(sorted({rule.channel for rule in broken})),
    }
    for rule in broken:
        evidence[f"{rule.name}_count"] = int(told[rule.name].sum())
        evidence[f"{rule.name}_worst_{_unit(rule.channel)}"] = _worst(told, rule)[rule.channel]
        evidence[f"{rule.name}_limit_{_unit(rule.channel)}"] = _worst(told, rule)["limit"]
    others = sorted({rule.channel for rule in broken} - {main.channel})
    also = f"; also {', '.join(others)}" if others else ""
    value = f"{main.channel} reaches {worst[main.channel]:g}"
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="soon" if wrong.height > MANY_SHARE * readings else "watch",
        value=float(wrong.height),
        unit="readings",
        threshold=0.0,
        summary=f"{wrong.height} of {readings} readings cannot be: {value}, {main.text}{also}.",
        measured=f"{wrong.height} of {readings} readings: {value}",
        expected=f"{main.channel} within {worst['limit']:g}",
        evidence=evidence,
        series=(series("implausible readings", "count", "measured", by_hour["ts_utc"], by_hour["wrong"]),),
    )


def _worst(told: pl.DataFrame, rule: Rule) -> dict:
    """The reading that breaks a rule by most, with its limit."""
    broken = told.filter(rule.name).with_columns(limit=rule.limit.cast(pl.Float64))
    distance = (pl.col(rule.channel) - pl.col("limit")).abs()
    return broken.sort(distance, "ts_utc", descending=[True, False]).row(0, named=True)


def _unit(channel: str) -> str:
    return "w_m2" if channel.endswith("_w_m2") else channel.rpartition("_")[2]
