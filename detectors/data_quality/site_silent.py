"""Sites, or one device of several, from which no readings come any more.

A silent site may run well or stand still; nobody knows, and every other detector falls silent with it. How long is too
long goes by what the site usually does: some leave the nights out, some deliver every third day, and the files of some
come days late. Where most sites of a kind stop on one day, it is the delivery and not a thousand loggers.
"""

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from detectors.data_quality import missing_exports
from detectors.data_quality.deliveries import Past, fleet_first, known_deliveries, older_deliveries
from detectors.data_quality.lateness import lateness
from detectors.data_quality.missing_exports import SILENT_H, URGENT_H, picture, unmeasured
from detectors.data_quality.silence import CUT_H, NEVER_DAYLIGHT_H, is_cut, is_silent
from detectors.data_quality.unread_exports import told_as_unread
from detectors.finding import CAUSE, NEXT_STEP, VISIT_IF, EvidenceValue, Finding, Kind, NotJudged, Verdict, because
from detectors.frames import QUARANTINED_FILES, SILENT_UNITS

DETECTOR = "site-silent"
KIND = "site-silent"
RANK = 10
KINDS = {
    KIND: Kind(
        title="No readings arrive",
        title_naming="No readings arrive of {silent_name}",
        hides=("everything",),
        hides_why="nothing new is known of the site until its readings are back",
        hides_if="urgent",  # a site gone dark for long; one silent device of several leaves the others to be judged
        makes_unreliable=("readings",),
        close_after=1,  # one day with readings ends the silence
        where="site",
        bring=("a phone with its own connection", "data cable", "spare power supply for the logger"),
        proof="A new reading reaches the desk while you are there: call and ask for the time of the last one.",
        cause="The logger is offline: its network connection, its power supply or the inverter itself is off.",
        next_step="Service desk: look whether other sites of the same system deliver, then ask the owner about the "
        "router and the inverter's display; send the installer if it stays silent.",
        steps=(
            "Read the inverter's display or indicator: does it run, and does it show a fault?",
            "Check the logger's supply and its connection (cable, wireless reach, router changed, card expired).",
            "Restart the logger and wait for a first reading before leaving.",
            "Read the lifetime counters: their growth since the last reading shows whether the site ran meanwhile.",
            "For one inverter of several: check its data line, its address and the terminating resistor.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "A silent site may be live: PV conductors are live in daylight with AC off.",
        ),
    ),
    missing_exports.KIND: Kind(
        title="An export of several sites does not arrive",
        open_after=2,  # files that are a day late
        within=2,
        close_after=1,
        where="desk",
        cause="The delivery stopped, not the loggers: the portal's job, its password or certificate, the line, or a "
        "changed name of the files.",
        next_step="Service desk: look at the job that fetches or sends these files and at the inbox's quarantine, and "
        "have the missing days sent again.",
        visit_if="the delivery works again and a site of them stays silent",
    ),
}
REASONS = {
    "delivery-problem": "no site of its kind delivered on this day, or hardly any: a delivery problem",
    "nothing-arrived": "nothing of any site has arrived in the time looked back on",
    "never-reported": "never reported so far; its first readings are waited for a day and six hours of daylight",
    "daylight-only": "it delivers by daylight only, and there was hardly any",
    "comes-late": "its exports usually come up to {late_days:.0f} d late; it is told as silent after {limit_h:.0f} h",
    "rhythm-unknown": "too few of its exports have come yet to show how late they are; silent after {limit_h:.0f} h",
    "gap-is-usual": "no readings on this day, but gaps of up to {usual_gap_h:.0f} h are usual here",
}

LATE_SHARE = 1.5  # ours: half as long again as its usual gaps is no longer usual
URGENT_KWH = 100.0  # ours: what nobody sees being made; a large roof's bright day, a small one's fortnight
NEVER_CAUSE = "The register names a device that no export brings: its external_id is mistyped, or it is not set up yet."
NEVER_NEXT_STEP = (
    "Service desk: compare its external_id in devices.csv with what the exports call the site's devices; until it "
    "delivers, the site's days are parts and not judged. If it is right there, ask the installer for the device."
)
NEVER_VISIT_IF = "the register is right and the device does not deliver"
USUAL_DAYS = 30  # ours: the season's generation


def detect(
    deliveries: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    arrivals: pl.DataFrame | None = None,
    silent_units: pl.DataFrame | None = None,
    quarantined_files: pl.DataFrame | None = None,
    *,
    silent_h: float = SILENT_H,
    late_share: float = LATE_SHARE,
) -> list[Verdict]:
    """A finding per site that is silent, or has silent devices, at the end of `day`; in hours without readings.

    A site whose exports usually come days late (`arrivals`) is waited for as long as that. Sites that fell silent
    together are one finding of their export, at the first of them. `silent_units`: since when what delivered nothing
    on `day` is silent, as the deliveries' window may not hold its last reading, nor devices that never reported.
    `quarantined_files`: exports that came and could not be read; of a site with such ones since nobody is sent.
    """
    if sites.is_empty():
        return []
    sites = sites.sort("site_id")
    rows = known_deliveries(deliveries, days, sites, day)
    silent = SILENT_UNITS.to_frame() if silent_units is None else silent_units.filter(pl.col("day") == day)
    first_day = _first_day(rows, days, silent, day)
    past = _past_of_sites(rows, silent, sites, first_day, day)
    late = lateness(arrivals, sites)
    limit_h = np.maximum(np.maximum(silent_h, late_share * past.usual_gap_h), (1 + late.mornings) * silent_h)
    is_out = is_silent(past, limit_h)
    group = missing_exports.groups(sites)
    excused = missing_exports.excused(past, is_out, group)
    cut = is_cut(past, limit_h, group)
    usual_kwh = _usual_kwh(days, day)
    devices = _device_verdicts(rows, silent, sites, first_day, day, silent_h, late_share)
    verdicts: list[Verdict] = []
    for place, site_id in enumerate(sites["site_id"]):
        if not past.delivered[place, -1]:
            usual = usual_kwh.get(site_id)
            verdict = _whole(
                past, place, site_id, limit_h[place], bool(is_out[place, -1]), bool(excused[place]), usual,
                int(late.mornings[place]), bool(late.is_known[place]),
            )  # fmt: skip
            verdicts.append(verdict)
        elif cut[place]:
            verdicts.append(_finding(past, place, site_id, CUT_H, usual_kwh.get(site_id)))
        elif site_id in devices:
            verdicts.append(devices[site_id])
    unread = QUARANTINED_FILES.to_frame() if quarantined_files is None else quarantined_files
    told = [told_as_unread(one, unread, _named(one)) if isinstance(one, Finding) else one for one in verdicts]
    return [*told, *missing_exports.findings(past, sites, excused, group, unread)]


def _named(finding: Finding) -> list[str]:
    """The silent devices of a site of several, of which others deliver."""
    return [name for name in str(finding.evidence.get("device_name") or "").split(", ") if name]


def _usual_kwh(days: pl.DataFrame, day: date) -> dict[str, float]:
    """Site -> the median of what it generated on a day of the season."""
    recent = days.filter((pl.col("day") < day) & (pl.col("day") >= day - timedelta(days=USUAL_DAYS)))
    seen = recent.filter(pl.col("pv_kwh").is_not_null())
    return dict(seen.group_by("site_id").agg(pl.col("pv_kwh").median()).iter_rows())


def _first_day(rows: pl.DataFrame, days: pl.DataFrame, silent: pl.DataFrame, day: date) -> date:
    """The fleet's first day within the window, and one before the last where something was heard before it."""
    eve = day if silent["last_day"].is_null().all() else day - timedelta(days=1)
    return min(fleet_first(rows, days, day), eve)


def _past_of_sites(rows: pl.DataFrame, silent: pl.DataFrame, sites: pl.DataFrame, first_day: date, day: date) -> Past:
    """The sites' deliveries, those from before the window too."""
    key = ["site_id"]
    gone = silent.join(rows, on=key, how="anti")
    never = gone.group_by(key).agg(first=pl.col("silent_since").min())  # of a site none of whose devices ever reported
    whole = pl.concat([silent.filter(pl.col("device_id") == "").join(gone, on=key, how="anti"), gone])
    since = (
        whole.sort("last_day", "last_h", nulls_last=False)
        .group_by(key, maintain_order=True)
        .last()
        .join(never, on=key, how="left")
        .select(
            "site_id", silent_since=pl.when(pl.col("last_day").is_null()).then("first").otherwise("silent_since")
        )
    )  # fmt: skip
    named = sites.join(since, on=key, how="left", maintain_order="left")
    return Past.of_sites(pl.concat([rows, older_deliveries(silent, rows, key, first_day)]), named, first_day, day)


def _whole(
    past: Past,
    place: int,
    site_id: str,
    limit_h: float,
    is_out: bool,
    is_excused: bool,
    usual_kwh: float | None,
    late_days: int,
    is_rhythm_known: bool,
) -> Verdict:
    """The verdict on a site without readings on the day."""

    def unjudged(code: str, **values: Any) -> NotJudged:
        return NotJudged(site_id, past.day, DETECTOR, because(REASONS, code, **values))

    if is_excused:
        return unjudged("delivery-problem")
    if is_out:
        return _finding(past, place, site_id, limit_h, usual_kwh)
    if not past.delivered.any():
        return unjudged("nothing-arrived")
    if not past.has_reported[place, -1]:
        return unjudged("never-reported")
    if past.silent_h[place, -1] >= limit_h:
        return unjudged("daylight-only")
    if late_days and not is_rhythm_known:
        return unjudged("rhythm-unknown", limit_h=limit_h)
    if late_days:
        return unjudged("comes-late", late_days=late_days, limit_h=limit_h)
    return unjudged("gap-is-usual", usual_gap_h=limit_h / LATE_SHARE)


def _finding(past: Past, place: int, site_id: str, limit_h: float, usual_kwh: float | None) -> Finding:
    silent_h = float(past.silent_h[place, -1])
    since = past.silent_since(place)
    # What comes seldom or late is waited for, and is as long told as any other before it is urgent.
    urgent_h = max(URGENT_H, limit_h + URGENT_H - SILENT_H)
    if past.has_reported[place, -1]:
        summary = f"No readings for {silent_h:.0f} hours; the last one is of {past.last_text(place)} local time."
    else:
        summary = f"No readings since {since.isoformat()}, the first day on which there could have been any."
        limit_h = NEVER_DAYLIGHT_H
    usual_h = float(past.usual_gap_h[place])
    unseen_kwh = None if usual_kwh is None else usual_kwh * silent_h / 24
    if unseen_kwh:
        summary += f" Some {unseen_kwh:.0f} kWh were due meanwhile, and nobody knows whether they came."
    is_grave = silent_h >= urgent_h or (unseen_kwh or 0.0) >= URGENT_KWH
    return Finding(
        site_id=site_id,
        day=past.day,
        kind=KIND,
        severity="urgent" if is_grave else "soon",
        value=silent_h,
        unit="h",
        threshold=float(limit_h),
        summary=summary,
        measured=_measured(past, place),
        expected=f"readings every day, with no gap longer than {limit_h:.0f} h",
        since=since,
        losses=unmeasured(since, past.day),
        evidence={
            "silent_h": silent_h,
            "usual_gap_h": usual_h,
            "limit_h": float(limit_h),
            "usual_kwh": usual_kwh,
            "unseen_kwh": unseen_kwh,
        },
        series=picture(past, place),
    )


def _measured(past: Past, place: int, of_whom: str = "") -> str:
    """Since when there are no readings: the last one's end, or the first day on which there could have been any."""
    if past.has_reported[place, -1]:
        return f"no readings{of_whom} since {past.last_text(place)} local time"
    return f"no readings{of_whom} since {past.silent_since(place).isoformat()}"


def _device_verdicts(
    rows: pl.DataFrame,
    silent: pl.DataFrame,
    sites: pl.DataFrame,
    first_day: date,
    day: date,
    silent_h: float,
    late_share: float,
) -> dict[str, Finding]:
    """Site -> finding, for sites of which some devices are silent while others deliver."""
    key = ["site_id", "device_id"]
    gone = silent.filter(pl.col("device_id") != "").join(rows, on=key, how="anti")
    named = rows.filter(pl.col("device_id") != "")
    named = pl.concat([named, older_deliveries(gone, named, key, first_day)])
    units = pl.concat([named.select(key), gone.select(key)]).unique().filter(pl.len().over("site_id") > 1)
    if units.is_empty():
        return {}
    units = units.join(sites, on="site_id").join(silent.select(*key, "silent_since"), on=key, how="left").sort(key)
    past = Past.of_devices(named, units, first_day, day)
    limit_h = np.maximum(silent_h, late_share * past.usual_gap_h)
    is_out = is_silent(past, limit_h)[:, -1]
    found = {}
    for (site_id,), own in units.with_row_index("place").group_by("site_id", maintain_order=True):
        places = own["place"].to_numpy()
        out = places[is_out[places]]
        if len(out) and past.delivered[places, -1].any():
            longest = int(out[np.argmax(past.silent_h[out, -1])])
            names = [units["device_id"][int(place)] for place in out]
            found[str(site_id)] = _device_finding(past, longest, str(site_id), names, len(places), limit_h[longest])
    return found


def _device_finding(past: Past, place: int, site_id: str, names: list[str], count: int, limit_h: float) -> Finding:
    silent_h = float(past.silent_h[place, -1])
    whom = f"device {names[0]}" if len(names) == 1 else f"devices {', '.join(names)}"
    since = past.silent_since(place)
    goes_on = f"{count - len(names)} of its {count} devices go on."
    evidence: dict[str, EvidenceValue] = {}
    if past.has_reported[place, -1]:
        summary = f"No readings of {whom} for {silent_h:.0f} hours; {goes_on}"
    else:
        summary = f"No readings of {whom} so far, waited for since {since.isoformat()}; {goes_on}"
        limit_h = NEVER_DAYLIGHT_H
        evidence = {CAUSE: NEVER_CAUSE, NEXT_STEP: NEVER_NEXT_STEP, VISIT_IF: NEVER_VISIT_IF}
    return Finding(
        site_id=site_id,
        day=past.day,
        kind=KIND,
        severity="soon",  # the site is seen in part; its own sums wait for the device
        value=silent_h,
        unit="h",
        threshold=float(limit_h),
        summary=summary,
        measured=_measured(past, place, f" of {whom}"),
        expected=f"readings of each of its {count} devices every day",
        since=since,
        losses=unmeasured(since, past.day),
        evidence={
            "silent_name": whom,
            "device_name": ", ".join(names),
            "silent_count": len(names),
            "devices_count": count,
            "silent_h": silent_h,
            "usual_gap_h": float(past.usual_gap_h[place]),
            "limit_h": float(limit_h),
            **evidence,
        },
        series=picture(past, place),
    )
