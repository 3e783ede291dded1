"""Profiles: one TOML file per kind of export."""

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.config.toml_file import model_problems, read_toml
from pipeline.errors import Fault
from pipeline.profiles.model import (
    ExportProfile,
)
from pipeline.profiles.rules import check_profile


def profile_files(folder: Path) -> list[Path]:
    """The profiles' files by name, unreadable ones and broken links too; a folder that is missing holds none."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.glob("*.toml") if not path.name.startswith("."))


def load_profiles(folder: Path) -> tuple[dict[str, ExportProfile], list[Fault]]:
    """The valid profiles by name, and every fault of the others."""
    profiles, faults = {}, []
    for path in profile_files(folder):
        profile, found = load_profile(path)
        faults += found
        if profile is not None:
            profiles[profile.name] = profile
    return profiles, faults


def load_profile(path: Path) -> tuple[ExportProfile | None, list[Fault]]:
    """The profile and no faults, or None and every fault; shown as profiles/NAME.toml."""
    file, faults = read_toml(path, f"{path.parent.name}/{path.name}")
    if file is None:
        return None, faults
    problems = list(check_profile(file.data))
    profile = None
    try:
        profile = ExportProfile.model_validate(_prepared(file.data) | {"name": path.stem, "file": path})
    except ValidationError as error:
        problems += model_problems(error, file.data, ("site", "timestamp", "channels"))
    faults = sorted(map(file.fault, problems), key=lambda fault: fault.line or 0)
    return (None if faults else profile), faults


def _prepared(data: dict[str, Any]) -> dict[str, Any]:
    """Without the keys that the models know under another name than the file's."""
    return {key: value for key, value in data.items() if key not in ("json_", "name", "file")}
