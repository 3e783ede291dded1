"""Which site of the register each row of an export is of, by the file's name, its folder, a column or a path."""

import numpy as np
import polars as pl

from pipeline.exports.csv_cells import CELL, Opened
from pipeline.exports.json_cells import SITE
from pipeline.exports.opening import ExportPart
from pipeline.profiles.model import ExportProfile

NO_SITE = "site not in the register"


def with_targets(
    sheet: pl.DataFrame,
    parts: list[ExportPart],
    profile: ExportProfile,
    targets: pl.DataFrame,
    opened: Opened,
    *,
    is_whole: bool,
) -> tuple[pl.DataFrame, np.ndarray, pl.Series | None]:
    """The sheet without files of no known site, each row's place in `targets` (-1: none), what it calls the site."""
    file_no = sheet["file_no"].to_numpy()
    places = {name: place for place, name in reversed(list(enumerate(targets["external_id"])))}
    if profile.site.from_ in ("file name", "folder"):
        of_file = np.full(len(parts), -1, np.int64)
        for number, part in enumerate(parts):
            if number in opened.quarantine:
                continue
            name = profile.site_in_place(part.name, part.folder)
            if name is None:
                shown = part.name if profile.site.from_ == "file name" else part.folder
                opened.quarantine[number] = (
                    f"no site: the pattern {profile.site.pattern} does not match the {profile.site.from_} '{shown}'; "
                    f"fix the pattern in the profile, or the {profile.site.from_}"
                )
            elif name not in places:
                opened.quarantine[number] = _unknown(name, targets)
            else:
                of_file[number] = places[name]
        target, text = of_file[file_no], None
    else:
        text = sheet[SITE] if profile.site.from_ == "json path" else sheet[f"{CELL}{profile.site.column}"]
        target = text.replace_strict(places, default=-1, return_dtype=pl.Int64).fill_null(-1).to_numpy()
        known = np.bincount(file_no[target >= 0], minlength=len(parts))
        every = np.bincount(file_no, minlength=len(parts))
        for nameless in np.flatnonzero((known == 0) & (every > 0)) if is_whole else ():
            first = text[int(np.flatnonzero(file_no == nameless)[0])]
            opened.quarantine[int(nameless)] = no_known_site(profile, first)
    if opened.quarantine:
        keep = ~np.isin(file_no, list(opened.quarantine))
        sheet, target = sheet.filter(pl.Series(keep)), target[keep]
        text = text.filter(pl.Series(keep)) if text is not None else None
    return sheet, target, text


def _unknown(name: str, targets: pl.DataFrame) -> str:
    """Why a file that speaks of `name` is not taken in."""
    others = targets.filter(pl.col("site_id") == name)["external_id"].to_list()
    if others:
        listed = ", ".join(f"'{one}'" for one in others)
        return (
            f"site '{name}' is called {listed} in its exports by the register; name them so, or correct external_id in "
            "sites.csv or devices.csv"
        )
    return f"site '{name}' is not in the register; add it to sites.csv, or as external_id of a site"


def no_known_site(profile: ExportProfile, first: str | None) -> str:
    """Why an export is not taken in of which no row is of a known site; `first` is what the first row calls it."""
    return (
        f"no site of the register in any row of '{profile.site.column or profile.site.path}', "
        f"which starts with {first!r}; add it to sites.csv, or as external_id of a site"
    )
