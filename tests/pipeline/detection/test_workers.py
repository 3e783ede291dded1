"""Work that is shared gives what one process gives, also where a process dies amid it."""

import logging
import multiprocessing
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.config.settings import ComputeSettings
from pipeline.detection import day_readings, sum_up, workers
from pipeline.detection.sum_up import summed
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


def test_a_cluster_that_cannot_be_reached_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "ANSWER_S", 0.2)
    with pytest.raises(NoonmarkError, match=r"\[compute\] cluster|does not answer") as told:
        list(Pool(ComputeSettings(cluster="tcp://127.0.0.1:1")).each(doubled, range(3)))
    assert isinstance(told.value, RefusedError)


def summed_amid_a_death(of: sum_up.Given) -> sum_up.Summed:
    """The first process that is not the test's own ends here, once."""
    mark = Path(os.environ["NOONMARK_TEST_DEATH"])
    if multiprocessing.parent_process() is not None and not mark.exists():
        mark.touch()
        os._exit(9)
    return summed(of)


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """A night in one process; the workspace before it is beside it, as `before`."""
    root = tmp_path_factory.mktemp("night")
    fleet = Fleet(root / "one", 5, devices=[("S4", "A"), ("S4", "B")])
    for site in ("S1", "S2", "S3", "S4A", "S4B", "S5"):
        fleet.drop(f"{site}_roof_1.csv", roof(sunny(peak_w=9000 if site == "S2" else 6000)))
    shutil.copytree(fleet.space.root, root / "before")
    fleet.cycle(day=DAY)
    return fleet


@pytest.mark.slow
@pytest.mark.parametrize("where", ["workers", "cluster"])
def test_a_night_of_two_of_which_one_dies_is_the_night_of_one(
    one: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    monkeypatch.setattr(sum_up, "SITES_AT_ONCE", 2)
    monkeypatch.setattr(day_readings, "SITES_AT_ONCE", 2)
    monkeypatch.setattr(sum_up, "summed", summed_amid_a_death)
    monkeypatch.setenv("NOONMARK_TEST_DEATH", str(tmp_path / "died"))
    two = Fleet.of(shutil.copytree(one.space.root.with_name("before"), tmp_path / "two"))
    with _address(where) as address:
        setting = f'cluster = "{address}"' if address else "workers = 2"
        two.space.settings_file.write_text(f"[ingest]\nsettle_s = 0\n[compute]\n{setting}\n", encoding="utf-8")
        two.cycle(day=DAY)
    assert (tmp_path / "died").exists()
    features = [name for (name,) in one.ask(
        "SELECT table_name FROM duckdb_tables() WHERE starts_with(table_name, 'feature_') AND NOT internal ORDER BY ALL"
    ) if name != "feature_version"]  # fmt: skip
    for name in ("site_day", "finding", "reading_flag", *features):
        rows = [[tuple(map(repr, row)) for row in fleet.ask(f"FROM {name}")] for fleet in (one, two)]
        assert rows[0] == rows[1], name  # in their stored order, to the last digit
    assert one.value("SELECT count(*) FROM site_day") == 10  # a UTC day lies in two days of Berlin
    assert differences(one.history(), two.history()) == {}


@contextmanager
def _address(where: str) -> Iterator[str]:
    """Of a scheduler with two workers on this machine, or nothing."""
    if where == "workers":
        yield ""
        return
    distributed = pytest.importorskip("distributed", reason="the extra noonmark[cluster] is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=logging.CRITICAL
    ) as cluster:
        yield cluster.scheduler_address
