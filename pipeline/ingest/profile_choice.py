"""Which profile a file belongs to."""

from collections.abc import Mapping
from fnmatch import fnmatchcase

from pipeline.profiles.model import ExportProfile, without_compression
from pipeline.register.model import Register


def choose_profile(
    profiles: Mapping[str, ExportProfile], file_name: str, relative_folder: str, register: Register
) -> ExportProfile | str:
    """The file's profile, or the reason why it has none.

    A site that names its profile decides, where the file's name or folder yields that site under the profile's
    pattern. Otherwise the globs do: tried on the name with and without a compression's ending, capitals matter. Of
    several that match, those stand back that the file can't fit: no site may be meant by them, or their pattern yields
    none that is known. If more than one is left, no choice is made: a wrong one would read other columns.
    `relative_folder` is relative to the inbox, "" at its top.
    """
    by_name = {name: profile.site_in_place(file_name, relative_folder) for name, profile in profiles.items()}
    own = [profiles[name] for name, site in by_name.items() if site and register.is_own(site, name)]
    if len(own) == 1:
        return own[0]
    matching = [profile for profile in own or profiles.values() if _matches(profile, file_name)]
    if len(matching) > 1:
        matching = [profile for profile in matching if register.has_targets(profile.name)] or matching
        matching = [one for one in matching if _can_fit(one, by_name[one.name], register)] or matching
    if len(matching) == 1:
        return matching[0]
    several = matching or own
    if several:
        *others, last = (profile.name for profile in several)
        return f"profiles {', '.join(others)} and {last} {'both' if len(others) == 1 else 'all'} fit this file"
    return "no profile matches its name"


def why_no_profile(chosen: str, file_name: str) -> str:
    """The reason that `choose_profile` gave, with the file's name and what to do."""
    remedy = "add its form to a profile's `match`, or a profile for it"
    if chosen.endswith("fit this file"):
        remedy = "narrow the `match` of one, or name the site's profile in sites.csv"
    return f"{chosen}: {file_name}; {remedy}"


def _can_fit(profile: ExportProfile, site: str | None, register: Register) -> bool:
    """Whether the file may be of a site; what its rows call the site is not known yet."""
    return profile.site.from_ in ("column", "json path") or (
        site is not None and register.is_target(site, profile.name)
    )


def _matches(profile: ExportProfile, file_name: str) -> bool:
    names = {file_name, without_compression(file_name)}
    return any(fnmatchcase(name, glob) for name in names for glob in profile.match)
