"""Everything that a person wrote in a workspace, read and checked at once: what each command looks at first."""

from collections.abc import Iterator
from typing import NamedTuple

from pipeline.config.settings import Settings, load_settings
from pipeline.config.suggestions import name_remedy
from pipeline.errors import Fault, InvalidInputError
from pipeline.profiles.load import load_profiles, profile_files
from pipeline.profiles.model import CsvFormat, ExportProfile, JsonFormat
from pipeline.register.csv_file import read_table
from pipeline.register.load import SITE_CELLS, Notice, Register, load_register, zone_notes
from pipeline.register.unlikely_values import unlikely_notes, unlikely_values
from pipeline.workspace.places import Workspace


class CheckResult(NamedTuple):
    """The workspace's settings, register and profiles as far as they hold no fault, and all that is wrong or odd."""

    settings: Settings
    register: Register
    profiles: dict[str, ExportProfile]
    faults: list[Fault]  # any of these refuses the command
    notices: list[Notice]


def check(workspace: Workspace) -> CheckResult:
    """Settings, register and profiles with every fault and notice; changes nothing, raises nothing."""
    settings, faults = load_settings(workspace)
    register, register_faults = load_register(workspace)
    profiles, profile_faults = load_profiles(workspace.profiles)
    wanted = list(_wanted_profiles(workspace))
    faults += register_faults
    faults += unlikely_values(register)
    faults += _unknown_profiles(workspace, wanted)
    faults += profile_faults
    faults += _unreachable_profiles(profiles, {name for _, name in wanted})
    notices = [*zone_notes(register), *unlikely_notes(register), *_unused_tables(profiles)]
    return CheckResult(settings, register, profiles, faults, notices)


def check_or_refuse(workspace: Workspace) -> CheckResult:
    """As `check`, of a workspace without a fault; raises InvalidInputError with all of them otherwise."""
    result = check(workspace)
    if result.faults:
        raise InvalidInputError(result.faults)
    return result


def _wanted_profiles(workspace: Workspace) -> Iterator[tuple[int, str]]:
    """(line, profile) of each row of the register that names one, rows with faults of their own included."""
    if workspace.sites_file.exists():
        for row in read_table(workspace.sites_file, list(SITE_CELLS), ()).rows:
            if name := row.cells.get("profile"):
                yield row.line, name


def _unknown_profiles(workspace: Workspace, wanted: list[tuple[int, str]]) -> Iterator[Fault]:
    known = [path.stem for path in profile_files(workspace.profiles)]  # a faulty one is there all the same
    for line, name in wanted:
        if name not in known:
            remedy = name_remedy(name, known, f"write profiles/{name}.toml, or leave the cell empty")
            yield Fault(workspace.sites_file.name, line, "profile", name, "unknown profile", remedy)


def _unreachable_profiles(profiles: dict[str, ExportProfile], wanted: set[str]) -> Iterator[Fault]:
    """Profiles without globs that no file could ever belong to."""
    for name, profile in profiles.items():
        by_place = profile.site.from_ in ("file name", "folder")
        if not profile.match and not (by_place and name in wanted):
            remedy = 'add globs on the file\'s name, as in match = ["*.csv"]'
            yield Fault(_shown(profile), None, "match", None, "no file can belong to the profile", remedy)


def _unused_tables(profiles: dict[str, ExportProfile]) -> Iterator[Notice]:
    """Profiles that describe another format's files beside their own."""
    for profile in profiles.values():
        other, is_written = ("json", profile.json_ != JsonFormat())
        if profile.format != "csv":
            other, is_written = ("csv", profile.csv != CsvFormat())
        if is_written:
            text = f'[{other}] says nothing with format = "{profile.format}"'
            yield Notice(_shown(profile), None, f"[{other}]", None, text)


def _shown(profile: ExportProfile) -> str:
    return f"{profile.file.parent.name}/{profile.file.name}"
