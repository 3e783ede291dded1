"""Which zones, entered for a site, would explain its stamps in every span between changes of clocks, not only today."""

from collections.abc import Mapping
from datetime import date
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from detectors.clock.kinds import ZONE_SETTING
from detectors.clock.onsets import Array, Onsets
from detectors.clock.zones import daily_offsets, fixed_name, is_fixed, is_used_somewhere, own_country, plausible_zones

ZONE_FITS_MIN = 10.0  # a zone explains an offset within this, or within the uncertainty if that is larger
ZONE_FITS_MAX_MIN = 20.0
NEXT_MIN = 5.0  # ours: half of what the middle errs by in 14 days
USUAL_FITS_MAX_MIN = 45.0  # ours: as far as shade may err; for UTC and for clocks that are never changed
WHOLE_MIN = 60.0  # zones with half hours are few, and seldom entered by mistake
SPAN_DAYS = 3  # ours: with light; a shorter span between changes of clocks tells nothing of a zone
LEVEL_MAX_MIN = 30.0  # ours: by shade, where today's own days are too few; half of what zones differ by
CHANGE_NEAR_DAYS = 2  # ours: a step lies this near the change of clocks that made it, sunless days aside
YEAR_DAYS = 366
CLOCK_MIN = 720.0  # half a day: offsets beyond it are those of the other side


class Claim(NamedTuple):
    """What the register and the profile say of a site, and the zones that the fleet's other sites have."""

    timezone: str
    stamped_zone: str  # in which its stamps are read: its profile's own, else the register's export_timezone
    latitude: float
    longitude: float
    register: tuple[str, ...]
    profile: str = ""  # whose own zone it is; empty = the register's

    @classmethod
    def of(cls, site: dict[str, Any], register: tuple[str, ...], profile_zones: Mapping[str, str]) -> "Claim":
        """`profile_zones`: of the profiles that name one."""
        own = profile_zones.get(site["profile"] or "")
        return cls(
            site["timezone"], own or site["export_timezone"], site["latitude"], site["longitude"], register,
            site["profile"] if own else "",
        )  # fmt: skip

    @property
    def setting_text(self) -> str:
        """Where the zone is set."""
        return f"`zone` in profiles/{self.profile}.toml, for all its sites" if self.profile else ZONE_SETTING


def daily_middles(onsets: Onsets, device: int) -> Array:
    """Every day's offset by its own first and last light; NaN where not seen; minutes."""
    return np.asarray((onsets.first_late[device] - onsets.last_early[device]) / 2, dtype=np.float64)


def explaining(
    onsets: Onsets,
    device: int,
    start: int,
    minutes: float,
    uncertainty: float,
    claim: Claim,
    *,
    today: int,
    is_right_now: bool = False,
) -> list[str]:
    """Zones whose difference from the claimed one is the offset on all days from column `start` on, best first.

    `today`: column of the first day with the offset of today.
    `is_right_now`: the zone asked for is one whose clocks show today what the claimed one's do.

    `minutes`: the offset today, to which the days' own middles are levelled, as shade moves them all alike.
    The zones of the register and of the neighbourhood come first; fixed offsets, and zones far away, only where some
    place keeps them. Where shade leaves the offset uncertain, UTC and the claimed zone without its changes of clocks
    are likelier than a zone of half hours, or than none.
    """
    count = len(onsets.days)
    mine = daily_offsets(claim.stamped_zone, onsets.days[0], count)
    if np.isnan(mine).any():
        return []
    days = daily_middles(onsets, device)[start:]
    lit = np.flatnonzero(np.isfinite(days))
    if not len(lit):
        return []
    recent = int((lit >= today - start).sum())
    fits = float(np.clip(uncertainty, ZONE_FITS_MIN, ZONE_FITS_MAX_MIN))
    days = days[lit]
    judged: dict[tuple[bytes, float], bool] = {}

    def explains(offsets: Array, fits: float = fits) -> bool:
        gap = (offsets - mine)[start:]
        if bool(gap[-1]) is is_right_now or not gap.any() or abs(turned(gap[-1] - minutes)) > fits:
            return False
        key = (gap.tobytes(), fits)
        if key not in judged:
            judged[key] = _fits_all(days, gap[lit], recent, float(gap[-1]), minutes, fits)
        return judged[key]

    found: list[str] = []
    for zones in plausible_zones(claim.register, claim.timezone, claim.latitude, claim.longitude):
        found = [zone for zone in zones if explains(daily_offsets(zone, onsets.days[0], count))]
        if found:
            break
    found = _nearest_first(found, onsets.days[-1], float(mine[-1]), minutes, claim)
    quarter = 15.0 * round((mine[-1] + minutes) / 15.0)
    if quarter and is_used_somewhere(quarter, onsets.days[-1]) and explains(np.full(count, quarter)):
        known = sum(zone in claim.register or zone == "UTC" for zone in found)
        found.insert(max(known, min(len(found), 1)), fixed_name(quarter))
    if found and (found[0] in claim.register or _is_whole(found[0], onsets, mine)):
        return found
    wide = float(np.clip(uncertainty, fits, USUAL_FITS_MAX_MIN))
    usual = {zone: offsets for zone, offsets in _usual(onsets, claim).items() if explains(offsets, wide)}
    usual |= _near_in_country(found, onsets, minutes, mine, claim)
    nearest = sorted(usual, key=lambda zone: abs(turned(usual[zone][-1] - mine[-1] - minutes)))
    return list(dict.fromkeys([*nearest, *found]))


def _nearest_first(found: list[str], today: date, mine: float, minutes: float, claim: Claim) -> list[str]:
    """Zones in their order, but those first that lie next to what was measured, a register's somewhat further away.

    Of zones that a day sets apart the sun can't choose: the one less than half a day off is likelier.
    """
    gaps = {zone: float(daily_offsets(zone, today, 1)[0]) - mine for zone in found}
    misses = {zone: abs(turned(gap - minutes)) for zone, gap in gaps.items()}
    least = min(misses.values(), default=0.0)

    def is_further(zone: str) -> tuple[bool, bool]:
        slack = ZONE_FITS_MIN if zone in claim.register else NEXT_MIN
        return misses[zone] > least + slack, abs(gaps[zone]) > CLOCK_MIN

    return sorted(found, key=is_further)


def _is_whole(zone: str, onsets: Onsets, mine: Array) -> bool:
    """Whether the zone is whole hours off the claimed one today; a fixed offset of no other zone is no zone's."""
    if is_fixed(zone):
        return False
    return bool((daily_offsets(zone, onsets.days[0], len(mine))[-1] - mine[-1]) % WHOLE_MIN == 0)


def _usual(onsets: Onsets, claim: Claim) -> dict[str, Array]:
    """UTC, and the claimed zone as it would be without its changes of clocks, each with its offsets on all days."""
    count = len(onsets.days)
    year = daily_offsets(claim.stamped_zone, onsets.days[0], YEAR_DAYS)
    fixed = {fixed_name(minutes): np.full(count, minutes) for minutes in np.unique(year).tolist()}
    return {"UTC": daily_offsets("UTC", onsets.days[0], count), **(fixed if len(fixed) > 1 else {})}


def _near_in_country(found: list[str], onsets: Onsets, minutes: float, mine: Array, claim: Claim) -> dict[str, Array]:
    """Of zones that explain the offset those of the site's own country that lie next to what was measured."""
    count = len(onsets.days)
    own = {zone: daily_offsets(zone, onsets.days[0], count) for zone in found if zone in own_country(claim.timezone)}
    return {zone: at for zone, at in own.items() if abs(turned(at[-1] - mine[-1] - minutes)) <= NEXT_MIN}


def turned(minutes: Array | float) -> Any:
    """Minutes between half a day early and half a day late: what a day sets apart looks alike to the sun."""
    return (minutes + CLOCK_MIN) % (2 * CLOCK_MIN) - CLOCK_MIN


def _fits_all(days: Array, gap: Array, recent: int, gap_now: float, minutes: float, fits: float) -> bool:
    """Whether the middles follow the difference of the zones in each span in which that is constant.

    `recent`: how many days have today's offset. Shade moves all days alike: by their level, or, where they are too few
    to tell it, by that of the last span, within reason.
    """
    edges = [0, *(np.flatnonzero(np.diff(gap)) + 1).tolist(), len(gap)]
    spans = [slice(a, b) for a, b in pairwise(edges) if b - a >= SPAN_DAYS]
    if not spans:
        return True
    middles = [float(np.median(days[span])) for span in spans]
    if recent >= SPAN_DAYS:
        level = float(np.median(days[-recent:] - gap[-recent:])) - minutes + gap_now
    else:
        level = middles[-1] - (minutes + float(gap[spans[-1]][0]) - gap_now)
        if abs(turned(level)) > LEVEL_MAX_MIN:
            return False
    return all(
        abs(turned(middle - level - float(gap[span][0]))) <= fits for middle, span in zip(middles, spans, strict=True)
    )


def entered_zone(
    onsets: Onsets, device: int, at: int, since: int, minutes: float, uncertainty: float, claim: Claim
) -> str | None:
    """A zone that was right until it changed its clocks, or the claimed one did, near column `at`; None if none is.

    It must explain all days from column `since` on: right before, `minutes` off now.
    """
    mine = daily_offsets(claim.stamped_zone, onsets.days[0], len(onsets.days))
    for zone in explaining(onsets, device, since, minutes, uncertainty, claim, today=at):
        if is_fixed(zone):
            continue
        gap = daily_offsets(zone, onsets.days[0], len(onsets.days)) - mine
        moved = np.flatnonzero(np.diff(gap)) + 1
        if gap[since] == 0 and any(abs(int(column) - at) <= CHANGE_NEAR_DAYS for column in moved):
            return zone
    return None
