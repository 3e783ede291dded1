"""Silence by each site's own rhythm. Common practice: offline after 24 h, or 6 daylight hours if it never reported."""

from datetime import date, timedelta

import polars as pl
import pytest

from detectors import frames
from detectors.data_quality import site_silent
from detectors.features.deliveries import SCHEMA, make
from detectors.finding import Finding, NotJudged, begins_at, cause_of, next_step_of, title_of, visit_if_of
from tests.support import build

DAY = build.DAY
PEERS = tuple({"site_id": f"peer-{n}"} for n in range(5))


def _past(site_id: str, backs, *, first_h=0.0, last_h=24.0, gap_h=0.0, device_id="") -> pl.DataFrame:
    """Deliveries of the days so many days back."""
    return build.frame(
        SCHEMA,
        [
            {"site_id": site_id, "device_id": device_id, "day": DAY - timedelta(days=back), "first_h": first_h,
             "last_h": last_h, "gap_h": gap_h, "covered_h": last_h - first_h}
            for back in backs
        ],
    )  # fmt: skip


def _today(site_id: str = "roof-1", hours: int = 24, device_id: str = "") -> pl.DataFrame:
    rows = build.readings({"pv_w": [1.0] * hours}, site_id=site_id, interval_s=3600)
    return rows.select(pl.lit(device_id).alias("device_id"), *frames.READINGS.names())


def detect(readings, days, past, sites, day):
    """The verdicts, with the day's own deliveries beside those of `past`."""
    return site_silent.detect(pl.concat([past, make(readings, sites)]), days, sites, day)


def _judge(kept, *today, sites=({},), days=None, day=DAY):
    readings = pl.concat([frames.DEVICE_READINGS.to_frame(), *today])
    days = frames.DAYS.to_frame() if days is None else days
    return detect(readings, days, kept, build.sites(*sites), day)


def test_a_whole_day_without_readings_is_found_on_that_day():
    (found,) = _judge(_past("roof-1", range(1, 30)))
    assert isinstance(found, Finding)
    assert (found.kind, found.severity, found.unit) == ("site-silent", "soon", "h")
    assert (found.value, found.threshold, found.since) == (24.0, 24.0, DAY)
    assert found.loss_kwh == 0
    assert "2025-06-10 00:00" in found.summary
    assert [(one.unit, one.at[-1], one.values[-1]) for one in found.series] == [("h", found.day.isoformat(), 0.0)]


@pytest.mark.parametrize(("back", "kwh", "severity"), [(1, 20.0, "soon"), (3, 20.0, "urgent"), (1, 120.0, "urgent")])
def test_its_severity_grows_with_time_and_with_what_nobody_sees(back, kwh, severity):
    days = build.days(*[{"pv_kwh": kwh}] * 10, last_day=DAY - timedelta(days=back))
    (found,) = _judge(_past("roof-1", range(back, 30)), days=days)
    assert (found.severity, found.evidence["unseen_kwh"]) == (severity, pytest.approx(kwh * back))
    assert f"Some {kwh * back:.0f} kWh were due meanwhile" in found.summary


def test_hours_count_from_the_last_reading_and_the_cut_day_is_the_first():
    (found,) = _judge(_past("roof-1", range(3, 30)).vstack(_past("roof-1", [2], last_h=14.5)))
    assert found.value == pytest.approx(9.5 + 48)
    assert found.since == DAY - timedelta(days=2)


def test_a_site_that_reports_is_clean():
    assert _judge(_past("roof-1", range(1, 30)), _today()) == []
    assert _judge(_past("roof-1", range(1, 30)), _today(hours=9)) == []  # 15 h: not yet


def test_rows_without_any_value_are_no_readings():
    empty = _today().with_columns(pv_w=pl.lit(None, pl.Float64))
    (found,) = _judge(_past("roof-1", range(1, 30)), empty)
    assert isinstance(found, Finding)


@pytest.mark.parametrize("back", [1, 2])
def test_every_third_day_is_a_rhythm(back):
    (verdict,) = _judge(_past("roof-1", range(back, 40, 3)))
    assert isinstance(verdict, NotJudged)
    assert "usual" in verdict.reason


def test_every_third_day_is_silent_when_the_third_day_fails():
    (found,) = _judge(_past("roof-1", range(3, 40, 3)))
    assert isinstance(found, Finding)
    assert (found.value, found.threshold) == (72.0, 72.0)  # 1.5 x 48 h


@pytest.mark.parametrize(("back", "severity"), [(3, "soon"), (4, "soon"), (5, "urgent")])
def test_what_is_waited_for_by_its_rhythm_is_as_urgent_as_others_two_days_later(back, severity):
    """Told after 72 h, as every third day is usual; others are told after 24 h and urgent after 72."""
    (found,) = _judge(_past("roof-1", range(back, 40, 3)))
    assert (found.value, found.severity) == (24.0 * back, severity)


def test_weekends_are_a_rhythm():
    sunday = date(2025, 6, 8)
    working = [n for n in range(1, 60) if (DAY - timedelta(days=n)).weekday() < 5]
    (verdict,) = _judge(_past("roof-1", [n for n in working if DAY - timedelta(days=n) < sunday]), day=sunday)
    assert isinstance(verdict, NotJudged)


def test_one_long_outage_is_no_rhythm():
    (found,) = _judge(_past("roof-1", [*range(1, 20), *range(30, 60)]))
    assert found.threshold == 24.0


def test_nights_left_out_are_no_silence():
    daylight = _past("roof-1", range(1, 30), first_h=5.0, last_h=21.0)
    assert _judge(daylight, _today(hours=20)) == []
    (found,) = _judge(daylight)
    assert isinstance(found, Finding)
    assert found.value == 27.0


def test_a_logger_that_lives_on_daylight_may_sleep_through_the_polar_night():
    far_north = {"latitude": 69.0, "longitude": 19.0, "timezone": "Europe/Oslo"}
    december = date(2025, 12, 20)
    shift = (december - DAY).days
    rows = _past("roof-1", range(20, 60), first_h=10.0, last_h=13.0).with_columns(
        pl.col("day") + pl.duration(days=shift)
    )
    (verdict,) = _judge(rows, sites=(far_north,), day=december)
    assert isinstance(verdict, NotJudged)
    assert "daylight" in verdict.reason
    whole = rows.with_columns(first_h=pl.lit(0.0), last_h=pl.lit(24.0), covered_h=pl.lit(24.0))
    (found,) = _judge(whole, sites=(far_north,), day=december)
    assert isinstance(found, Finding)


def test_a_site_that_never_reported_counts_from_its_commissioning():
    commissioned = {"site_id": "new", "commissioned_on": DAY - timedelta(days=3)}
    rows = pl.concat([_past("roof-1", range(1, 30)), _past("new", [10])])  # a trial before it was commissioned
    (found,) = _judge(rows, _today(), sites=({}, commissioned))
    assert (found.site_id, found.value, found.since) == ("new", 96.0, DAY - timedelta(days=3))
    assert found.threshold == 6.0


def test_the_first_file_of_a_new_site_is_waited_for_one_morning_more():
    for age, kind in ((0, NotJudged), (1, Finding)):
        commissioned = {"site_id": "new", "commissioned_on": DAY - timedelta(days=age)}
        (verdict,) = _judge(_past("roof-1", range(1, 30)), _today(), sites=({}, commissioned))
        assert isinstance(verdict, kind), age


def test_a_site_without_a_date_counts_from_the_fleets_first_day():
    (found,) = _judge(_past("roof-1", range(1, 11)), _today(), sites=({}, {"site_id": "new"}))
    assert (found.site_id, found.value) == ("new", 11 * 24.0)


def test_nothing_of_anybody_yet_is_no_finding():
    verdicts = _judge(SCHEMA.to_frame(), sites=({}, {"site_id": "new"}))
    assert all(isinstance(v, NotJudged) for v in verdicts)
    assert len(verdicts) == 2


def test_a_fleet_that_stops_on_one_day_is_a_delivery_problem():
    kept = pl.concat([_past(p["site_id"], range(1, 30)) for p in PEERS])
    *verdicts, found = _judge(kept, sites=PEERS)
    assert len(verdicts) == 5
    assert all(isinstance(v, NotJudged) and "delivery" in v.reason for v in verdicts)
    assert (found.kind, found.severity, found.evidence["silent_count"]) == ("delivery-missing", "soon", 5)
    assert "nothing of any site arrives, or the desk's line is down" in found.summary


@pytest.mark.parametrize(("hours", "severity"), [(48, "soon"), (72, "urgent")])
def test_a_fleet_that_is_silent_for_three_days_is_urgent(hours, severity):
    kept = pl.concat([_past(p["site_id"], range(hours // 24, 30)) for p in PEERS])
    assert _judge(kept, sites=PEERS)[-1].severity == severity


def test_a_site_that_was_silent_before_the_delivery_stopped_stays_found():
    kept = pl.concat([_past("roof-1", range(4, 30)), *(_past(p["site_id"], range(2, 30)) for p in PEERS)])
    verdicts = {v.site_id: v for v in _judge(kept, sites=({}, *PEERS))}
    assert isinstance(verdicts["roof-1"], Finding)
    assert verdicts["roof-1"].value == 96.0
    told = {p["site_id"]: verdicts[p["site_id"]] for p in PEERS}
    (first,) = [one for one in told.values() if isinstance(one, Finding)]  # all of them, at the first
    assert (first.kind, first.evidence["silent_count"]) == ("delivery-missing", 5)


def test_a_site_that_stays_silent_when_the_delivery_is_back_is_found():
    kept = pl.concat([_past("roof-1", range(2, 30)), *(_past(p["site_id"], range(2, 30)) for p in PEERS)])
    (found,) = _judge(kept, *(_today(p["site_id"]) for p in PEERS), sites=({}, *PEERS))
    assert (found.site_id, found.value) == ("roof-1", 48.0)


def test_delivery_is_compared_within_a_profile():
    other = tuple({**p, "site_id": f"b-{n}", "profile": "b"} for n, p in enumerate(PEERS[:4]))
    kept = pl.concat([_past(s["site_id"], range(1, 30)) for s in (*PEERS, *other)])
    verdicts = _judge(kept, *(_today(p["site_id"]) for p in PEERS), sites=(*PEERS, *other))
    assert {v.site_id for v in verdicts} == {s["site_id"] for s in other}
    (found,) = (v for v in verdicts if isinstance(v, Finding))
    assert (found.site_id, found.kind, found.value) == ("b-0", "delivery-missing", 24.0)
    assert "4 of 4 sites of profile b fell silent at once" in found.summary
    assert found.evidence["sites_text"] == "b-0, b-1, b-2, b-3"
    assert found.evidence["profile_name"] == "b"


def test_a_delivery_of_several_profiles_is_named_after_none():
    mixed = tuple({**p, "profile": "ab"[n % 2]} for n, p in enumerate(PEERS[:4]))
    found = _judge(pl.concat([_past(s["site_id"], range(1, 30)) for s in mixed]), sites=mixed)[-1]
    assert isinstance(found, Finding) and found.kind == "delivery-missing"
    assert found.evidence["profile_name"] is None and "of profile" not in found.summary


def test_a_day_cut_in_its_first_hours_is_silent_if_its_neighbours_go_on():
    kept = pl.concat([_past(s["site_id"], range(1, 30)) for s in ({"site_id": "roof-1"}, *PEERS)])
    peers = [_today(p["site_id"]) for p in PEERS]
    (found,) = _judge(kept, _today(hours=2), *peers, sites=({}, *PEERS))
    assert (found.site_id, found.value, found.since) == ("roof-1", 22.0, DAY)
    short = [_today(p["site_id"], hours=2) for p in PEERS]  # files by another clock: all of them end there
    assert _judge(kept, _today(hours=2), *short, sites=({}, *PEERS)) == []


def test_one_silent_device_of_several_is_named_and_no_loss():
    kept = pl.concat([_past("roof-1", range(1, 30), device_id="A"), _past("roof-1", range(3, 30), device_id="B")])
    (found,) = _judge(kept, _today(device_id="A"))
    assert (found.severity, found.value, found.loss_kwh) == ("soon", 72.0, 0.0)
    assert found.evidence["device_name"] == "B"
    assert title_of(site_silent.KINDS[found.kind], found.evidence) == "No readings arrive of device B"
    assert title_of(site_silent.KINDS[found.kind], {}) == "No readings arrive"  # of a whole site
    assert "device B" in found.summary
    assert found.since == DAY - timedelta(days=2)
    assert _judge(kept, _today(device_id="A"), _today(device_id="B")) == []
    (whole,) = _judge(kept)
    assert whole.value == 24.0
    assert "device_name" not in whole.evidence


def test_rows_from_before_the_devices_were_registered_are_no_device():
    kept = pl.concat([_past("roof-1", range(9, 30)), _past("roof-1", range(1, 9), device_id="A")])
    assert _judge(kept, _today(device_id="A")) == []


def test_site_days_stand_in_where_nothing_was_kept():
    days = build.days(*({} for _ in range(10)), last_day=DAY - timedelta(days=2))
    (found,) = _judge(SCHEMA.to_frame(), days=days)
    assert found.value == 48.0


def test_what_is_kept_of_a_day():
    rows = _today(hours=24).filter(~pl.col("ts_local").dt.hour().is_in([7, 8, 9]))
    (kept,) = make(rows, build.sites()).iter_rows(named=True)
    assert (kept["first_h"], kept["last_h"], kept["gap_h"], kept["covered_h"]) == (0.0, 24.0, 3.0, 21.0)
    assert (kept["site_id"], kept["device_id"], kept["day"]) == ("roof-1", "", DAY)
    assert make(rows.clear(), build.sites()).schema == SCHEMA


def test_late_data_change_what_is_said():
    kept = _past("roof-1", range(2, 30))
    assert isinstance(_judge(kept)[0], Finding)
    assert _judge(kept, _today()) == []


def test_what_came_back_three_times_is_a_rhythm_and_one_return_does_for_a_young_site():
    days = [n for n in range(2, 42) if n not in (10, 11, 20, 21, 30, 31)]
    (verdict,) = _judge(_past("roof-1", days))
    assert isinstance(verdict, NotJudged)
    (verdict,) = _judge(_past("roof-1", [2, 3, 4, 7, 8, 9]))
    assert isinstance(verdict, NotJudged)
    (found,) = _judge(_past("roof-1", [n for n in range(2, 42) if n not in (10, 11, 20, 21)]))
    assert isinstance(found, Finding)


def _arrivals(late_days: list[int], *, hour: float = 6.5, site_id: str = "roof-1") -> pl.DataFrame:
    """Deliveries of the days up to yesterday, each so many mornings later than a punctual one; newest first."""
    rows = [
        {
            "site_id": site_id,
            "day": DAY - timedelta(days=n),
            "hour": hour,
            "before_day": DAY - timedelta(days=n + late + 2),
        }
        for n, late in enumerate(late_days)
    ]
    return build.frame(frames.ARRIVALS, rows)


def _silent_for(count: int, arrivals: pl.DataFrame | None) -> list:
    past = _past("roof-1", range(count, 40))
    nothing = frames.DEVICE_READINGS.to_frame()
    deliveries = pl.concat([past, make(nothing, build.sites({}))])
    return site_silent.detect(deliveries, frames.DAYS.to_frame(), build.sites({}), DAY, arrivals)


@pytest.mark.parametrize("late", [[2, 3] * 10, [3] * 8 + [2] * 4, [0, 0, 3, 0, 2] * 4, [0] * 30 + [1, 9, 2, 1, 1]])
def test_a_site_whose_files_come_days_late_is_silent_only_beyond_its_own_rhythm(late):
    """A single wait of more than twice the next longest was an outage; what scatters may be exceeded."""
    arrivals = _arrivals(late)
    for count in (1, 2, 3):
        (told,) = _silent_for(count, arrivals)
        assert isinstance(told, NotJudged) and "up to 3 d late" in told.reason
    (found,) = _silent_for(4, arrivals)
    assert isinstance(found, Finding) and (found.value, found.threshold) == (96.0, 96.0)


def test_a_site_of_one_delivery_is_waited_for_like_a_new_one_beside_others_that_deliver():
    arrivals = _arrivals([0] * 20, site_id="another")
    assert [type(_silent_for(count, arrivals)[0]) for count in (1, 2)] == [NotJudged, Finding]


def test_a_file_that_was_late_once_or_twice_is_waited_for_one_morning_more():
    arrivals = _arrivals([0] * 20 + [2] + [0] * 10 + [1] + [0] * 10)
    assert [type(_silent_for(count, arrivals)[0]) for count in (1, 2)] == [NotJudged, Finding]


@pytest.mark.parametrize(
    "arrivals",
    [
        None,
        _arrivals([0] * 20),  # each morning the day before
        build.frame(frames.ARRIVALS, []),  # all of its history came at once
        _arrivals([0] * 9 + [12] + [0] * 10),  # one long outage, whose readings came at last
        _arrivals([-2] * 20, hour=23.0),  # every few minutes
    ],
    ids=["not known", "punctual", "at once", "one outage", "all day long"],
)
def test_without_such_a_rhythm_a_day_without_readings_is_told_at_once(arrivals):
    (found,) = _silent_for(1, arrivals)
    assert isinstance(found, Finding) and found.threshold == 24.0


@pytest.mark.parametrize(
    ("late", "silent_h"), [([0], 48.0), ([0, 0, 0, 0], 48.0), ([0, 3, 0], 120.0), ([0] * 9, 48.0), ([0] * 10, 24.0)]
)
def test_until_ten_deliveries_show_a_rhythm_one_morning_beyond_the_latest_is_waited_for(late, silent_h):
    days = int(silent_h) // 24
    waited = _silent_for(days - 1, _arrivals(late))
    assert all(isinstance(one, NotJudged) and f"after {silent_h:.0f} h" in one.reason for one in waited)
    (found,) = _silent_for(days, _arrivals(late))
    assert isinstance(found, Finding) and found.threshold == silent_h


def test_what_always_comes_in_the_afternoon_is_waited_for_until_the_next_morning():
    arrivals = _arrivals([0] * 20, hour=14.0)
    assert [type(_silent_for(count, arrivals)[0]) for count in (1, 2)] == [NotJudged, Finding]


def test_nobody_is_waited_for_longer_than_a_fortnight():
    (found,) = _silent_for(15, _arrivals([30] * 20))
    assert isinstance(found, Finding) and found.threshold == 15 * 24


def _unread(*files: tuple[str, int], device_id: str = "") -> pl.DataFrame:
    """Files in quarantine: of a site, set aside so many days back."""
    rows = [
        {"site_id": site_id, "device_id": device_id, "came_on": DAY - timedelta(days=back),
         "file_name": f"{site_id}-{back}.csv", "reason": "its header lacks column 'pv'"}
        for site_id, back in files
    ]  # fmt: skip
    return build.frame(frames.QUARANTINED_FILES, rows)


def _with_quarantine(deliveries: pl.DataFrame, unread: pl.DataFrame, *sites: dict) -> list:
    return site_silent.detect(
        deliveries, frames.DAYS.to_frame(), build.sites(*sites or ({},)), DAY, quarantined_files=unread
    )


def test_a_silent_site_whose_exports_lie_in_quarantine_sends_nobody():
    unread = _unread(("roof-1", 20), ("roof-1", 1), ("roof-1", 0), ("other", 0))
    (found,) = _with_quarantine(_past("roof-1", range(3, 30)), unread)
    kind = site_silent.KINDS[found.kind]
    assert found.evidence["quarantined_count"] == 2  # what came before the silence is none of it
    assert f"2 files lie in quarantine since {DAY - timedelta(days=1)}" in found.summary
    assert "roof-1-1.csv: its header lacks column 'pv'" in found.summary
    assert "cannot be read" in cause_of(kind, found.evidence) and "quarantine/" in next_step_of(kind, found.evidence)
    assert begins_at(kind, found.evidence) == "desk" and visit_if_of(kind, found.evidence)


@pytest.mark.parametrize("unread", [_unread(), _unread(("roof-1", 20)), _unread(("other", 0))])
def test_a_silent_site_without_such_exports_is_for_a_visit(unread):
    (found,) = _with_quarantine(_past("roof-1", range(3, 30)), unread)
    assert begins_at(site_silent.KINDS[found.kind], found.evidence) == "site"
    assert "quarantine" not in found.summary


@pytest.mark.parametrize(("device_id", "where"), [("B", "desk"), ("A", "site")])
def test_the_unread_exports_of_a_device_are_its_own(device_id, where):
    both = pl.concat([_past("roof-1", range(30), device_id="A"), _past("roof-1", range(3, 30), device_id="B")])
    (found,) = _with_quarantine(both, _unread(("roof-1", 1), device_id=device_id))
    assert begins_at(site_silent.KINDS[found.kind], found.evidence) == where


@pytest.mark.parametrize(("count", "is_told"), [(4, True), (2, False)])
def test_sites_that_fell_silent_together_since_their_exports_cannot_be_read(count, is_told):
    names = [f"roof-{n}" for n in range(4)]
    past = pl.concat([*(_past(name, range(2, 30)) for name in names), _past("peer", range(30), first_h=0.0)])
    unread = _unread(*((name, 1) for name in names[:count]))
    (found,) = [
        one for one in _with_quarantine(past, unread, *({"site_id": name} for name in (*names, "peer")))
        if isinstance(one, Finding)
    ]  # fmt: skip
    assert found.kind == "delivery-missing"
    assert ("cannot be read" in cause_of(site_silent.KINDS[found.kind], found.evidence)) == is_told
