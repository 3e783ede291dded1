"""Makes the invented fleet again: register, exports and the table of what was planted.

The same bytes come out on every run. Profiles, README.md and noonmark.toml are written by hand and stay as they are.
"""

import csv
import io
import shutil
from collections.abc import Collection, Sequence
from datetime import date
from pathlib import Path

from tests.simulation.sample_fleet import register
from tests.simulation.sample_fleet.faults import FAULTS, LOOK_ALIKES, Planted
from tests.simulation.sample_fleet.fleet import Lived, live_fleet
from tests.simulation.sample_fleet.formats import RESENT, WRITERS, stray_file
from tests.simulation.sample_fleet.rows import Daily, to_rows
from tests.simulation.sample_fleet.sites import DAYS, Spec
from tests.simulation.sample_fleet.sizes import measured_size


def make_exports(out: Path, fleet: Sequence[Lived], *, days: Collection[date] = tuple(DAYS)) -> dict[Spec, Daily]:
    """The rows behind the exports, after writing the files of these days below OUT/exports."""
    made = {lived.spec: to_rows(lived, {*days, RESENT}) for lived in fleet}
    for kind, write in WRITERS.items():
        for name, data in write({spec: daily for spec, daily in made.items() if spec.kind == kind}, sorted(days)):
            _write(out / "exports" / name, data)
    return made


def make_fleet(out: Path) -> None:
    """Everything that this script makes, below OUT; an earlier OUT/exports is replaced."""
    shutil.rmtree(out / "exports", ignore_errors=True)
    fleet = live_fleet()
    make_exports(out, fleet)
    name, data = stray_file()
    _write(out / "exports" / name, data)
    for name, text in register.tables().items():
        _write(out / name, text.encode())
    by_id = {lived.spec.site_id: lived for lived in fleet}
    lines = [_fault_cells(fault, by_id[fault.site_id]) for fault in (*FAULTS, *LOOK_ALIKES)]
    _write(out / "faults.csv", _faults_csv(lines).encode())
    _write(out / "FAULTS.md", register.faults_page(lines).encode())


def _fault_cells(fault: Planted, lived: Lived) -> dict[str, str]:
    size = measured_size(fault, lived) if fault.size is None else fault.size
    return {
        "site_id": fault.site_id,
        "kind": fault.kind,
        "first_day": str(fault.first_day),
        "last_day": str(fault.last_day),
        "size": "" if size is None else f"{size:g}",
        "unit": fault.unit,
        "offset_min": "" if fault.offset_min is None else f"{fault.offset_min:g}",
        "note": fault.note,
    }


def _faults_csv(lines: list[dict[str, str]]) -> str:
    text = io.StringIO()
    out = csv.DictWriter(text, list(lines[0]), lineterminator="\n")
    out.writeheader()
    out.writerows(lines)
    return text.getvalue()


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
