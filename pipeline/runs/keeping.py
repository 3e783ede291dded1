"""What a history lets go of as it grows old: `[keep]` of the settings. archive/ is never touched."""

import shutil
from datetime import UTC, date, datetime, timedelta

from pipeline import digest as pages
from pipeline.counted import counted
from pipeline.runs import disk
from pipeline.runs.session import Opened
from pipeline.store import history, older, verdicts


def keep(run: Opened) -> list[str]:
    """What was done, a clause each: months of readings moved, pictures and digests removed; nothing on most days.

    What the workspace and its disk hold is noted too.
    """
    settings = run.settings.keep
    history.note_disk(run.store, datetime.now(UTC).date(), *disk.measured(run.workspace.root))
    said = []
    if months := older.move_out(run.store, settings.readings_days):
        said.append(f"readings of {months[0]} to {months[-1]} moved to {run.workspace.older_readings.name}/")
    last = verdicts.last_judged_day(run.store)
    if last is None:
        return said
    if count := verdicts.drop_pictures(run.store, last - timedelta(days=settings.evidence_days)):
        said.append(f"pictures of {counted(count, 'old finding')} removed")
    if gone := _remove_digests(run, last - timedelta(days=settings.digests_days)):
        said.append(f"digests of {counted(gone, 'day')} removed")
    return said


def _remove_digests(run: Opened, before: date) -> int:
    """How many days' digests were removed; the list of all digests says so."""
    old = [day for day in pages.digest_days(run.workspace.digests) if day < before]
    for day in old:
        shutil.rmtree(run.workspace.digests / day.isoformat())
    if old:
        pages.write_index(run.workspace.digests, run.settings.digest.title)
    return len(old)
