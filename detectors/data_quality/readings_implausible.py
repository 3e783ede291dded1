"""Readings that physics or the site's equipment rules out.

Such values come from a wrong unit in a profile, a wrong entry in the register or a logger that writes a placeholder
where it has nothing. `plausibility`, `wrong_scale` and `spikes` flag them before the detectors run, and this file tells
what they flagged. Counters that disagree with the powers beside them for days are told here too: one of both cannot be;
and so are readings that were sent again under other stamps, which `copies` flags, or are those of another site, which
`other_sites` does.
"""

from datetime import date

import polars as pl

from detectors.data_quality.counters import APART_SHARE, Apart, apart
from detectors.data_quality.other_sites import RULE as ANOTHER_SITE
from detectors.data_quality.plausibility import rules
from detectors.data_quality.wrong_scale import FLOWS, RULE
from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Series, Verdict, because, series
from detectors.solar.ratings import beyond_capacity

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
        "placeholders where it has no value, or sends old readings again under new stamps, or an export job that reads "
        "another site.",
        next_step="Service desk: compare the values named with the export's own text and the register's ratings; fix "
        "the profile or the register, or have the logger looked at.",
    )
}
REASONS = {"low-coverage": "readings cover {seen_h:.1f} h of the day"}

MIN_SOFT = 2  # ours: one mean may hold a moment of outage or switching
MIN_SEEN_H = 2.0  # ours: an hour at a day's edge says nothing of the day
MANY_SHARE = 0.01  # ours: more than 1 % of a day's readings changes its sums
FLAGS = ("implausible", "placeholder", "beyond rating", "overlapping")


def detect(
    reading_flags: pl.DataFrame,
    raw_device_readings: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    implausible_stamps: pl.DataFrame | None = None,
    counter_day: pl.DataFrame | None = None,
    flow_peaks: pl.DataFrame | None = None,
    *,
    min_soft: int = MIN_SOFT,
) -> list[Verdict]:
    """A finding per site with readings on `day` that cannot be, with rows rejected for their stamps, or with counters
    (`counter_day`: COUNTER_DAYS up to the day) that have disagreed with its powers for days; in readings.

    Generation beyond the modules of a site whose `flow_peaks` (that feature's rows) show that its registered capacity
    is too small is for `capacity-mismatch` to tell.
    """
    stamped = {} if implausible_stamps is None else _stamped(implausible_stamps, day)
    told = reading_flags.filter((pl.col("day") == day) & pl.col("flag").is_in(FLAGS))
    told = told.join(_of_capacity(told, flow_peaks, sites, day), on=["site_id", "rule"], how="anti")
    flags = _reported(told.filter(pl.col("rule") != RULE), min_soft)
    scaled = {str(site_id): own for (site_id,), own in told.filter(pl.col("rule") == RULE).group_by("site_id")}
    flagged = {str(site_id): own for (site_id,), own in flags.partition_by("site_id", as_dict=True).items()}
    is_other = pl.col("rule") == ANOTHER_SITE
    copied = reading_flags.filter((pl.col("day") == day) & ((pl.col("flag") == "duplicated") | is_other))
    again, of_others = (
        {str(site_id): own for (site_id,), own in some.partition_by("site_id", as_dict=True).items()}
        for some in (copied.filter(~is_other), copied.filter(is_other))
    )
    today = raw_device_readings.filter(pl.col("ts_local").dt.date() == day)
    counts = dict(today.group_by("site_id").agg(pl.len()).iter_rows())
    by_device = today.group_by("site_id", "device_id").agg(seen_h=pl.col("interval_s").sum() / 3600)
    hours = dict(by_device.group_by("site_id").agg(pl.col("seen_h").max()).iter_rows())
    disagreeing = {} if counter_day is None else apart(counter_day, day)
    verdicts: list[Verdict] = []
    for site_id in sites["site_id"].sort():
        found: list[Finding] = []
        if site_id in flagged and site_id in counts:
            own = today.filter(pl.col("site_id") == site_id)
            found.append(_finding(site_id, own, flagged[site_id], counts[site_id], day))
        if site_id in scaled:
            own = today.filter(pl.col("site_id") == site_id)
            found.append(_of_unit(site_id, own, scaled[site_id], day))
        if site_id in again:
            found.append(_of_copies(site_id, again[site_id], counts.get(site_id, 0), day))
        if site_id in of_others:
            found.append(_of_another_site(site_id, of_others[site_id], counts.get(site_id, 0), day))
        if site_id in stamped:
            found.append(_of_stamps(site_id, *stamped[site_id], counts.get(site_id, 0), day))
        if site_id in disagreeing:
            found.append(_of_counters(site_id, disagreeing[site_id], counts.get(site_id, 0), day))
        if found:
            verdicts.append(_together(found))
        elif site_id not in counts:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "no-readings")))
        elif hours[site_id] < MIN_SEEN_H:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "low-coverage", seen_h=hours[site_id])))
    return verdicts


def _of_capacity(told: pl.DataFrame, flow_peaks: pl.DataFrame | None, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, rule] of generation beyond modules that the register counts too few of."""
    supported = told.filter(pl.col("flag") == "beyond rating", pl.col("rule").str.ends_with("beyond_peak"))
    if flow_peaks is None or supported.is_empty():
        return told.select("site_id", "rule").clear()
    beyond = beyond_capacity(flow_peaks, sites, day)
    return supported.join(beyond, on="site_id", how="semi").select("site_id", "rule").unique()


def _reported(flags: pl.DataFrame, min_soft: int) -> pl.DataFrame:
    """The flags of rules that were broken often enough to be told."""
    hard = [rule.name for rule in rules() if rule.is_hard]
    needed = pl.when(pl.col("rule").is_in(hard)).then(1).otherwise(min_soft)
    return flags.filter(pl.col("readings").sum().over("site_id", "rule") >= needed)


def _stamped(implausible_stamps: pl.DataFrame, day: date) -> dict[str, tuple[int, str]]:
    """Site -> how many of its rows were rejected for their stamps, and the first of these."""
    of_day = implausible_stamps.filter(pl.col("day") == day)
    return {site: (count, first or "") for site, count, first in of_day.select(
        "site_id", "rows_count", "first_ts_export").iter_rows()}  # fmt: skip


def _of_stamps(site_id: str, count: int, first: str, readings: int, day: date) -> Finding:
    return _counted(
        site_id,
        day,
        count,
        readings,
        summary=f"{count} rows carry stamps of a time in which the site cannot have written them, first {first!r}; "
        "they were rejected. The logger's clock was reset or set wrongly.",
        measured=f"{count} rows, first stamped {first!r}",
        expected="stamps between the site's commissioning and the arrival of the export",
        evidence={"stamps_rejected_count": count, "first_stamp_text": first},
    )


def _counted(
    site_id: str, day: date, count: int, readings: int, *, summary: str, measured: str, expected: str,
    evidence: dict[str, EvidenceValue],
) -> Finding:  # fmt: skip
    """A finding of so many of the day's readings."""
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="soon" if count > MANY_SHARE * readings else "watch",
        value=float(count),
        unit="readings",
        threshold=0.0,
        summary=summary,
        measured=measured,
        expected=expected,
        evidence={"readings_count": readings, **evidence},
    )


def _rows_of(flags: pl.DataFrame) -> tuple[int, str]:
    """How many rows hold the flagged values, and the reason of the longest span."""
    by_channel = flags.group_by("device_id", "channel").agg(pl.col("readings").sum())
    count = int(by_channel.group_by("device_id").agg(pl.col("readings").max())["readings"].sum())
    return count, str(flags.sort("readings", "reason", descending=[True, False])["reason"][0])


def _of_another_site(site_id: str, flags: pl.DataFrame, readings: int, day: date) -> Finding:
    """Of a site whose readings are those of another: how many, of which, and whether it is known whose they are."""
    count, reason = _rows_of(flags)
    is_copy = (flags["flag"] == "duplicated").any()
    whose = (
        "What this site measured before fits them no more, and what the other one did still does: these count in no "
        "energy, and what this site did is not known."
        if is_copy
        else "Which of the two they belong to is not known, so they count at both."
    )
    return _counted(
        site_id,
        day,
        count,
        readings,
        summary=f"{count} of {readings} readings: {reason}. {whose} Check which plant the export of each site reads.",
        measured=f"{count} of {readings} readings: {reason}",
        expected="readings that differ from those of other sites",
        evidence={"shared_count": count, "shared_channel_name": ", ".join(flags["channel"].unique().sort())},
    )


def _of_copies(site_id: str, flags: pl.DataFrame, readings: int, day: date) -> Finding:
    """Of a site whose readings were sent again: how many, and of which day they are a copy."""
    count, reason = _rows_of(flags)
    names = flags["channel"].unique().sort().to_list()
    return _counted(
        site_id,
        day,
        count,
        readings,
        summary=f"{count} of {readings} readings are {reason}: the same block was sent again under other stamps. "
        "They count in no energy; what this day was in truth is not known.",
        measured=f"{count} of {readings} readings: {reason}",
        expected="readings that differ from those of other days",
        evidence={"copied_count": count, "copied_channel_name": ", ".join(names)},
    )


def _of_unit(site_id: str, rows: pl.DataFrame, flags: pl.DataFrame, day: date) -> Finding:
    """Of a site whose powers are a thousandth of its usual ones."""
    tops = rows.group_by("device_id").agg(pl.col(f"{name}_w").abs().max() for name in FLOWS)
    by_channel = (
        flags.group_by("device_id", "channel")
        .agg(pl.col("limit").first())
        .join(tops.unpivot(index="device_id", variable_name="channel", value_name="high_w"),
              on=["device_id", "channel"], how="left")
    )  # fmt: skip
    count, _ = _rows_of(flags)
    flows = by_channel.filter(pl.col("channel").is_in([f"{name}_w" for name in FLOWS]))
    flows = flows.sort("limit", "channel", descending=[True, False], nulls_last=True)
    first = flows.row(0, named=True)
    reaches = f"{first['channel']} reaches {first['high_w']:g} W, usually {first['limit']:.0f} W"
    evidence: dict[str, EvidenceValue] = {"scaled_channel_name": ", ".join(flows["channel"].unique().sort())}
    for row in flows.unique("channel", keep="first", maintain_order=True).iter_rows(named=True):
        name = row["channel"].removesuffix("_w")
        evidence[f"{name}_high_w"], evidence[f"{name}_usual_high_w"] = row["high_w"], row["limit"]
    return _counted(
        site_id,
        day,
        count,
        rows.height,
        summary=f"The powers are a thousandth of what they were: {reaches}. The unit changed, as to kW where the "
        "profile says W; they count in no energy. Correct the scale in the profile from that day on.",
        measured=reaches,
        expected="powers of their usual size",
        evidence=evidence,
    )


def _of_counters(site_id: str, flow: Apart, readings: int, day: date) -> Finding:
    at = f"{flow.flow} of device {flow.device_id}" if flow.device_id else flow.flow
    side = "more" if flow.counted_kwh > flow.power_kwh else "less"
    both = f"{flow.counted_kwh:.1f} kWh by the counter, {flow.power_kwh:.1f} kWh by the power"
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="soon",
        value=float(flow.intervals),
        unit="readings",
        threshold=0.0,
        summary=f"The counter of {at} shows {side} than the power beside it for {flow.days} days: {both} over the same "
        f"{flow.intervals} intervals. Which of the two is right is not known.",
        measured=f"{at}: {both}",
        expected=f"the same energy by both, within {100 * APART_SHARE:.0f} %",
        since=flow.since,
        evidence={
            "readings_count": readings,
            "flow_name": flow.flow,
            "device_name": flow.device_id or None,
            "counted_kwh": flow.counted_kwh,
            "power_kwh": flow.power_kwh,
            "counted_over_power_ratio": flow.ratio,
            "apart_days": flow.days,
        },
    )


def _together(found: list[Finding]) -> Finding:
    """One finding of several of a site; the first one's figures decide."""
    first, others = found[0], found[1:]
    if not others:
        return first
    evidence = {name: value for one in reversed(found) for name, value in one.evidence.items()}
    return first.model_copy(
        update={
            "value": sum(one.value for one in found),
            "severity": "soon" if any(one.severity == "soon" for one in found) else first.severity,
            "summary": " Also: ".join(one.summary for one in found),
            "evidence": evidence,
            "since": min((one.since for one in found if one.since), default=None),
        }
    )


def _finding(site_id: str, rows: pl.DataFrame, flags: pl.DataFrame, readings: int, day: date) -> Finding:
    """One finding of a site for all its rules that were broken."""
    by_rule = {
        str(name): (int(own["readings"].sum()), _worst(own))
        for (name,), own in flags.group_by("rule", maintain_order=True)
    }
    order = {rule.name: place for place, rule in enumerate(rules())}
    names = sorted(by_rule, key=lambda name: order.get(name, len(order)))
    _, main = max((by_rule[name] for name in names), key=lambda broken: broken[0])
    wrong, picture = _where(rows, flags)
    channels = sorted({broken["channel"] for _, broken in by_rule.values()})
    evidence: dict[str, EvidenceValue] = {
        "readings_count": readings,
        "implausible_count": wrong,
        "worst_utc": main["value_utc"].strftime("%Y-%m-%dT%H:%M:%SZ"),
        "channel_name": ", ".join(channels),
    }
    for name in names:
        count, worst = by_rule[name]
        unit = _unit(worst["channel"])
        evidence[f"{name}_count"] = count
        evidence[f"{name}_worst_{unit}"] = worst["value"]
        evidence[f"{name}_limit_{unit}"] = worst["limit"]
    others = [name for name in channels if name != main["channel"]]
    also = f"; also {', '.join(others)}" if others else ""
    value = f"{main['channel']} reaches {main['value']:g}"
    told = set(flags["flag"])
    is_rating = told == {"beyond rating"}  # they support each other, so it is the rating that cannot be
    counted = "They count in no energy." if not told & {"beyond rating", "overlapping"} else ""
    summary = f"{wrong} of {readings} readings cannot be: {value}, {main['reason']}{also}. {counted}".rstrip()
    if is_rating:
        summary = (
            f"{wrong} of {readings} readings, one beside the other, lie beyond the register: {value}, {main['reason']}"
            f"{also}. They count: its rating is too small, or the profile's unit is wrong."
        )
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="soon" if wrong > MANY_SHARE * readings else "watch",
        value=float(wrong),
        unit="readings",
        threshold=0.0,
        summary=summary,
        measured=f"{wrong} of {readings} readings: {value}",
        expected=f"{main['channel']} within {main['limit']:g}",
        evidence=evidence,
        series=(picture,),
    )


def _worst(flags: pl.DataFrame) -> dict:
    """The span with the value furthest beyond its limit."""
    return flags.sort((pl.col("value") - pl.col("limit")).abs(), descending=True).row(0, named=True)


def _where(rows: pl.DataFrame, flags: pl.DataFrame) -> tuple[int, Series]:
    """How many rows hold a flagged value, and how many by the hour."""
    own = ["site_id", "device_id"]
    spans = flags.select(*own, "from_utc", "to_utc").unique().sort("from_utc")
    until = pl.col("to_utc").cum_max().over(own)
    at = rows.sort("ts_utc").join_asof(
        spans.with_columns(to_utc=until), left_on="ts_utc", right_on="from_utc", by=own, strategy="backward",
        check_sortedness=False,
    )  # fmt: skip
    inside = at.with_columns(wrong=(pl.col("ts_utc") < pl.col("to_utc")).fill_null(False))
    by_hour = inside.group_by(pl.col("ts_utc").dt.truncate("1h")).agg(pl.col("wrong").sum()).sort("ts_utc")
    count = int(inside["wrong"].sum())
    return count, series("implausible readings", "count", "measured", by_hour["ts_utc"], by_hour["wrong"])


def _unit(channel: str) -> str:
    return "w_m2" if channel.endswith("_w_m2") else channel.rpartition("_")[2]
