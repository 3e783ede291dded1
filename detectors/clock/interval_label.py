"""An offset of one interval at every site of a profile: its `marks` say start for end, which is told once."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from detectors.clock.kinds import REASONS
from detectors.finding import Finding, NotJudged, Verdict, because

SAME_MIN = 6.0  # ours: or the uncertainty, if that is larger
ALIKE_SHARE = 0.25  # ours, of the interval: what is not proven is not told to minutes either
SITES_NEEDED = 2


def by_profile(
    verdicts: Sequence[Verdict], info: Mapping[str, dict[str, Any]], lit: set[str], day: date, detector: str
) -> list[Verdict]:
    """The verdicts, where those of a profile whose sites are all off by one interval become one finding.

    One of them has to be told; of the others it is enough that they look so.

    `info`: SITES rows by site; `lit`: the sites with generation on the day. The first of the profile's sites keeps the
    finding; the others are not judged, as nothing is wrong with their clocks. A single site that is right, or off by
    another amount, says that it is not the profile.
    """
    found = {v.site_id: v for v in verdicts}
    members: dict[str, list[str]] = {}
    for site_id in sorted(lit):
        if (name := info[site_id].get("profile")) is not None:
            members.setdefault(name, []).append(site_id)
    changed: dict[str, Verdict] = {}
    for name, sites in members.items():
        of_sites = [(site_id, found.get(site_id)) for site_id in sites]
        judged = [(site_id, v) for site_id, v in of_sites if not isinstance(v, NotJudged)]
        late = {_intervals(v) if isinstance(v, Finding) else 0 for _, v in judged}
        if late not in ({1}, {-1}):
            continue
        (first, finding), *others = judged
        assert isinstance(finding, Finding)
        side = late.pop()
        alike = [site_id for site_id, v in of_sites if isinstance(v, NotJudged) and _looks_so(v, finding, side)]
        if len(judged) + len(alike) < SITES_NEEDED:
            continue
        changed[first] = _of_profile(finding, name, len(judged) + len(alike), side)
        for site_id, _ in others:
            reason = because(REASONS, "marks-of-profile", profile_name=name, told_at=first)
            changed[site_id] = NotJudged(site_id, day, detector, reason)
    return [changed.get(v.site_id, v) for v in verdicts]


def _intervals(finding: Finding) -> int:
    """1 or -1 where the stamps have been one interval late or early from the first day on, else 0."""
    if finding.kind != "time-zone-wrong" or "interval_mark_text" not in finding.evidence:
        return 0
    offset, interval = (float(str(finding.evidence[name])) for name in ("offset_min", "interval_min"))
    fits = max(SAME_MIN, float(str(finding.evidence["uncertainty_min"])))
    return 0 if abs(abs(offset) - interval) > fits else 1 if offset > 0 else -1


def _looks_so(not_judged: NotJudged, finding: Finding, side: int) -> bool:
    """Whether a site whose offset nothing proves seems to be as many minutes off as `finding`, on the same side."""
    if not_judged.reason.code != "none-dark":
        return False
    offset, interval = (
        float(str(value)) for value in (not_judged.reason.values["offset_min"], finding.evidence["interval_min"])
    )
    is_late = not_judged.reason.values["side"] == "late"
    return is_late is (side > 0) and abs(offset - interval) <= max(SAME_MIN, ALIKE_SHARE * interval)


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
    }
    summary = (
        f"The stamps of all {sites} sites of profile {name} are one interval ({interval:.0f} min) {side}: "
        "its `marks` would explain it."
    )
    return finding.model_copy(update={"summary": summary, "evidence": finding.evidence | fact})
