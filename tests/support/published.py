"""A history of one site's day as analysts find it, and their questions."""

from pathlib import Path

from pipeline.store import reader
from tests.support.fleet import Fleet, roof, sunny
from tests.support.snapshot import Snapshot


def published_day(root: Path) -> Snapshot:
    """A workspace with one site's day, taken in and published."""
    made = Fleet(root)
    made.drop("S1_roof_a.csv", roof(sunny()))
    made.take_in(is_published=True)
    return Snapshot(made.space.root)


def ask(fleet: Fleet, sql: str) -> list[tuple]:
    """An analyst's answer."""
    return reader.ask(fleet.space.reader, sql).rows()
