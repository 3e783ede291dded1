"""Files of a register, written line by line, and what loading them tells."""

from pathlib import Path

from pipeline.errors import Fault
from pipeline.register.load import Register, load_register
from pipeline.workspace.places import Workspace

REQUIRED = "site_id,name,latitude,longitude,timezone,installed_kwp"
HEALTHY = "A,Roof A,47.0,8.0,Europe/Zurich,10"


def write(root: Path, name: str, *lines: str, encoding: str = "utf-8") -> None:
    (root / name).write_bytes(("\n".join(lines) + "\n").encode(encoding))


def load(root: Path) -> tuple[Register, list[Fault]]:
    return load_register(Workspace(root))


def places(faults: list[Fault]) -> list[tuple[str, int | None, str | None, str | None]]:
    return [(fault.file, fault.line, fault.column, fault.value) for fault in faults]
