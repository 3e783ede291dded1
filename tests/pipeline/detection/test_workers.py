"""Work that is shared gives what one process gives, also where a process dies amid it."""

import multiprocessing
import os
import shutil
from pathlib import Path

import pytest

from pipeline.config.settings import ComputeSettings
from pipeline.detection import sum_up
from pipeline.detection.workers import Pool, pool
from pipeline.errors import NoonmarkError, RefusedError
from tests.support.fleet import DAY, Fleet, differences, roof, sunny

DEADLY = 2


def doubled(number: int) -> int:
    """Ends its process, as a machine short of memory does, where that is not the test's own."""
    if number == DEADLY and multiprocessing.parent_process() is not None:
        os._exit(9)
    return 2 * number


def failing(number: int) -> int:
    return number // (number - 3)


def test_two_workers_of_which_one_dies_give_all_results_in_order(caplog: pytest.LogCaptureFixture) -> None:
    with pool(ComputeSettings(workers=2)) as two:
        assert list(two.each(doubled, range(7))) == [0, 2, 4, 6, 8, 10, 12]
    assert "its work is done in this process" in caplog.text


def test_one_job_or_one_worker_starts_no_process() -> None:
    for settings, jobs in ((ComputeSettings(workers=4), 1), (ComputeSettings(), 5), (ComputeSettings(workers=2), 0)):
        made = Pool(settings)
        assert list(made.each(doubled, range(jobs))) == [2 * n for n in range(jobs)] and made.executor is None


def test_what_is_wrong_with_the_job_itself_is_raised() -> None:
    with pytest.raises(ZeroDivisionError):
        list(Pool(ComputeSettings()).each(failing, range(5)))


def test_a_cluster_that_cannot_be_reached_is_told() -> None:
    with pytest.raises(NoonmarkError, match=r"\[compute\] cluster|does not answer") as told:
        list(Pool(ComputeSettings(cluster="tcp://127.0.0.1:1")).each(doubled, range(3)))
    assert isinstance(told.value, RefusedError)


def test_a_night_of_two_workers_is_the_night_of_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sum_up, "SITES_AT_ONCE", 2)
    one = Fleet(tmp_path / "one", 5, devices=[("S4", "A"), ("S4", "B")])
    for site in ("S1", "S2", "S3", "S4A", "S4B", "S5"):
        one.drop(f"{site}_roof_1.csv", roof(sunny(peak_w=9000 if site == "S2" else 6000)))
    two = Fleet.of(shutil.copytree(one.space.root, tmp_path / "two"))
    two.space.settings_file.write_text("[ingest]\nsettle_s = 0\n[compute]\nworkers = 2\n", encoding="utf-8")
    for fleet in (one, two):
        fleet.cycle(day=DAY)
    features = [name for (name,) in one.ask(
        "SELECT table_name FROM duckdb_tables() WHERE starts_with(table_name, 'feature_') AND NOT internal ORDER BY ALL"
    ) if name != "feature_version"]  # fmt: skip
    for name in ("site_day", "finding", "reading_flag", *features):
        rows = [[tuple(map(repr, row)) for row in fleet.ask(f"FROM {name}")] for fleet in (one, two)]
        assert rows[0] == rows[1], name  # in their stored order, to the last digit
    assert one.value("SELECT count(*) FROM site_day") == 5
    assert differences(one.history(), two.history()) == {}
