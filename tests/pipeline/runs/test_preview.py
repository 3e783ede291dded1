"""The first rows of an export as they would be read."""

from datetime import datetime
from pathlib import Path

import pytest

from pipeline.errors import NoonmarkError
from pipeline.runs.check import check
from pipeline.runs.preview import FIRST_ROWS, preview
from tests.support.fleet import Fleet, roof, sunny


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path / "fleet")


def look(fleet: Fleet, path: Path):
    (one,) = preview(check(fleet.space), [path])
    return one


def test_stamp_utc_local_and_channels_line_by_line(fleet: Fleet, tmp_path: Path) -> None:
    path = tmp_path / "S1_roof_a.csv"
    lines = roof(sunny()).splitlines()
    lines[2] = "2026-03-10 24:30,1,1,230"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    one = look(fleet, path)
    assert (one.profile, one.problem, one.rows_read, one.rows_rejected) == ("roof", None, 96, 1)
    assert one.rows["line"].to_list() == list(range(2, 2 + FIRST_ROWS))
    first, second = one.rows.rows(named=True)[:2]
    assert (first["site_id"], first["stamp"], first["rejected"]) == ("S1", "2026-03-10 00:00", None)
    assert first["ts_utc"] == datetime(2026, 3, 10)  # noqa: DTZ001 - plain UTC
    assert first["ts_local"] == datetime(2026, 3, 10, 1)  # noqa: DTZ001 - Berlin, UTC+1
    assert (first["pv_w"], first["load_w"], first["voltage_l1_v"], first["interval_s"]) == (0.0, 400.0, 230.0, 900)
    assert "grid_w" not in one.rows.columns
    assert second["rejected"] == "not a time of the form %Y-%m-%d %H:%M (t = 2026-03-10 24:30)"
    assert path.exists() and not fleet.space.database.exists()


def test_what_can_not_be_read_is_said(fleet: Fleet, tmp_path: Path) -> None:
    for name, words in (("x.txt", "no profile matches"), ("S9_roof_a.csv", "site 'S9' is not in the register")):
        path = tmp_path / name
        path.write_text(roof(sunny()), encoding="utf-8")
        assert words in look(fleet, path).problem
    with pytest.raises(NoonmarkError, match="no such file"):
        look(fleet, tmp_path / "missing.csv")
