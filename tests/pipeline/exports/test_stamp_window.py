"""A clock that was reset, or runs years ahead, costs its own rows and no other site's peace.

The bounds are ours: a year before commissioning, two days after arrival, half a year from the file's other rows.
"""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.detection import due_days
from pipeline.runs import cycle
from tests.support.fleet import DAY, Fleet, differences, roof, sunny

pytestmark = pytest.mark.usefixtures("few_detectors")

RESET = "2000-01-01 00:00"  # where many clocks start again after a loss of power (common practice, no source)
DAYS = [DAY + timedelta(days=n) for n in range(3)]


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def with_odd(stamp: str, day: date = DAY) -> str:
    """A clear day with one row of another time."""
    return roof([*sunny(day), (stamp, 10, 400)])


ODD = {"S1": RESET, "S2": "2024-01-31 10:00", "S3": "2099-12-31 00:00"}


def test_one_odd_stamp_is_rejected_and_makes_no_day(tmp_path: Path) -> None:
    """Of three sites, each of another time; the other two have none."""
    fleet = Fleet(tmp_path, 5)
    for day in DAYS:
        for site in ("S1", "S2", "S3", "S4", "S5"):
            is_odd = day == DAYS[1] and site in ODD
            fleet.drop(f"{site}_roof_{day}.csv", with_odd(ODD[site], day) if is_odd else roof(sunny(day)))
    result = fleet.cycle(is_published=False)
    for site, stamp in ODD.items():
        assert fleet.ledger()[f"{site}_roof_{DAYS[1]}.csv"] == (97, 96, 0, 0, 1)
        of_site = "FROM rejected_row JOIN export_file USING (export_id) WHERE starts_with(path, ?)"
        ((column, value, reason),) = fleet.ask(f"SELECT column_name, value, reason {of_site}", [site])
        assert (column, value) == ("t", stamp) and reason.startswith("stamped more than")
    assert set(result.judged.days) <= {*DAYS, DAYS[-1] + timedelta(days=1)}  # the last hour UTC is the next local day
    about = "FROM finding WHERE kind IN ('readings-implausible', 'site-silent') ORDER BY site_id"
    found = fleet.ask(f"SELECT site_id, day, kind, value {about}")
    assert found == [(site, DAYS[1], "readings-implausible", 1.0) for site in ODD]
    for (summary,), stamp in zip(fleet.ask(f"SELECT summary {about}"), ODD.values(), strict=True):
        assert stamp in summary


@pytest.mark.usefixtures("only_stored")
def test_a_site_commissioned_later_takes_a_year_of_its_past_and_no_more(tmp_path: Path) -> None:
    """Commissioned on 10 March 2026: 366 days before is 9 March 2025, and the window begins a day earlier still."""
    fleet = Fleet(tmp_path, [{"site_id": "S1", "commissioned_on": "2026-03-10"}])
    past = [date(2025, 3, 9), date(2025, 3, 20), date(2025, 7, 1), date(2025, 12, 1)]
    rows = [row for day in past for row in sunny(day)]
    fleet.drop("S1_roof_a.csv", roof([*sunny(date(2025, 3, 5))[:2], *rows]))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (4 * 96 + 2, 4 * 96, 0, 0, 2)}


@pytest.mark.usefixtures("only_stored")
def test_stamps_of_a_clock_in_a_wrong_zone_are_kept(fleet: Fleet) -> None:
    """A clock up to 14 h fast is a finding's business: its rows may lie ahead of their arrival."""
    now = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    times = [now + timedelta(hours=14, minutes=-15 * n) for n in range(8)]
    late = now + timedelta(days=5)
    fleet.drop("S1_roof_a.csv", roof([(f"{at:%Y-%m-%d %H:%M}", 1, 1) for at in [*reversed(times), late]]))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (9, 8, 0, 0, 1)}
    assert "after the export arrived" in fleet.value("SELECT reason FROM rejected_row")


@pytest.mark.usefixtures("only_stored")
def test_a_year_in_one_file_and_a_long_outage_are_no_odd_stamps(fleet: Fleet) -> None:
    """Monthly rows of a year, then two thirds of a year of silence, then as many again: nobody is outvoted."""
    early = [date(2023, month, 1) for month in range(1, 13)]
    later = [date(2024, 9, 1) + timedelta(days=7 * n) for n in range(10)]
    fleet.drop("S1_roof_a.csv", roof([row for day in [*early, *later] for row in sunny(day, minutes=60)]))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (528, 528, 0, 0, 0)}


def with_reset(count: int, at: int, stamp: datetime, day: date = DAY) -> list[tuple[str, float, float]]:
    """A clear day of which `count` rows from `at` on are stamped from `stamp` on, as by a clock that was reset."""
    rows = sunny(day)
    for n in range(at, min(len(rows), at + count)):
        rows[n] = (f"{stamp + timedelta(minutes=15 * (n - at)):%Y-%m-%d %H:%M}", *rows[n][1:])
    return rows


RESETS = {
    # the rows of DAY, days known before it, rows rejected
    "amid": (with_reset(8, 40, datetime(2026, 1, 1)), 10, 8),  # noqa: DTZ001 - they would fill the day's hole
    "before its first": (with_reset(8, 88, datetime(2026, 1, 1)), 40, 8),  # noqa: DTZ001 - at the day's end
    "where it has readings": (with_reset(8, 88, datetime(2026, 1, 1)), 70, 8),  # noqa: DTZ001
    "in order": (with_reset(8, 0, datetime(2026, 1, 1)), 40, 8),  # noqa: DTZ001 - and before the site's first
    "hardly known": (with_reset(8, 88, datetime(2026, 1, 1)), 10, 0),  # noqa: DTZ001
    "stored": ([*sunny(DAY), *sunny(DAY - timedelta(days=12))[:9]], 10, 0),  # while the line was down, sent at last
    "outage": ([*sunny(DAY - timedelta(days=5))[:8], *sunny(DAY)], 10, 0),  # the last rows before it, come again
}


@pytest.fixture(scope="module")
def after_resets(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """A site for each case, without commissioned_on, that has delivered for some days before DAY; then DAY."""
    fleet = Fleet(tmp_path_factory.mktemp("resets"), len(RESETS))
    for number, (_, known_days, _) in enumerate(RESETS.values(), start=1):
        rows = [row for n in range(known_days, 0, -1) for row in sunny(DAY - timedelta(days=n), minutes=60)]
        fleet.drop(f"S{number}_roof_past.csv", roof(rows))
    fleet.take_in()
    for number, (rows, _, _) in enumerate(RESETS.values(), start=1):
        fleet.drop(f"S{number}_roof_today.csv", roof(rows))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cycle, "sum_up", lambda _: None)  # which rows are stored is all that is asked
        fleet.take_in()
    return fleet


@pytest.mark.slow
@pytest.mark.parametrize("case", RESETS)
def test_a_clock_that_was_reset_for_some_hours_costs_its_own_rows(after_resets: Fleet, case: str) -> None:
    (rows, _, rejected), path = RESETS[case], f"S{list(RESETS).index(case) + 1}_roof_today.csv"
    counts = after_resets.ledger()[path]
    assert (counts[0], counts[4]) == (len(rows), rejected)
    reasons = after_resets.ask(
        "SELECT DISTINCT reason FROM rejected_row JOIN export_file USING (export_id) WHERE path = ?", [path]
    )
    assert len(reasons) == (1 if rejected else 0) and all("as by a clock that was reset" in text for (text,) in reasons)


@pytest.mark.slow
def test_stamps_that_came_before_the_rule_are_told_and_go_when_the_history_is_made_again(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from pipeline.exports import normalise

    monkeypatch.setattr(due_days, "DAY_WINDOW", 0)  # of the days after a reading none is judged
    with monkeypatch.context() as before_the_rule:
        before_the_rule.setattr(normalise, "reject_implausible", lambda utc_us, *_: utc_us < 0)
        fleet.drop("S1_roof_a.csv", with_odd(RESET))
        fleet.cycle(is_published=False)
    fleet.cycle(is_published=False)
    told = [record.getMessage() for record in caplog.records if "--rebuild" in record.getMessage()]
    assert len(told) == 2 and told[0].startswith("noonmark: 1 reading is stamped 2000-01-01 to 2000-01-01")
    fleet.rebuild()
    caplog.clear()
    fleet.cycle(is_published=False)
    assert fleet.value("SELECT min(year(ts_utc)) FROM reading_raw") == DAY.year
    assert not [record for record in caplog.records if "--rebuild" in record.getMessage()]


@pytest.mark.slow
def test_a_history_made_again_rejects_the_same(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", with_odd(RESET))
    fleet.cycle(is_published=False)
    before = fleet.history() | {"implausible_stamp": fleet.ask("SELECT * FROM implausible_stamp")}
    fleet.rebuild()
    after = fleet.history() | {"implausible_stamp": fleet.ask("SELECT * FROM implausible_stamp")}
    assert differences(before, after) == {} and before["implausible_stamp"] == [(1, "S1", DAY, 1, RESET)]


@pytest.mark.slow
def test_days_far_from_any_reading_are_not_judged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two spans of one site six years apart, each in a file of its own: only days near a reading are walked."""
    assert due_days.DAY_WINDOW == 90
    monkeypatch.setattr(due_days, "DAY_WINDOW", 2)
    fleet = Fleet(tmp_path, 1)
    fleet.drop("S1_roof_a.csv", roof(sunny(date(2020, 3, 10))))
    fleet.drop("S1_roof_b.csv", roof(sunny(DAY)))
    judged = fleet.cycle(is_published=False).judged
    assert {date(2020, 3, 10), DAY} <= set(judged.days)
    assert len(judged.days) == (2 + 2) + 2  # a day in UTC lies in two days of Berlin
