"""Exports of silent sites that arrive but cannot be read: they lie in quarantine since the readings stopped."""

from collections.abc import Sequence
from datetime import date

import polars as pl

from detectors.finding import CAUSE, NEXT_STEP, VISIT_IF, EvidenceValue, Finding

_CAUSE = "Exports arrive but cannot be read: the form of the files changed, or the profile does not fit them."
_NEXT_STEP = (
    "Service desk: read the reason beside the first of these files in quarantine/, correct the profile or have the "
    "export set right where it is written, and put the files back into inbox/. Nobody needs to go to the site."
)
_VISIT_IF = "the exports can be read again and still bring no readings"


def told_as_unread(finding: Finding, files: pl.DataFrame, units: Sequence[str] = ()) -> Finding:
    """The finding of a silence with what lies in quarantine of the site, or of its devices `units`, since it began.

    `files`: QUARANTINED_FILES. As it is where nothing came since.
    """
    since = finding.since or finding.day
    mine = files.filter((pl.col("site_id") == finding.site_id) & (pl.col("came_on") >= since))
    if units:
        mine = mine.filter(pl.col("device_id").is_in(list(units)))
    return with_unread(finding, mine)


def with_unread(finding: Finding, mine: pl.DataFrame) -> Finding:
    """The finding with these files as its cause."""
    if mine.is_empty():
        return finding
    first = mine.sort("came_on", "file_name").row(0, named=True)
    begun: date = first["came_on"]
    are = "1 file lies" if mine.height == 1 else f"{mine.height} files lie"
    told = f"{are} in quarantine since {begun.isoformat()}"
    reason = f"{first['file_name']}: {first['reason']}"
    evidence: dict[str, EvidenceValue] = {
        **finding.evidence,
        "quarantined_count": mine.height,
        "quarantine_reason_text": reason,
        CAUSE: _CAUSE,
        NEXT_STEP: _NEXT_STEP,
        VISIT_IF: _VISIT_IF,
    }
    return finding.model_copy(
        update={
            "summary": f"{finding.summary} But exports arrive: {told}, the first is {reason.rstrip('. ')}.",
            "measured": f"{finding.measured}; {told}",
            "evidence": evidence,
        }
    )
