"""Judging on while a clock is wrong: what is said of its offset becomes a correction of the day's readings.

The stamps stay as they are, and so does what was made of them before; only the detectors that come after see the day's
readings on the corrected line, and what they find is marked as provisional.
"""

from collections.abc import Iterable, Mapping
from datetime import date

import polars as pl

from detectors.finding import OVER, Finding, Kind

KNOWN_MIN = 10.0  # 95 % uncertainty; ours: a roof's power changes by some per cent in so long
CORRECTION_KEY = "clock_correction_min"  # in the evidence of a finding that was judged on the corrected line


def corrections(found: Iterable[Finding], about: Mapping[str, Kind]) -> dict[str, float]:
    """Site -> minutes to add to its stamps of the day, of findings that tell a clock's offset well enough.

    Not of one device of several: the others are right.
    """
    by_site: dict[str, float] = {}
    for one in found:
        if "time" not in about[one.kind].makes_unreliable or one.evidence.get("device_name") or OVER in one.evidence:
            continue
        offset, exact = one.evidence.get("offset_min"), one.evidence.get("correction_min")
        minutes = exact if isinstance(exact, float) else -offset if isinstance(offset, float) else None
        error = one.evidence.get("correction_uncertainty_min", one.evidence.get("uncertainty_min"))
        if minutes is not None and isinstance(error, float) and error <= KNOWN_MIN:
            by_site[one.site_id] = minutes
    return by_site


def corrected(readings: pl.DataFrame, minutes: Mapping[str, float], day: date) -> pl.DataFrame:
    """The readings with the stamps of these sites moved, and of these sites those alone that are of `day` then.

    `readings`: ts_utc and ts_local as stamped, of `day` and, at these sites, of the day before.
    """
    by = pl.col("site_id").replace_strict(dict(minutes), default=0.0, return_dtype=pl.Float64)
    moved = (by * 60).round().cast(pl.Int64) * pl.duration(seconds=1)
    rows = readings.with_columns(pl.col("ts_utc") + moved, pl.col("ts_local") + moved)
    is_moved = pl.col("site_id").is_in(list(minutes))
    order = [name for name in ("site_id", "device_id", "ts_utc") if name in readings.columns]
    return rows.filter(~is_moved | (pl.col("ts_local").dt.date() == day)).sort(order)


def marked(finding: Finding, minutes: float) -> Finding:
    """The finding, told as one that was judged on a corrected line."""
    words = f"Provisional: its clock is wrong, and its stamps were judged as moved by {minutes:+.0f} min."
    return finding.model_copy(
        update={
            "summary": f"{finding.summary.rstrip('. ')}. {words}",
            "evidence": {**finding.evidence, CORRECTION_KEY: minutes},
        }
    )
