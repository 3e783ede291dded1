"""Whether two workspaces tell the same: python -m tests.benches.compare_workspaces BEFORE AFTER [RELATION ...].

Compares what analysts see, row by row, over the columns that both sides have. Figures may differ in their last bits
(sums in another order); text, days and JSON (figures in it likewise) must be the same. Exit status 1 if they differ.
"""

import json
import math
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb

KEYS = {
    "finding": ("site_id", "day", "kind"),
    "exception": ("exception_id",),
    "site_day": ("site_id", "day"),
    "reading": ("site_id", "ts_utc"),
    "not_judged": ("site_id", "day", "detector", "reason"),
}
RELATIVE, ABSOLUTE = 1e-9, 1e-9
SHOWN = 5  # differences told of each relation


def main(before: Path, after: Path, relations: list[str]) -> int:
    """The exit status: 0 if the relations hold the same rows in both workspaces."""
    differs = False
    for relation in relations or list(KEYS):
        (one, columns), (other, others) = (rows_of(folder, relation) for folder in (before, after))
        shared = [name for name in columns if name in others]
        found = differences(relation, one, other, shared)
        apart = sorted(set(columns) ^ set(others))
        print(f"{relation}: {len(one)} and {len(other)} rows, {len(found)} differ"
              + (f"; in one alone: {', '.join(apart)}" if apart else ""))  # fmt: skip
        for text in found[:SHOWN]:
            print(f"  {text}")
        differs = differs or bool(found)
    return int(differs)


def rows_of(workspace: Path, relation: str) -> tuple[dict[tuple, dict[str, Any]], list[str]]:
    """A relation's rows by their key, and its columns."""
    with closing(duckdb.connect(str(workspace / "reader" / "noonmark.duckdb"), read_only=True)) as con:
        con.execute("SET TimeZone = 'UTC'")
        result = con.sql(f"SELECT * FROM {relation}")
        columns = result.columns
        rows = [dict(zip(columns, row, strict=True)) for row in result.fetchall()]
    return {tuple(row[name] for name in KEYS[relation]): row for row in rows}, columns


def differences(relation: str, one: dict, other: dict, columns: list[str]) -> list[str]:
    """What one side has and the other has not, and cells that differ, as text."""
    key = ", ".join(KEYS[relation])
    told = [f"only before: {key} = {name}" for name in one if name not in other]
    told += [f"only after: {key} = {name}" for name in other if name not in one]
    for name, row in one.items():
        if name in other:
            apart = [column for column in columns if not is_same(row[column], other[name][column])]
            told += [f"{name} {column}: {row[column]!r:.200} / {other[name][column]!r:.200}" for column in apart]
    return told


def is_same(one: Any, other: Any) -> bool:
    """Equal, but for the last bits of figures; JSON text is compared as what it holds."""
    if isinstance(one, float) and isinstance(other, int | float):
        both_nan = math.isnan(one) and math.isnan(other)
        return both_nan or math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(is_same(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(is_same, one, other))
    if isinstance(one, str) and isinstance(other, str) and one != other and one[:1] == other[:1] == "{":
        return is_same(json.loads(one), json.loads(other))
    return bool(one == other)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3:]))
