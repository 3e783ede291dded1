"""Sites whose clock is wrong: the sun's rise and set against first and last light.

Every other figure of such a site is wrong, so this is judged before the others. What decides is the midpoint of first
and last light, which does not depend on where the roof faces. Walls, trees, snow and hours that are shut off make light
come late or go early, never the other way: an offset is only raised where light was seen in the dark, or where first
and last light jumped or crept together. What else looks off is not judged, with what would settle it.
"""

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from detectors.clock.diagnosis import Diagnosis, diagnose
from detectors.clock.drift import range_of_offsets
from detectors.clock.explain import Claim
from detectors.clock.interval_label import by_profile
from detectors.clock.kinds import KINDS as KINDS
from detectors.clock.kinds import REASONS as REASONS
from detectors.clock.limits import RAISE_MIN, RAISE_PER_SLOW_MIN
from detectors.clock.offset import NEEDED_DAYS
from detectors.clock.onsets import Array, Index, Onsets, latest, onsets_of
from detectors.clock.picture import picture
from detectors.clock.place import wrong_sign_of_season
from detectors.clock.report import to_finding
from detectors.clock.segments import is_possible_day, segments
from detectors.finding import Finding, NotJudged, Reason, Verdict, because
from detectors.stats.robust import quantile

DETECTOR = "clock"
RANK = 20
OF_FLEET = ("site_id", "device_id", "ts_utc", "interval_s", "is_instant", "pv_w")  # sites of a profile are compared
WINDOW_DAYS = 260  # daylight saving lasts up to 238 days: its first day is still seen on its last
RECENT_DAYS = 14  # with light, within
RECENT_WITHIN_DAYS = 30
TOO_LONG = "longer-than-the-sun"
MOVED_MIN = 14.0  # ours: of a drift that is told (TOTAL_MIN) its middles of ten days move at least so far
LOOK_AGAIN_SHARE = 0.6  # of the limit: offsets from here on are looked at one by one


def detect(
    daylight: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
    device_readings: pl.DataFrame | None = None,
    profile_zones: pl.DataFrame | None = None,
    *,
    window_days: int = WINDOW_DAYS,
) -> list[Verdict]:
    """At most one verdict per watched site: a finding of the best explanation, or why the clock can't be judged.

    `daylight` are LIGHT rows up to `day` (later ones are left out), `device_readings` the day's own, for the picture,
    `profile_zones` PROFILE_ZONES: zones that stand in a profile, so that the register's export_timezone does not count.
    Sites of several devices are judged device by device, and the finding names the worst.
    """
    watched = sites.filter(pl.col("watched").fill_null(True)) if "watched" in sites.columns else sites
    onsets = onsets_of(daylight, watched, day, window_days)
    possible = _possible(onsets)
    middles = _middle(onsets, possible, RECENT_DAYS)
    reasons, suspects = _screen(onsets, possible, middles)
    histories = segments(onsets, suspects)
    by_site: dict[str, list[tuple[int, Diagnosis]]] = {}
    info = {row["site_id"]: row for row in watched.iter_rows(named=True)}
    register = tuple(
        sorted({row[name] for row in info.values() for name in ("timezone", "export_timezone") if row[name]})
    )
    own = {} if profile_zones is None else dict(profile_zones.iter_rows())
    claims = {site_id: Claim.of(site, register, own) for site_id, site in info.items()}
    for device, reason in reasons.items():
        wrong = wrong_sign_of_season(claims[onsets.sites[device]], day) if reason.code == TOO_LONG else None
        if wrong is not None:
            reasons[device] = because(REASONS, f"{TOO_LONG}-there", place_text=wrong.here, place_sign_name=wrong.name)
    for device, history in zip(suspects.tolist(), histories, strict=True):
        site = info[onsets.sites[device]]
        found = diagnose(onsets, device, history, claims[site["site_id"]])
        if isinstance(found, Reason):
            reasons[device] = found
        elif found is not None:
            by_site.setdefault(site["site_id"], []).append((device, found))
    verdicts = _verdicts(onsets, info, claims, by_site, reasons, day)
    verdicts = by_profile(verdicts, info, _by_site(onsets, middles), day, DETECTOR)
    if device_readings is None:
        return verdicts
    return [_illustrated(v, info[v.site_id], device_readings) if isinstance(v, Finding) else v for v in verdicts]


def _illustrated(finding: Finding, site: dict[str, Any], readings: pl.DataFrame) -> Finding:
    """The finding with the day's power as stamped, as it would be, and a clear sky's."""
    device = finding.evidence.get("device_name") or ""
    mine = readings.filter((pl.col("site_id") == finding.site_id) & (pl.col("device_id") == device))
    drawn = picture(mine, site, float(str(finding.evidence["offset_min"])))
    return finding.model_copy(update={"series": (*drawn, *finding.series)})


def _screen(onsets: Onsets, possible: np.ndarray, long: Array) -> tuple[dict[int, Reason], Index]:
    """Reasons of devices that can't be judged, and the devices that need a closer look.

    `possible`: days that the sun can have made; `long`: the middles of the last RECENT_DAYS of them.
    """
    first_end, last_start = onsets.first_end_late, onsets.last_start_early
    both = np.isfinite(onsets.first_late) & np.isfinite(onsets.last_early)
    days = possible[:, -RECENT_WITHIN_DAYS:].sum(axis=1)
    limit = LOOK_AGAIN_SHARE * (RAISE_MIN + RAISE_PER_SLOW_MIN * np.maximum(0.0, onsets.interval - 30.0))
    short = _middle(onsets, possible, NEEDED_DAYS)
    with np.errstate(invalid="ignore"):
        off = (np.abs(long) > limit) | (np.abs(short) > limit)
        earliest = np.where(possible, np.minimum(first_end, last_start), np.nan)[:, -NEEDED_DAYS:]
        dark = (earliest < 0).any(axis=1)
    reasons: dict[int, Reason] = {}
    for device in np.flatnonzero(~onsets.seen[:, -1]).tolist():
        reasons[device] = because(REASONS, "generation-missing")
    for device in np.flatnonzero(onsets.seen[:, -1] & (days < NEEDED_DAYS) & ~dark).tolist():
        if (both & ~possible)[device, -RECENT_WITHIN_DAYS:].sum() > days[device]:
            reasons[device] = because(REASONS, TOO_LONG)
        else:
            reasons[device] = because(
                REASONS, "few-days", days=days[device], within_days=RECENT_WITHIN_DAYS, needed_days=NEEDED_DAYS
            )
    moved = range_of_offsets(onsets) >= MOVED_MIN
    is_suspect = onsets.seen[:, -1] & (((off | moved) & (days >= NEEDED_DAYS)) | dark)
    for device in np.flatnonzero(is_suspect & ~onsets.lit[:, -1]).tolist():
        # What makes nothing all day is dead whatever its clock says: no finding here, which others would wait for.
        reasons[device] = because(REASONS, "nothing-generated")
    suspects = np.flatnonzero(is_suspect & onsets.lit[:, -1])
    return reasons, suspects.astype(np.int64)


def _by_site(onsets: Onsets, middles: Array) -> dict[str, float]:
    """Site with readings of the day -> the middle of its first device, minutes late."""
    devices = np.flatnonzero(onsets.seen[:, -1]).tolist() if onsets.sites else []
    return {onsets.sites[device]: float(middles[device]) for device in reversed(devices)}


def _possible(onsets: Onsets) -> np.ndarray:
    both = np.isfinite(onsets.first_late) & np.isfinite(onsets.last_early)
    return both & is_possible_day(onsets.first_end_late, onsets.last_start_early)


def _middle(onsets: Onsets, known: np.ndarray, count: int) -> Array:
    first = quantile(latest(onsets.first_late, known, count, RECENT_WITHIN_DAYS), 0.2)
    last = quantile(latest(onsets.last_early, known, count, RECENT_WITHIN_DAYS), 0.2)
    return (first - last) / 2


def _verdicts(
    onsets: Onsets,
    info: dict[str, dict[str, Any]],
    claims: dict[str, Claim],
    by_site: dict[str, list[tuple[int, Diagnosis]]],
    reasons: dict[int, Reason],
    day: date,
) -> list[Verdict]:
    devices: dict[str, list[int]] = {}
    for device, site_id in enumerate(onsets.sites):
        devices.setdefault(site_id, []).append(device)
    verdicts: list[Verdict] = []
    for site_id in sorted(info):
        if site_id not in devices:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "never-generated")))
        elif site_id in by_site:
            device, diagnosis = max(by_site[site_id], key=lambda found: (abs(found[1].now.minutes), -found[0]))
            others = len(by_site[site_id]) - 1
            verdicts.append(to_finding(onsets, device, diagnosis, info[site_id], claims[site_id], day, others))
        elif unjudged := [device for device in devices[site_id] if device in reasons]:
            device = unjudged[0]
            name, reason = onsets.devices[device], reasons[device]
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason.at_device(name) if name else reason))
    return verdicts
