"""Small profiles, targets and exports for tests of ingest."""

from typing import Any

import polars as pl

from pipeline.exports.normalise import normalise
from pipeline.exports.opening import ExportPart
from pipeline.frames import Normalised
from pipeline.profiles.model import ExportProfile

SITE = {"from": "file name", "pattern": "^(?P<site>[A-Za-z0-9]+)_"}
STAMP = {"column": "t", "format": "%Y-%m-%d %H:%M"}
CHANNELS = {"pv_w": {"column": "pv"}, "voltage_l1_v": {"column": "v"}}


def profile(**tables: Any) -> ExportProfile:
    """A CSV profile of columns t, pv, v with the site in the file's name; `tables` replace its own."""
    base = {"name": "plain", "format": "csv", "match": ["*"], "site": SITE, "timestamp": STAMP, "channels": CHANNELS}
    return ExportProfile.model_validate(base | tables)


def targets(*names: str, zone: str = "Europe/Zurich", zones: dict[str, str] | None = None) -> pl.DataFrame:
    """Sites S1, S2 (or those named), each exporting in `zone` unless `zones` says otherwise."""
    names = names or ("S1", "S2")
    export_zones = [(zones or {}).get(name, zone) for name in names]
    return pl.DataFrame(
        {
            "external_id": names,
            "site_id": [f"site-{name}" for name in names],
            "device_id": [""] * len(names),
            "export_timezone": export_zones,
            "timezone": export_zones,
            "latitude": [47.4] * len(names),
            "longitude": [8.5] * len(names),
        }
    )


def part(data: bytes | str, name: str = "S1_day.csv", **fields: Any) -> ExportPart:
    """An export as `read_export` gives it."""
    raw = data.encode() if isinstance(data, str) else data
    base = {"member": None, "folder": "", "sha256": "0" * 64, "truncated": False, "problem": None}
    return ExportPart(name=name, data=raw, **(base | fields))


def read(*exports: ExportPart | bytes | str, by: ExportProfile | None = None, **options: Any) -> Normalised:
    """`normalise` of exports, which are of site S1 where only their content is given."""
    parts = [export if isinstance(export, ExportPart) else part(export) for export in exports]
    sites = options.pop("sites", None)
    return normalise(parts, by or profile(), targets() if sites is None else sites, **options)


def check_account(result: Normalised) -> None:
    """Nothing is lost: rows_read = rows kept + rows rejected in each file that could be read, none in the others."""
    for file in result.files.iter_rows(named=True):
        of_file = pl.col("file_no") == file["file_no"]
        kept = result.rows.filter(of_file)["rows"].sum()
        rejected = result.rejected.filter(of_file).height
        assert file["rows_read"] == kept + rejected, file
        assert file["quarantine"] is None or kept + rejected == 0
