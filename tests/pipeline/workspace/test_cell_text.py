"""One value, as CSV has it and as a table for people has it."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from pipeline.workspace.cell_text import csv_cell, plain, table_cell


@pytest.mark.parametrize(
    ("value", "in_csv", "in_table"),
    [
        (None, "", ""),
        (True, "true", "true"),
        (1234.56789, "1234.56789", "1234.57"),
        (date(2026, 5, 6), "2026-05-06", "2026-05-06"),
        (datetime.fromisoformat("2026-05-06T07:05"), "2026-05-06T07:05:00", "2026-05-06 07:05:00"),
        (datetime(2026, 5, 6, 7, 5, tzinfo=UTC), "2026-05-06T07:05:00Z", "2026-05-06 07:05:00+00:00"),
        ([date(2026, 5, 6), True], '["2026-05-06", true]', '["2026-05-06", true]'),
    ],
)
def test_a_value_reads_alike_in_every_format(value, in_csv, in_table) -> None:
    assert (csv_cell(value), table_cell(value)) == (in_csv, in_table)


def test_what_json_does_not_know_is_not_printed_as_the_program_shows_it() -> None:
    assert plain({"at": Path("a/b"), "of": (1.5, float("nan"))}) == {"at": "a/b", "of": [1.5, None]}
    with pytest.raises(TypeError, match="object"):
        plain({"table": object()})
