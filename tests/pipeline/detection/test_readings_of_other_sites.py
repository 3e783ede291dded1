"""Readings of one site that are those of another, from the export to site_day, in whatever order files come."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.detection import sum_up
from tests.support.fleet import DAY, Fleet

pytestmark = pytest.mark.usefixtures("few_detectors")

ROWS = 288
DAYS = 10
SHARED = range(8, DAYS)  # the days on which S1 reports what S2 does
BASES_W = {"S1": 200.0, "S2": 320.0, "S3": 320.0}
REASON = "the readings of {} are those of site {}, value for value"


def _day(nth: int) -> date:
    return DAY + timedelta(days=nth)


def _export(source: str, nth: int) -> str:
    """A day of the house `source`, in UTC."""
    rng = np.random.default_rng([int(source[1:]), nth])
    load = BASES_W[source] + 20 * rng.random(ROWS) + np.where(rng.random(ROWS) < 0.1, 2200.0, 0.0)
    rows = (f"{_day(nth)} {n // 12:02d}:{5 * (n % 12):02d},0,{watts:.1f},230" for n, watts in enumerate(load))
    return "\n".join(["t,pv,load,v", *rows]) + "\n"


def _files(copied: bool = True) -> dict[str, str]:
    files = {f"{site}_roof_{nth}.csv": _export(site, nth) for site in BASES_W for nth in range(DAYS)}
    return files | ({f"S1_roof_{nth}.csv": _export("S2", nth) for nth in SHARED} if copied else {})


def _fleet(root: Path) -> Fleet:
    return Fleet(root, [{"site_id": site, "timezone": "Etc/UTC"} for site in BASES_W])


def _taken_in(root: Path, *batches: dict[str, str]) -> Fleet:
    fleet = _fleet(root)
    for batch in batches:
        for name, text in batch.items():
            fleet.drop(name, text)
        fleet.take_in()
    return fleet


def _flags(fleet: Fleet) -> list[tuple]:
    return fleet.ask("SELECT site_id, day, channel, flag, readings, reason FROM reading_flag "
                     "WHERE rule = 'another site' ORDER BY ALL")  # fmt: skip


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return _taken_in(tmp_path_factory.mktemp("shared"), _files())


def test_what_is_another_sites_counts_nowhere_and_that_sites_own_does(fleet: Fleet) -> None:
    told = [("S1", _day(nth), name, "duplicated", ROWS, REASON.format(_day(nth), "S2"))
            for nth in SHARED for name in ("load_w", "pv_w", "voltage_l1_v")]  # fmt: skip
    assert _flags(fleet) == told
    counted = fleet.ask("SELECT site_id, day FROM site_day WHERE load_kwh IS NULL ORDER BY ALL")
    assert counted == [("S1", _day(nth)) for nth in SHARED]
    assert fleet.ask("SELECT * FROM shared_due") == []


@pytest.mark.slow
@pytest.mark.parametrize("order", ["by day", "backwards", "copy first", "copy last"])
def test_in_whatever_order_the_files_come(tmp_path: Path, fleet: Fleet, order: str) -> None:
    files = _files()
    of_s1 = {name: text for name, text in files.items() if name.startswith("S1")}
    rest = {name: text for name, text in files.items() if name not in of_s1}
    by_day = [{name: text for name, text in files.items() if name.endswith(f"_{nth}.csv")} for nth in range(DAYS)]
    batches = {"by day": by_day, "backwards": by_day[::-1], "copy first": [of_s1, rest], "copy last": [rest, of_s1]}
    assert _flags(_taken_in(tmp_path, *batches[order])) == _flags(fleet)


def test_sites_that_are_summed_up_apart_are_compared_too(
    tmp_path: Path, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sum_up, "SITES_AT_ONCE", 1)
    monkeypatch.setattr(sum_up, "SITE_DAYS_AT_ONCE", 2)
    assert _flags(_taken_in(tmp_path, _files())) == _flags(fleet)


def test_once_the_right_readings_come_nothing_is_flagged(tmp_path: Path) -> None:
    right = {name.replace(".csv", "b.csv"): text for name, text in _files(copied=False).items() if name[:2] == "S1"}
    fleet = _taken_in(tmp_path, _files(), {name: text for name, text in right.items() if int(name[8]) in SHARED})
    assert _flags(fleet) == []
    assert fleet.ask("SELECT * FROM site_day WHERE load_kwh IS NULL") == []


def test_where_nobody_can_say_whose_they_are_both_are_told_and_the_values_stay(tmp_path: Path) -> None:
    """S3 lived like S2 before, within what chance makes of it."""
    files = _files(copied=False) | {f"S3_roof_{nth}.csv": _export("S2", nth) for nth in SHARED}
    fleet = _taken_in(tmp_path, files)
    told = {(site, day, flag, reason) for site, day, _, flag, _, reason in _flags(fleet)}
    assert told == {(site, _day(nth), "shared", REASON.format(_day(nth), other))
                    for nth in SHARED for site, other in (("S2", "S3"), ("S3", "S2"))}  # fmt: skip
    assert fleet.ask("SELECT * FROM site_day WHERE load_kwh IS NULL") == []


def test_a_file_that_is_delivered_twice_for_one_site_is_no_fault(tmp_path: Path) -> None:
    once = _files(copied=False)
    again = {name.replace(".csv", "_again.csv"): text for name, text in once.items()}
    assert _flags(_taken_in(tmp_path, once, again)) == []


def test_a_run_that_ended_before_sites_were_compared_is_made_up_for(
    tmp_path: Path, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped = _fleet(tmp_path)
    for name, text in _files().items():
        stopped.drop(name, text)
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(sum_up.copied_days, "of_other_sites", _interrupted)
        stopped.take_in()
    assert _flags(stopped) == []
    stopped.take_in()
    assert _flags(stopped) == _flags(fleet)


def _interrupted(*_: object) -> None:
    raise KeyboardInterrupt
