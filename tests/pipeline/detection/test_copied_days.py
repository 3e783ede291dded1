"""Readings that were sent again under other stamps, from the export to site_day and to the analyst's views."""

import contextlib
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import duckdb
import numpy as np
import pytest

from pipeline.runs import session
from tests.support.fleet import DAY, Fleet

pytestmark = pytest.mark.usefixtures("few_detectors")

ROWS = 288
DAYS_S = "SELECT day, readings, round(coverage_pct, 6), round(load_kwh, 9) FROM site_day ORDER BY day"


def _export(day_nth: int, seed: int) -> str:
    """A day whose load is drawn from the seed, stamped as of the day `day_nth` after the first."""
    rng = np.random.default_rng(seed)
    load = 300 + 30 * rng.normal(size=ROWS) + np.where(rng.random(ROWS) < 0.1, 2200.0, 0.0)
    at = DAY + timedelta(days=day_nth)
    lines = ["t,pv,load,v"]
    for n, watts in enumerate(load):
        # stamps in UTC of a local day in Berlin, an hour ahead in March
        stamp = f"{at - timedelta(days=1)} 23:{5 * n:02d}" if n < 12 else f"{at} {n // 12 - 1:02d}:{5 * (n % 12):02d}"
        lines.append(f"{stamp},0,{watts:.1f},230")
    return "\n".join(lines) + "\n"


FILES = {f"S1_roof_{n}.csv": (n, seed) for n, seed in enumerate((1, 2, 3, 1))}  # the fourth day repeats the first


def _taken_in(root: Path, *batches: tuple[str, ...]) -> Fleet:
    fleet = Fleet(root, 1)
    for batch in batches:
        for name in batch:
            fleet.drop(name, _export(*FILES[name]))
        fleet.take_in()
    return fleet


def _told(fleet: Fleet) -> tuple[list, list]:
    flags = "SELECT day, channel, flag, readings, reason FROM reading_flag ORDER BY ALL"
    return fleet.ask(DAYS_S), fleet.ask(flags)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return _taken_in(tmp_path_factory.mktemp("copied"), tuple(FILES))


def test_a_day_that_was_sent_again_has_no_energy_and_covers_nothing(fleet: Fleet) -> None:
    days, flags = _told(fleet)
    assert [row[1] for row in days] == [ROWS] * 4
    assert [row[2] for row in days] == [100.0, 100.0, 100.0, 0.0]
    assert [row[3] is None for row in days] == [False, False, False, True]
    fourth, reason = DAY + timedelta(days=3), f"an exact copy of readings stamped {DAY}"
    assert flags == [(fourth, name, "duplicated", ROWS, reason) for name in ("load_w", "pv_w", "voltage_l1_v")]


@pytest.mark.slow
@pytest.mark.parametrize("order", [(3, 2, 1, 0), (1, 3, 2, 0)])
def test_in_whatever_order_the_files_come(tmp_path: Path, fleet: Fleet, order: tuple[int, ...]) -> None:
    names = list(FILES)
    assert _told(_taken_in(tmp_path, *((names[n],) for n in order))) == _told(fleet)


def test_once_the_first_of_both_is_corrected_the_other_is_no_copy(tmp_path: Path) -> None:
    fleet = _taken_in(tmp_path, tuple(FILES))
    fleet.drop("S1_roof_0b.csv", _export(0, 5))
    fleet.take_in()
    days, flags = _told(fleet)
    assert [row[2] for row in days] == [100.0] * 4
    assert flags == []


@contextlib.contextmanager
def _reader(fleet: Fleet) -> Iterator[duckdb.DuckDBPyConnection]:
    with fleet.run() as run:
        session.publish(run)
    with contextlib.closing(duckdb.connect(str(fleet.space.reader / "noonmark.duckdb"), read_only=True)) as con:
        yield con


def test_analysts_see_nothing_where_it_was_copied_and_what_was_reported_beside_it(fleet: Fleet) -> None:
    with _reader(fleet) as con:
        counts = "SELECT CAST(ts_local AS DATE) AS day, count(load_w) FROM reading GROUP BY 1 ORDER BY 1"
        assert [row[1] for row in con.execute(counts).fetchall()] == [ROWS, ROWS, ROWS, 0]
        assert con.execute("SELECT count(load_w) FROM reading_raw").fetchone() == (4 * ROWS,)
