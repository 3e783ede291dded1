"""What `status` says at a glance: lag of data by each profile's own rhythm, the disk, what was last and comes next."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.commands import quick_status, status_text
from pipeline.commands.cli import main
from pipeline.runs import disk, session
from pipeline.runs.status import status
from tests.support.fleet import Fleet, roof, stamps, sunny, table

MB = 10**6


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory, no_detectors: None) -> Fleet:  # noqa: ARG001
    """Profile `roof` came each night for ten nights and then no more; `meter` came twice, an hour ago the last time."""
    made = Fleet(tmp_path_factory.mktemp("status") / "desk", 1)
    now = datetime.now(UTC).replace(microsecond=0)
    made.drop("S1_roof_a.csv", roof(sunny(now.date() - timedelta(days=3))))
    made.drop(
        "meter_1.csv", table("site,t,grid", [("S1", t, -5) for t in stamps(8, day=now.date() - timedelta(days=1))])
    )
    made.cycle()
    with made.run() as run:
        execute = run.store.con.execute
        for night in range(1, 10):
            execute(
                "INSERT INTO export_file BY NAME SELECT * REPLACE (100 * ? AS export_id, sha256 || ? AS sha256, "
                "CAST(? AS TIMESTAMPTZ) AS taken_in_at) FROM export_file WHERE profile = 'roof' AND export_id < 100",
                [night, str(night), now - timedelta(days=12 - night)],
            )
        for profile, ago in (("roof", timedelta(days=12)), ("meter", timedelta(hours=1))):
            execute(
                "UPDATE export_file SET taken_in_at = ? WHERE profile = ? AND export_id < 100", [now - ago, profile]
            )
        execute("DELETE FROM disk_day")
        for back, held in ((20, 1), (10, 100), (0, 300)):
            execute("INSERT INTO disk_day VALUES (?, ?, 0, 0)", [now.date() - timedelta(days=back), held * MB])
        session.publish(run)
    return made


def test_a_profile_is_late_by_its_own_rhythm(fleet: Fleet) -> None:
    nightly = {row["profile"]: row for row in status(fleet.space)["data"]}
    roofs, meters = nightly["roof"], nightly["meter"]
    assert (roofs["usual_gap_h"], roofs["last_arrival_h_ago"], roofs["is_late"]) == (
        24.0,
        pytest.approx(72, abs=0.5),
        True,
    )
    assert 48 < roofs["lag_h"] < 96  # the newest stamp is of three days ago, 23:45 UTC
    assert (meters["usual_gap_h"], meters["is_late"]) == (None, None)  # twice is no rhythm
    assert meters["last_arrival_h_ago"] == pytest.approx(1, abs=0.2)


def test_the_disk_is_full_one_day(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = disk.shutil.disk_usage(fleet.space.root)
    monkeypatch.setattr(disk.shutil, "disk_usage", lambda _: usage._replace(free=90 * MB))
    found = status(fleet.space)
    # 200 MB in the last 10 days; what is older than 14 days does not count
    assert found["disk"]["growth_bytes_per_day"] == 20 * MB and found["disk"]["days_until_full"] == 4
    assert "the disk is full in 4 days" in found["problems"][0]
    monkeypatch.setattr(disk.shutil, "disk_usage", lambda _: usage._replace(free=900 * MB))
    assert status(fleet.space)["problems"] == []


def test_growth_needs_two_days_and_shrinking_fills_no_disk(tmp_path: Path) -> None:
    day = {"day": date(2026, 5, 1), "workspace_bytes": 5}
    assert disk.facts(tmp_path, [])["workspace_bytes"] is None
    assert disk.facts(tmp_path, [day])["growth_bytes_per_day"] is None
    shrunk = disk.facts(tmp_path, [day, {"day": date(2026, 5, 3), "workspace_bytes": 1}])
    assert (shrunk["growth_bytes_per_day"], shrunk["days_until_full"]) == (-2, None)


def test_the_workspace_is_measured_without_following_links(tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "file").write_bytes(b"x" * 1000)
    (tmp_path / "a" / "link").symlink_to(tmp_path / "a" / "b" / "file")
    assert disk.bytes_of(tmp_path) == 1000


def test_rows_last_good_and_next_runs(fleet: Fleet, capsys: pytest.CaptureFixture[str]) -> None:
    found = status(fleet.space)
    assert found["history"]["rows"]["site_day"] > 0 and found["last_good_run_at"] is not None
    assert found["next_runs"] == {}
    now = datetime.now(UTC).isoformat()
    beat = {
        "pid": 1, "started_at": now, "beat_at": now, "stopped_at": None, "jobs": {}, "ingest_every_min": 5,
        "digest_at": "06:30", "timezone": "UTC", "next_runs": {"cycle": "2026-05-07T06:30:00+00:00"},
    }  # fmt: skip
    fleet.space.heartbeat_file.write_text(json.dumps(beat))
    assert status(fleet.space)["next_runs"] == beat["next_runs"]
    assert main(["-w", str(fleet.space.root), "status"]) == 0
    said = capsys.readouterr().out
    assert "next cycle       2026-05-07T06:30:00+00:00" in said and "(LATE)" in said
    fleet.space.heartbeat_file.unlink()


def test_equal_reasons_in_quarantine_are_one_line(fleet: Fleet, capsys: pytest.CaptureFixture[str]) -> None:
    fleet.space.quarantine.mkdir(exist_ok=True)
    for number in range(190):
        name = f"S9_roof_{number}.csv"
        (fleet.space.quarantine / name).write_text("x")
        (fleet.space.quarantine / f"{name}.reason.txt").write_text("no site S9 in the register\n\nfrom: x\n")
    main(["-w", str(fleet.space.root), "status"])
    assert capsys.readouterr().out.count("no site S9") == 1
    assert len(status(fleet.space)["quarantined"]) == 190


@pytest.mark.parametrize("words", [["status"], ["status", "--json"]])
def test_the_quick_way_gives_what_the_parser_gives(
    fleet: Fleet, words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    at = datetime.now(UTC)

    class Still(datetime):
        @classmethod
        def now(cls, *_: object) -> datetime:
            return at

    monkeypatch.setattr("pipeline.runs.status.datetime", Still)
    usage = disk.shutil.disk_usage(fleet.space.root)
    monkeypatch.setattr(disk.shutil, "disk_usage", lambda _: usage)
    for place in (["-w", str(fleet.space.root)], [f"--workspace={fleet.space.root}"]):
        assert quick_status.answered([*place, *words]) == main([*place, *words]) == 0
        both = capsys.readouterr().out
        assert both[: len(both) // 2] == both[len(both) // 2 :] and len(both) > 200


@pytest.mark.parametrize(
    "words", [[], ["status", "--help"], ["sql"], ["-w"], ["-w", "x"], ["--json", "status"], ["status", "x"]]
)
def test_all_else_is_left_to_the_parser(words: list[str]) -> None:
    assert quick_status.plainly_asked(words) is None


@pytest.mark.parametrize(("hours", "text"), [(0.002, "0 min"), (0.4, "24 min"), (1.0, "1.0 h"), (80.0, "3 d")])
def test_a_span_is_told_in_the_unit_that_fits_it(hours: float, text: str) -> None:
    assert status_text.span(hours) == text
