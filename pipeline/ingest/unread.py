"""Of which sites the files in quarantine are, as far as their names and folders say it."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import PurePosixPath

import polars as pl

from detectors.frames import QUARANTINED_FILES
from pipeline.ingest.profile_choice import choose_profile
from pipeline.ingest.quarantine import Quarantined, quarantined_files
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.workspace.places import Workspace


def unread_files(workspace: Workspace, register: Register, profiles: Mapping[str, ExportProfile]) -> pl.DataFrame:
    """QUARANTINED_FILES: without those whose rows alone say the site, or that no profile or no site fits."""
    files = quarantined_files(workspace)
    if not files:
        return QUARANTINED_FILES.to_frame()
    targets = {name: register.targets(name) for name in profiles}
    rows = [
        (site_id, device_id, datetime.fromtimestamp(max(file.set_aside_at, 0.0), UTC).date(), file.name, file.reason)
        for file in files
        for site_id, device_id in _of(file, register, profiles, targets)
    ]
    return pl.DataFrame(rows, schema=QUARANTINED_FILES, orient="row")


def _of(
    file: Quarantined,
    register: Register,
    profiles: Mapping[str, ExportProfile],
    targets: Mapping[str, pl.DataFrame],
) -> list[tuple[str, str]]:
    """Site and device of a file, none or one."""
    place = PurePosixPath(file.came_as)
    folder = "" if str(place.parent) == "." else str(place.parent)
    profile = choose_profile(profiles, place.name, folder, register)
    if isinstance(profile, str) or (name := profile.site_in_place(place.name, folder)) is None:
        return []
    known = targets[profile.name].filter(pl.col("external_id") == name)
    return known.select("site_id", "device_id").head(1).rows()
