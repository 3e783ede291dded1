"""From a diagnosis to a finding: the sentence, the evidence, the zones that would explain it."""

import math
from datetime import date, timedelta
from typing import Any

import numpy as np

from detectors.clock.diagnosis import Diagnosis
from detectors.clock.explain import CLOCK_MIN, Claim, explaining, turned
from detectors.clock.limits import raise_limit
from detectors.clock.offset import NEEDED_DAYS
from detectors.clock.onsets import Onsets
from detectors.clock.place import evidence_of, wrong_sign_of_noon
from detectors.clock.saving import now_on
from detectors.clock.zones import changes, daily_offsets, is_fixed
from detectors.finding import CAUSE, OVER, EvidenceValue, Finding, Series, Severity, level, series

ZONE_WRONG = "time-zone-wrong"
KIND_OF = {
    "constant": ZONE_WRONG,
    "daylight saving": "daylight-saving-wrong",
    "drift": "clock-drift",
    "step": "clock-step",
}
ZONES_SHOWN = 4
NO_ZONE = "no zone fits: suspect the clock"
NO_ZONES_CAUSE = "No zone differs by as much: the logger's clock was set by hand, or has lost its time."
DAYS_AHEAD = 370  # both changes of clocks of a year
SERIES_POINTS = 120
OF_DAY = "min after midnight"
FINE_INTERVALS = 0.75  # an offset clearly below one interval is for watching
# An offset below this that is only probable is for watching: midway between the smallest that is told and zones of half
# an hour, which would go and come from night to night.
SURE_MIN = 25.0


def to_finding(
    onsets: Onsets, device: int, diagnosis: Diagnosis, site: dict[str, Any], claim: Claim, day: date, others: int
) -> Finding:
    """The finding of one site; `others` = further devices of the site whose clocks are wrong."""
    kind = KIND_OF[diagnosis.cause]
    if kind == "daylight-saving-wrong" and _wrong_in_both_seasons(diagnosis, onsets, device):
        kind = ZONE_WRONG if _explaining(onsets, device, diagnosis, claim) else kind
    zones = _zones(onsets, device, diagnosis, claim)
    wrong = (
        wrong_sign_of_noon(claim, diagnosis.now.minutes, diagnosis.now.uncertainty, day) if kind == ZONE_WRONG else None
    )
    if wrong is not None:
        zones = evidence_of(wrong, claim)
    difference = zones.get("zone_difference_min")
    by_zone = _clock_minutes(difference) if kind == ZONE_WRONG and isinstance(difference, float) else None
    value, unit, threshold = _value(diagnosis, kind, onsets, device, by_zone)
    offset = _beside(diagnosis.drift.offset if diagnosis.drift else diagnosis.now.minutes, by_zone)
    since = onsets.days[diagnosis.start]
    interval = float(onsets.interval[device])
    certainty = "certain" if diagnosis.now.certain or diagnosis.is_over else "probable"
    severity: Severity = "soon"
    if diagnosis.now.is_beside:
        certainty = "by the roofs around"
    if (
        abs(offset) < FINE_INTERVALS * interval
        or diagnosis.now.is_beside
        or (certainty == "probable" and abs(offset) < SURE_MIN)
    ):
        severity = "watch"
    name = f" of device {onsets.devices[device]}" if onsets.devices[device] else ""
    evidence: dict[str, EvidenceValue] = {
        "offset_min": round(offset, 1),
        "uncertainty_min": round(diagnosis.now.uncertainty, 1),
        "days_used_count": diagnosis.drift.days if diagnosis.drift else diagnosis.now.days,
        "first_day": since.isoformat(),
        "certainty_text": certainty,
        "interval_min": interval,
        "claimed_zone_name": claim.stamped_zone,
        **_optional(diagnosis, onsets, device, others),
        **(_until(diagnosis, onsets, claim) if diagnosis.change is not None else {}),
        **zones,
    }
    if wrong is None and (correction := _correction(kind, diagnosis, evidence)) is not None:
        evidence["correction_min"] = correction
        evidence["correction_uncertainty_min"] = _correction_error(diagnosis, correction, evidence)
    if kind == ZONE_WRONG and wrong is None:
        evidence["setting_text"], evidence["setting_now_text"] = claim.setting_text, claim.stamped_zone
        evidence["should_be_text"] = evidence["zone_name"]
        if evidence["zone_name"] is None:
            evidence[CAUSE] = NO_ZONES_CAUSE
    if diagnosis.drift is not None and not diagnosis.drift.resets:  # what was set right takes a correction each time
        evidence["correction_s_per_day"] = round(-diagnosis.drift.slope * 60, 1)
    one_interval = abs(abs(offset) - interval) <= max(6.0, diagnosis.now.uncertainty)
    if diagnosis.cause == "constant" and one_interval and wrong is None:
        evidence["interval_mark_text"] = (
            f"the profile's `marks` (start or end) would explain one interval of {interval:.0f} min"
        )
    if kind == ZONE_WRONG and wrong is None and (text := _saving_instead(onsets, diagnosis, claim)):
        evidence["saving_instead_text"] = text
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=kind,
        severity=severity,
        value=round(value, 1),
        unit=unit,
        threshold=round(threshold, 1),
        summary=f"{_sentence(kind, diagnosis, offset, name, since, evidence)}.",
        measured=f"stamps {_minutes(offset)}, +/- {diagnosis.now.uncertainty:.0f} min, from {diagnosis.now.days} days",
        expected="first and last light level around sunrise and sunset",
        since=since,
        evidence=evidence,
        series=_series(onsets, device, math.copysign(threshold, offset)),
    )


def _wrong_in_both_seasons(diagnosis: Diagnosis, onsets: Onsets, device: int) -> bool:
    limit = raise_limit(float(onsets.interval[device]))
    return diagnosis.before is not None and abs(diagnosis.before) >= limit and abs(diagnosis.now.minutes) >= limit


def _clock_minutes(difference: float) -> float:
    """A zone's difference as the sun shows it, half a day at most."""
    return difference if abs(difference) <= CLOCK_MIN else float(turned(difference))


def _beside(offset: float, by_zone: float | None) -> float:
    """An offset of about half a day on the side of the zone that explains it."""
    if by_zone is None or abs(offset - by_zone) <= CLOCK_MIN:
        return offset
    return offset - math.copysign(2 * CLOCK_MIN, offset)


def _value(
    diagnosis: Diagnosis, kind: str, onsets: Onsets, device: int, by_zone: float | None
) -> tuple[float, str, float]:
    """What is wrong, its unit and the threshold; `by_zone`: minutes by the zone that explains a constant, if one does.

    That is nearer to the truth than what was measured, which shade moves by up to half an hour.
    """
    if kind == "clock-drift" and diagnosis.drift is not None:
        return diagnosis.drift.slope * 60, "s/day", 8.0
    limit = raise_limit(float(onsets.interval[device]))
    if kind == "clock-step" and diagnosis.step is not None:
        return diagnosis.step, "min", limit
    if diagnosis.is_over and diagnosis.before is not None:
        return diagnosis.before, "min", limit
    return diagnosis.now.minutes if by_zone is None else by_zone, "min", limit


def _optional(diagnosis: Diagnosis, onsets: Onsets, device: int, others: int) -> dict[str, EvidenceValue]:
    facts: dict[str, EvidenceValue] = {}
    if onsets.devices[device]:
        facts["device_name"] = onsets.devices[device]
        facts["other_devices_count"] = others
    if diagnosis.before is not None:
        facts["offset_before_min"] = round(diagnosis.before, 1)
    if diagnosis.step is not None:
        facts["step_min"] = round(diagnosis.step, 1)
    if diagnosis.drift is not None:
        facts["drift_s_per_day"] = round(diagnosis.drift.slope * 60, 1)
        facts["drift_uncertainty_s_per_day"] = round(diagnosis.drift.slope_error * 60, 1)
        facts["set_right_count"] = len(diagnosis.drift.resets)
    if diagnosis.change is not None:
        facts["clock_change_day"] = diagnosis.change.isoformat()
        facts["daylight_saving_text"] = diagnosis.saving
    return facts


def _until(diagnosis: Diagnosis, onsets: Onsets, claim: Claim) -> dict[str, EvidenceValue]:
    """Whether the change of clocks ended what was wrong, and when the next one brings it back."""
    if diagnosis.change is None or not diagnosis.is_over:
        return {"until_text": ""}
    facts: dict[str, EvidenceValue] = {
        OVER: diagnosis.change.isoformat(), "until_text": f" --to {diagnosis.change - timedelta(days=1)}"
    }  # fmt: skip
    for zone in (claim.stamped_zone, claim.timezone):
        if ahead := changes(zone, onsets.days[-1], DAYS_AHEAD):
            return facts | {"wrong_again_day": (onsets.days[-1] + timedelta(days=ahead[0][0])).isoformat()}
    return facts


def _correction(kind: str, diagnosis: Diagnosis, evidence: dict[str, EvidenceValue]) -> float | None:
    """Minutes to add to the stamps: by the zone or the change of clocks that explains the offset, else as measured.

    None for a drift, which no constant corrects.
    """
    if kind == "clock-drift":
        return None
    if kind == "daylight-saving-wrong" and diagnosis.step is not None:  # a change of clocks moves 30 or 60 min
        wrong = (diagnosis.before or 0.0) + (0.0 if diagnosis.is_over else diagnosis.step)
        return -30.0 * round(wrong / 30)
    zone = evidence.get("zone_difference_min")
    if kind == ZONE_WRONG and isinstance(zone, float):
        return -zone
    return -float(round(diagnosis.now.minutes))


def _correction_error(diagnosis: Diagnosis, correction: float, evidence: dict[str, EvidenceValue]) -> float:
    """Minutes (95 %): that of the offset; where a zone explains it, how far the zone's figure and the measured one lie
    apart, as most zones differ by 30 minutes at least, and shade moves the measured one.
    """
    zone = evidence.get("zone_difference_min")
    if isinstance(zone, float) and correction == -zone and diagnosis.now.days >= NEEDED_DAYS:
        return round(abs(turned(diagnosis.now.minutes + correction)), 1)
    return round(diagnosis.now.uncertainty, 1)


def _minutes(offset: float) -> str:
    return f"{abs(offset):.0f} min {'late' if offset > 0 else 'early'}"


def _sentence(
    kind: str, diagnosis: Diagnosis, offset: float, name: str, since: date, evidence: dict[str, EvidenceValue]
) -> str:
    zone = evidence.get("zone_name")
    if kind == "clock-drift" and diagnosis.drift is not None:
        speed = diagnosis.drift.slope * 60
        word = "gains" if speed > 0 else "loses"
        resets = len(diagnosis.drift.resets)
        often = f", set right {resets} time{'s' if resets > 1 else ''} since {since}" if resets else ""
        return f"The clock{name} {word} {abs(speed):.0f} s a day and is {_minutes(offset)} now{often}"
    if kind == "daylight-saving-wrong" and diagnosis.change is not None:
        if diagnosis.is_over:
            was = f"The stamps{name} were {_minutes(diagnosis.before or 0.0)} until the clocks changed on"
            again = f"; right now, they will be so again from {evidence.get('wrong_again_day')} on"
            return f"{was} {diagnosis.change}: daylight saving {diagnosis.saving}{again}"
        since_change = f"since the clocks changed on {diagnosis.change}"
        return f"The stamps{name} are {_minutes(offset)} {since_change}: daylight saving {diagnosis.saving}"
    if kind == "clock-step" and diagnosis.step is not None:
        jumped = f"The clock{name} jumped by {diagnosis.step:+.0f} min on {since}; its stamps are {_minutes(offset)}"
        return jumped + (f", as they would be with {zone} entered anew that day" if zone else "")
    if isinstance(wrong := evidence.get("place_sign_name"), str):
        there = f"which lies {evidence['place_text']}: with {evidence['should_be_text']} they would be right"
        return f"The stamps{name} are {_minutes(offset)} by the registered place, {there} (sign of {wrong})"
    difference = evidence.get("zone_difference_min")
    explained = f"{zone} ({_minutes(difference)}) would explain it" if isinstance(difference, float) else NO_ZONE
    if isinstance(marks := evidence.get("interval_mark_text"), str):
        explained = f"{explained}, and {marks}" if isinstance(difference, float) else marks
    return f"The stamps{name} are {_minutes(offset)}; {explained}"


def _zones(onsets: Onsets, device: int, diagnosis: Diagnosis, claim: Claim) -> dict[str, EvidenceValue]:
    """The zones that would explain the offset, each with what it gives before and after the next change of clocks."""
    if diagnosis.cause == "drift":
        return {}
    zones = _explaining(onsets, device, diagnosis, claim)
    today = onsets.days[-1]
    ahead = [today + timedelta(days=i) for i in range(DAYS_AHEAD)]
    claimed = daily_offsets(claim.stamped_zone, today, DAYS_AHEAD)
    texts: list[str] = []
    first: float | None = None
    for zone in zones[:ZONES_SHOWN]:
        difference = (
            daily_offsets(zone, today, DAYS_AHEAD) if not is_fixed(zone) else np.full(len(ahead), _fixed_minutes(zone))
        ) - claimed
        first = float(difference[0]) if first is None else first
        jumps = np.flatnonzero(np.diff(difference))
        text = f"{zone}: {difference[0]:+.0f} min"
        if len(jumps):
            text += f" until {ahead[int(jumps[0])]}, then {difference[int(jumps[0]) + 1]:+.0f} min"
        texts.append(text)
    return {
        "zone_name": zones[0] if zones else None,
        "zone_difference_min": first,
        "zones_text": "; ".join(texts) or NO_ZONE,
        "zones_found_count": len(zones),
    }


def _saving_instead(onsets: Onsets, diagnosis: Diagnosis, claim: Claim) -> str:
    """That daylight saving would explain the offset too, where no change of clocks has told yet; else nothing."""
    for zone in dict.fromkeys((claim.stamped_zone, claim.timezone)):
        seen = len(onsets.days) - diagnosis.start
        if changes(zone, onsets.days[diagnosis.start], seen):
            return ""
        ahead = changes(zone, onsets.days[-1], DAYS_AHEAD)
        if ahead and (how := now_on(diagnosis.now.minutes, ahead[0][1])):
            day = onsets.days[-1] + timedelta(days=ahead[0][0])
            return f"daylight saving {how} would explain it too: the change of clocks on {day} will tell"
    return ""


def _fixed_minutes(name: str) -> float:
    hours, minutes = name[4:].split(":")
    return (int(hours) * 60 + int(minutes)) * (-1 if name[3] == "-" else 1)


def _explaining(onsets: Onsets, device: int, diagnosis: Diagnosis, claim: Claim) -> list[str]:
    """Zones that explain every day of the offset; of daylight saving, the days before the change too."""
    start = diagnosis.since if diagnosis.cause == "daylight saving" else diagnosis.start
    uncertainty = 0.0 if diagnosis.cause == "step" else diagnosis.now.uncertainty  # a step has to be a zone's
    return explaining(
        onsets, device, start, diagnosis.now.minutes, uncertainty, claim,
        today=diagnosis.today, is_right_now=diagnosis.is_over,
    )  # fmt: skip


def _series(onsets: Onsets, device: int, limit_min: float) -> tuple[Series, ...]:
    """Daily offset, and first and last light as stamped beside the sun's, for the picture; local minutes of the day."""
    columns = np.flatnonzero(onsets.seen[device])
    columns = columns[:: max(1, -(-len(columns) // SERIES_POINTS))]
    noon = onsets.noon[device, columns] + np.nan_to_num(onsets.zone_offset[device, columns])
    rise, fall = noon - onsets.half_day[device, columns], noon + onsets.half_day[device, columns]
    first, last = onsets.first_late[device, columns], onsets.last_early[device, columns]
    days = [onsets.days[i] for i in columns]
    offset = series("offset", "min", "measured", days, (first - last) / 2)
    light = (("first light", rise + first), ("last light", fall - last))
    sun = (("sunrise", rise), ("sunset", fall))
    return (
        offset,
        *level("threshold", "min", "limit", round(limit_min, 1), offset),
        *(series(name, OF_DAY, "measured", days, minutes) for name, minutes in light),
        *(series(name, OF_DAY, "expected", days, minutes) for name, minutes in sun),
    )
