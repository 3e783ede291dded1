"""Where the files that travel with the program lie: in the wheel, or in a checkout."""

from functools import cache
from pathlib import Path


@cache
def folder(name: str) -> Path:
    """The folder `sql` or `sample_exports`."""
    package = Path(__file__).parents[1]
    installed = package / "data" / name
    return installed if installed.is_dir() else package.parent / name


@cache
def query(name: str) -> str:
    """The text of sql/query/NAME.sql."""
    return (folder("sql") / "query" / f"{name}.sql").read_text(encoding="utf-8")
