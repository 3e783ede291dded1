"""Sites that fall silent together: it is the export that is missing, and not a thousand loggers."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.data_quality.deliveries import Past
from detectors.data_quality.unread_exports import with_unread
from detectors.finding import Finding, Series, series
from detectors.losses import SILENT, DayLoss

KIND = "delivery-missing"
SILENT_H = 24.0  # common practice: a logger is offline after 24 h
URGENT_H = 72.0  # ours: three days; until then the owner's router or a late file may be all
MIN_GROUP = 3  # ours: two sites that stop on one day may be chance
MAJORITY = 0.5  # more than half of a kind
PICTURE_DAYS = 30
LOSS_DAYS = 90  # ours: of a silence of years a night writes a season's days, not all of them again


def groups(sites: pl.DataFrame) -> np.ndarray:
    """The group that each site's delivery is compared with: profile and zone, else profile, else the whole fleet."""
    profile = pl.col("profile").fill_null("")
    levels = sites.select(by_profile=profile, by_zone=pl.concat_str(profile, pl.lit("\t"), "timezone"))
    named = levels.select(
        pl.when(pl.len().over("by_zone") >= MIN_GROUP)
        .then("by_zone")
        .when(pl.len().over("by_profile") >= MIN_GROUP)
        .then(pl.concat_str("by_profile", pl.lit("\t")))
        .otherwise(pl.lit(""))
        .rank("dense")
        .alias("group")
    )
    return named["group"].to_numpy().astype(np.int64) - 1


def excused(past: Past, is_out: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Sites whose silence began with that of most of their kind and has lasted as long as theirs.

    Day by day: of the sites that deliver daily and were not silent before, more than half missing is the delivery.
    """
    known = _alone_before(past, group)
    is_excused = np.zeros(len(group), bool)
    is_daily = past.usual_gap_h < SILENT_H
    count = int(group.max()) + 1
    here = past.delivered.copy()
    here[past.is_older, 0] = False  # what stands there is from before
    for at in range(here.shape[1]):
        missing = ~here[:, at]
        due = is_daily & past.has_reported[:, at] & ~known
        due_count = np.bincount(group, due, minlength=count)
        missing_count = np.bincount(group, due & missing, minlength=count)
        stopped = (due_count >= MIN_GROUP) & (missing_count > MAJORITY * due_count)
        is_excused = (is_excused | ~known) & missing & stopped[group]
        known = is_out[:, at] & ~is_excused & missing
    return is_excused


def _alone_before(past: Past, group: np.ndarray) -> np.ndarray:
    """Sites silent since before the window that did not fall silent together with most of their kind."""
    places = np.flatnonzero(past.is_older)
    stopped = np.stack([group[places], past.last_at[places]])
    _, of_day, together = np.unique(stopped, axis=1, return_inverse=True, return_counts=True)
    each = together[of_day.ravel()] if len(places) else together
    of_kind = np.bincount(group, past.has_reported[:, -1], minlength=int(group.max()) + 1)[group[places]]
    alone = np.zeros(len(group), bool)
    alone[places] = (each < MIN_GROUP) | (each <= MAJORITY * of_kind)
    return alone


def findings(
    past: Past, sites: pl.DataFrame, is_excused: np.ndarray, group: np.ndarray, unread: pl.DataFrame
) -> list[Finding]:
    """A finding per group of sites that fell silent together, at the first of them: it is their export that is missing.

    Where nothing of any site arrived there is nothing to tell the export from the desk's own line, which is said.
    `unread`: QUARANTINED_FILES; where such came of most of them since, it arrives and cannot be read.
    """
    has_any = bool(past.delivered[:, -1].any())
    found = []
    for one in np.unique(group[is_excused]):
        places = np.flatnonzero(is_excused & (group == one))
        finding = _export_finding(past, sites, places, int((group == one).sum()), has_any)
        own = sites.select("site_id")[places]
        mine = unread.filter(pl.col("came_on") >= (finding.since or finding.day)).join(own, on="site_id", how="semi")
        is_most = mine["site_id"].n_unique() > MAJORITY * len(places)
        found.append(with_unread(finding, mine) if is_most else finding)
    return found


def _export_finding(past: Past, sites: pl.DataFrame, places: np.ndarray, count: int, has_any: bool) -> Finding:
    is_watched = sites["watched"].fill_null(True).gather(places).to_numpy()
    first = int(places[is_watched][0] if is_watched.any() else places[0])
    silent_h, since = float(past.silent_h[places, -1].max()), min(past.silent_since(int(place)) for place in places)
    is_one = sites["profile"].gather(places).n_unique() == 1
    profile = sites["profile"][first] if is_one else None
    named = f"of profile {profile} " if profile else ""
    missing = "their export does not arrive." if has_any else "nothing of any site arrives, or the desk's line is down."
    return Finding(
        site_id=sites["site_id"][first],
        day=past.day,
        kind=KIND,
        severity="urgent" if silent_h >= URGENT_H else "soon",
        value=silent_h,
        unit="h",
        threshold=SILENT_H,
        summary=f"{len(places)} of {count} sites {named}fell silent at once, since {since.isoformat()}: {missing}",
        measured=f"no readings of {len(places)} sites for up to {silent_h:.0f} h",
        expected="an export that brings every site's day",
        since=since,
        losses=unmeasured(since, past.day),
        evidence={
            "silent_count": len(places),
            "sites_count": count,
            "silent_h": silent_h,
            "profile_name": profile,
            "sites_text": ", ".join(sites["site_id"].gather(places)),
        },
        series=picture(past, first),
    )


def unmeasured(since: date, day: date) -> tuple[DayLoss, ...]:
    """The last days of which nobody knows what was lost; earlier ones were told when they were judged."""
    first = max(since, day - timedelta(days=LOSS_DAYS))
    return tuple(DayLoss(first + timedelta(days=n), 0.0, 0.0, SILENT) for n in range((day - first).days + 1))


def picture(past: Past, place: int) -> tuple[Series, ...]:
    shown = min(PICTURE_DAYS, past.delivered.shape[1])
    days = [past.day - timedelta(days=shown - 1 - n) for n in range(shown)]
    return (series("covered by readings", "h", "measured", days, past.covered_h[place, -shown:]),)
