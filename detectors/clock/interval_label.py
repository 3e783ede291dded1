"""An offset of one interval at every site of a profile: its `marks` say start for end, which is told once."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from detectors.clock.kinds import REASONS
from detectors.finding import CAUSE, NEXT_STEP, Finding, NotJudged, Verdict, because

SAME_MIN = 6.0  # ours: or the uncertainty, if that is larger
ALIKE_SHARE = 0.25  # ours, of the interval: what is not proven is not told to minutes either
SITES_NEEDED = 2


def by_profile(
    verdicts: Sequence[Verdict],
    info: Mapping[str, dict[str, Any]],
    middles: Mapping[str, float],
    day: date,
    detector: str,
) -> list[Verdict]:
    """The verdicts, where those of a profile whose sites are all off by one interval become one finding.

    `info`: SITES rows by site; `middles`: of the sites with generation on the day, minutes by which the middle of first
    and last light of the last days lies late, NaN where unknown. One of them has to be told; of the others, which shade
    may hide, it is enough that they look so. The first of them that is told keeps the finding; the others are not
    judged, as nothing is wrong with their clocks. A single site that is right, or off by another amount, says that it
    is not the profile.
    """
    found = {v.site_id: v for v in verdicts}
    members: dict[str, list[str]] = {}
    for site_id in sorted(middles):
        if (name := info[site_id].get("profile")) is not None:
            members.setdefault(name, []).append(site_id)
    changed: dict[str, Verdict] = {}
    for name, sites in members.items():
        told = [v for site_id in sites if isinstance(v := found.get(site_id), Finding)]
        sides = {_intervals(finding) for finding in told}
        if sides not in ({1}, {-1}):
            continue
        first, side = told[0], sides.pop()
        rest = [site_id for site_id in sites if not isinstance(found.get(site_id), Finding)]
        alike = [site_id for site_id in rest if _looks_so(middles[site_id], first, side)]
        is_one_right = any(site_id not in alike and site_id not in found for site_id in rest)
        if is_one_right or len(told) + len(alike) < SITES_NEEDED:
            continue
        changed[first.site_id] = _of_profile(first, name, len(told) + len(alike), side)
        for site_id in (*(finding.site_id for finding in told[1:]), *alike):
            reason = because(REASONS, "marks-of-profile", profile_name=name, told_at=first.site_id)
            changed[site_id] = NotJudged(site_id, day, detector, reason)
    unsaid = [v for site_id, v in changed.items() if site_id not in found]
    return [*(changed.get(v.site_id, v) for v in verdicts), *unsaid]


def _intervals(finding: Finding) -> int:
    """1 or -1 where the stamps have been one interval late or early from the first day on, else 0."""
    if finding.kind != "time-zone-wrong" or "interval_mark_text" not in finding.evidence:
        return 0
    offset, interval = (float(str(finding.evidence[name])) for name in ("offset_min", "interval_min"))
    fits = max(SAME_MIN, float(str(finding.evidence["uncertainty_min"])))
    return 0 if abs(abs(offset) - interval) > fits else 1 if offset > 0 else -1


def _looks_so(middle: float, finding: Finding, side: int) -> bool:
    """Whether a site whose offset nothing proves seems to be one interval off, on the same side as the finding."""
    interval = float(str(finding.evidence["interval_min"]))
    return abs(side * middle - interval) <= max(SAME_MIN, ALIKE_SHARE * interval)


def _of_profile(finding: Finding, name: str, sites: int, late: int) -> Finding:
    interval = float(str(finding.evidence["interval_min"]))
    side = "late" if late > 0 else "early"
    fact = {
        "profile_name": name,
        "profile_sites_count": sites,
        "setting_text": f"`marks` in profiles/{name}.toml",
        "setting_now_text": "interval start" if late > 0 else "interval end",
        "should_be_text": "interval end" if late > 0 else "interval start",
        "correction_min": None,  # set in the profile, for all its sites at once
        CAUSE: "The profile says that stamps mark the start of an interval where they mark its end, or the reverse.",
        NEXT_STEP: f"Service desk: set `marks` in profiles/{name}.toml, look at a file with `noonmark check EXPORT`, "
        "and take the archive in anew: `noonmark ingest --rebuild`.",
    }
    summary = (
        f"The stamps of all {sites} sites of profile {name} are one interval ({interval:.0f} min) {side}: "
        "its `marks` would explain it."
    )
    return finding.model_copy(update={"summary": summary, "evidence": finding.evidence | fact})
