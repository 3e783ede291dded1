"""Days put before the detectors with what a workspace's settings and profiles say."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from pipeline.detection import run_detectors
from pipeline.detection.run_detectors import Judged
from pipeline.ingest.unread import unread_files
from pipeline.profiles.model import ExportProfile
from pipeline.progress import Advance
from pipeline.runs.session import Opened

OF_THE_SITE = ("export_timezone", "in value")  # zones that a profile leaves to the register or to each stamp


def judge(run: Opened, days: Sequence[date], advance: Advance, *, now: datetime | None = None) -> Judged:
    """Judges the days; sites at which a day is not over `now` (else: at this moment) are left out of it."""
    return run_detectors.judge(
        run.store, days, advance, now=now, profile_zones=fixed_zones(run.profiles),
        quarantined_files=unread_files(run.workspace, run.register, run.profiles),
        false_alarms_per_site_year=run.settings.detect.false_alarms_per_site_year,
    )  # fmt: skip


def fixed_zones(profiles: Mapping[str, ExportProfile]) -> dict[str, str]:
    """The zone in which each profile reads all its stamps, whatever the register says, of those that name one."""
    zones = {name: profile.timestamp.zone for name, profile in profiles.items()}
    return {name: "UTC" if zone == "utc" else zone for name, zone in zones.items() if zone not in OF_THE_SITE}
