"""Feed-in beyond the limit, and the look-alikes: transients, regulating, reversed sensors, gaps."""

from datetime import date, timedelta

import polars as pl
import pytest

from detectors.features import meter_signs
from detectors.features.feed_in_transients import make
from detectors.finding import Finding, NotJudged
from detectors.grid.feed_in_transients import buffer_advice
from detectors.grid.unexpected_export import detect
from tests.support import build

NO_EXPORT = {"feed_in_limit_kw": 0.0}
SUNNY = [0.0] * 72 + [3000.0] * 144 + [0.0] * 72


def _verdicts(grid_w, pv_w=SUNNY, *, site=NO_EXPORT, earlier=(), interval_s=300, **channels):
    readings = build.readings({"pv_w": pv_w, "grid_w": grid_w, **channels}, interval_s=interval_s)
    return detect(readings, build.sites(site), build.earlier(*earlier), build.DAY)


def _with(base, values, length=288):
    grid = [base] * length
    for place, value in values.items():
        grid[place] = value
    return grid


def test_two_intervals_in_a_row_are_raised_with_their_energy():
    (found,) = _verdicts(_with(200.0, {150: -1500.0, 151: -900.0}))
    assert (found.kind, found.severity, found.unit) == ("unexpected-export", "urgent", "kWh")
    assert found.value == pytest.approx((1500 + 900) * 5 / 60 / 1000)
    assert found.loss_kwh == 0
    assert found.evidence["worst_w"] == 1500
    assert found.evidence["worst_utc"] == "2025-06-10T10:30:00Z"  # 150 x 5 min after midnight, UTC+2
    assert found.evidence["beyond_min"] == 10
    course, limit, by_hour = found.series
    assert (course.unit, len(course.at), limit.role, limit.values) == ("W", 96, "limit", [0.0, 0.0])
    assert dict(zip(by_hour.at, by_hour.values, strict=True))["2025-06-10T10:00:00Z"] == pytest.approx(0.2)
    assert sum(by_hour.values) == pytest.approx(found.value, abs=1e-3)


def test_after_a_night_that_showed_a_turned_sensor_feed_in_is_not_believed_until_one_shows_it_right():
    def night(days_ago, grid_w):
        day = build.DAY - timedelta(days=days_ago)
        rows = build.readings({"pv_w": SUNNY, "grid_w": [grid_w] * 288, "battery_w": [0.0] * 288}, day=day)
        return meter_signs.make(rows, build.sites(NO_EXPORT))

    def told(*signs):
        readings = build.readings({"pv_w": SUNNY, "grid_w": _with(200.0, {150: -1500.0, 151: -900.0})})
        return detect(
            readings, build.sites(NO_EXPORT), build.earlier(), build.DAY, meter_signs=pl.concat(signs)
        )  # fmt: skip

    (verdict,) = told(night(3, -250.0))
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "grid-sign"
    assert isinstance(told(night(3, -250.0), night(2, 250.0))[0], Finding)
    assert isinstance(told(night(15, -250.0))[0], Finding)


@pytest.mark.parametrize("is_sign", [True, False])
def test_feed_in_of_what_was_kept_up_is_export_only_where_the_house_takes_what_it_took(is_sign):
    """+150 W by day and night for a week, then -150 W: the sensor's sign, or a regulator that was told to feed in."""
    load = [400.0 + 40.0 * (n % 7) for n in range(288)]

    def rows(days_ago, grid_w, true_w):
        """All of the load is given by a battery, but for what truly flows from the grid."""
        course = {"pv_w": [0.0] * 288, "grid_w": [grid_w] * 288, "battery_w": [one - true_w for one in load]}
        return build.readings(course, day=build.DAY - timedelta(days=days_ago))

    site = build.sites({**NO_EXPORT, "battery_kwh": 10.0})
    today = rows(0, -150.0, 150.0 if is_sign else -150.0)
    signs = meter_signs.make(pl.concat([*(rows(n, 150.0, 150.0) for n in range(1, 8)), today]), site)
    (verdict,) = detect(today, site, build.earlier(), build.DAY, meter_signs=signs)
    assert isinstance(verdict, NotJudged if is_sign else Finding)


def test_single_intervals_after_load_drops_are_transients():
    assert _verdicts(_with(200.0, {100: -1200.0, 130: -900.0, 170: -1500.0, 200: -800.0})) == []


def test_transients_that_add_up_are_raised_all_the_same():
    (found,) = _verdicts(_with(200.0, dict.fromkeys(range(80, 210, 10), -2000.0)))
    assert found.evidence["transients_count"] == 13
    assert found.value == pytest.approx(13 * 2000 / 12000)


def test_two_intervals_apart_by_a_gap_are_not_in_a_row():
    readings = build.readings({"pv_w": SUNNY, "grid_w": _with(200.0, {150: -900.0, 152: -900.0})})
    readings = readings.filter(pl.int_range(pl.len()) != 151)
    assert detect(readings, build.sites(NO_EXPORT), build.earlier(), build.DAY) == []


def test_regulating_within_the_tolerance_is_clean():
    # 10 kW: 1 % is 100 W
    assert _verdicts([-90.0] * 288) == []
    assert len(_verdicts([200.0] * 72 + [-110.0] * 144 + [200.0] * 72)) == 1


def test_the_buffer_and_a_coarse_meter_widen_the_tolerance():
    site = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 500.0}
    day = [200.0] * 72 + [-400.0] * 144 + [200.0] * 72
    assert _verdicts(day, site=site) == []
    coarse = [float(500 * (n % 12)) for n in range(72)] + [-500.0] * 144 + [500.0] * 72
    assert _verdicts(coarse) == []
    fine = [float(50 * (n % 12)) for n in range(72)] + [-500.0] * 144 + [500.0] * 72
    assert len(_verdicts(fine)) == 1


def test_a_limit_above_zero_counts_only_what_passes_it():
    (found,) = _verdicts([200.0] * 100 + [-4000.0] * 12 + [200.0] * 176, site={"feed_in_limit_kw": 3.0})
    assert found.value == pytest.approx(1.0)  # 1 kW for an hour
    assert found.evidence["limit_w"] == 3000
    assert _verdicts([-2900.0] * 288, pv_w=[3500.0] * 288, site={"feed_in_limit_kw": 3.0}) == []


def test_no_limit_no_verdict():
    assert [v.reason.code for v in _verdicts([-9000.0] * 288, site={})] == ["no-feed-in-limit"]


def test_feed_in_at_night_out_of_nothing_is_the_sensor_not_export():
    (verdict,) = _verdicts([-300.0] * 288)
    assert isinstance(verdict, NotJudged)
    assert "sensor" in verdict.reason


def test_half_an_hour_out_of_nothing_is_neither_export_nor_doubt():
    assert _verdicts([200.0] * 10 + [-900.0] * 6 + [200.0] * 272) == []


def test_feed_in_at_night_out_of_the_battery_is_export():
    battery = [2000.0] * 36 + [0.0] * 252
    grid = [-1500.0] * 36 + [200.0] * 252
    (found,) = _verdicts(grid, site={**NO_EXPORT, "battery_kwh": 10.0}, battery_w=battery)
    assert isinstance(found, Finding)
    assert found.value == pytest.approx(1.5 * 3)


def test_a_battery_that_is_not_read_may_be_what_feeds_in():
    (found,) = _verdicts([-1500.0] * 36 + [200.0] * 252, site={**NO_EXPORT, "battery_kwh": 10.0})
    assert isinstance(found, Finding)


def test_a_sensor_known_to_be_reversed_is_not_judged():
    (verdict,) = _verdicts(_with(200.0, {150: -1500.0, 151: -900.0}), earlier=[("roof-1", "meter-reversed")])
    assert isinstance(verdict, NotJudged)


@pytest.mark.parametrize(("grid_w", "raised"), [(-600.0, True), (-200.0, False)])
def test_one_hourly_mean_stands_for_more_than_a_transient(grid_w, raised):
    # 10 kW for 2 min is 0.33 kWh: a mean of 333 W over the hour
    pv = [0.0] * 6 + [3000.0] * 12 + [0.0] * 6
    assert bool(_verdicts(_with(200.0, {12: grid_w}, 24), pv, interval_s=3600)) is raised


def test_half_of_the_daylight_must_be_seen():
    missing = [200.0] * 110 + [None] * 178
    (verdict,) = _verdicts(missing)
    assert isinstance(verdict, NotJudged)
    assert "% of the daylight" in verdict.reason
    assert _verdicts([None] * 72 + [200.0] * 144 + [None] * 72) == []
    (found,) = _verdicts(_with(None, {150: -1500.0, 151: -900.0}))
    assert isinstance(found, Finding)  # what was seen is proof enough


def test_no_grid_meter_or_no_readings_is_not_judged():
    for readings in (build.readings({"pv_w": SUNNY}), build.readings({"pv_w": SUNNY}).clear()):
        (verdict,) = detect(readings, build.sites(NO_EXPORT), build.earlier(), build.DAY)
        assert isinstance(verdict, NotJudged)


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"), [(-37.0, 175.0, "Pacific/Auckland"), (34.0, -118.0, "America/Los_Angeles")]
)
def test_the_daylight_is_that_of_the_site_on_the_other_side_of_the_world(latitude, longitude, zone):
    site = {**NO_EXPORT, "latitude": latitude, "longitude": longitude, "timezone": zone}
    grid = [None] * 96 + [200.0] * 110 + [None] * 82
    readings = build.readings({"grid_w": grid}, timezone=zone, day=date(2025, 6, 10))
    assert detect(readings, build.sites(site), build.earlier(), build.DAY) == []


def test_phases_are_in_the_evidence_where_they_are_read():
    grid = [200.0] * 100 + [-1200.0] * 12 + [200.0] * 176
    one = [value / 2 for value in grid]
    (found,) = _verdicts(grid, grid_l1_w=one, grid_l2_w=one)
    assert found.evidence["fed_in_l1_kwh"] == pytest.approx(0.6)
    assert "fed_in_l3_kwh" not in found.evidence


def _days_of_transients(transients_w, *, days=8, site=NO_EXPORT, interval_s=300, base=20.0):
    """Kept rows of days up to the builders' day, each with the same transients after noon, held at 20 W besides."""
    length = 86400 // interval_s
    grid = [base] * length
    for n, watts in enumerate(transients_w):
        grid[length // 2 + 3 * n] = -watts
    pv = [3000.0 if length // 4 <= n < 3 * length // 4 else 0.0 for n in range(length)]
    rows = pl.concat(
        [
            build.readings({"pv_w": pv, "grid_w": grid}, day=build.DAY - timedelta(days=n), interval_s=interval_s)
            for n in range(1, days + 1)
        ]
    )
    return make(rows, build.sites(site))


def test_the_buffer_is_the_one_that_keeps_nineteen_twentieths_of_the_transients_energy_in():
    transients = [30.0, 50.0, 50.0, 80.0, 120.0]  # W, 330 in all: up to 16.5 may be left
    (advice,) = buffer_advice(_days_of_transients(transients), build.sites(NO_EXPORT)).to_dicts()
    # 110 W more leave 120 - 110 = 10 of 330; 100 W more leave 20, too much
    assert advice["advised_buffer_w"] == 20 + 110
    assert advice["prevented_pct"] == pytest.approx(100 * (1 - 10 / 330))
    assert (advice["transients_per_day"], advice["transients_count"], advice["days_count"]) == (5.0, 40, 8)
    assert (advice["median_transient_min"], advice["longest_transient_min"]) == (5.0, 5.0)
    assert advice["transients_kwh"] == pytest.approx(8 * 330 * 5 / 60 / 1000)
    # Held at its limit for 12 hours of generation less five transients
    assert advice["more_import_kwh_per_day"] == pytest.approx(0.110 * (12 - 5 * 5 / 60), rel=0.03)


def test_the_advice_stays_within_customary_buffers_and_wants_enough_to_go_by():
    known = build.sites(NO_EXPORT)
    (wild,) = buffer_advice(_days_of_transients([3000.0] * 6), known).to_dicts()
    assert wild["advised_buffer_w"] == 500
    assert wild["prevented_pct"] == pytest.approx(16)  # 480 of 3,000 W
    for kept in (_days_of_transients([80.0] * 5, days=4), _days_of_transients([], days=8)):
        (none,) = buffer_advice(kept, known).to_dicts()
        assert none["advised_buffer_w"] is None
    # An hour's mean hides a transient of seconds
    assert buffer_advice(_days_of_transients([80.0] * 3, interval_s=3600), known).is_empty()


def test_days_under_another_buffer_tell_nothing_of_this_one():
    assert buffer_advice(
        _days_of_transients([80.0] * 6), build.sites({**NO_EXPORT, "feed_in_buffer_w": 100.0})
    ).is_empty()


def test_feed_in_that_lasts_is_no_transient():
    grid = [20.0] * 100 + [-400.0] * 24 + [20.0] * 20 + [-60.0] + [20.0] * 143
    kept = make(build.readings({"pv_w": SUNNY, "grid_w": grid}), build.sites(NO_EXPORT))
    assert kept["transient_w"].to_list() == [[60.0]]
    assert kept["transients_count"].to_list() == [1]


def test_the_finding_carries_the_advice():
    rows = build.readings({"pv_w": SUNNY, "grid_w": _with(200.0, {150: -1500.0, 151: -900.0})})
    kept = _days_of_transients([30.0, 50.0, 50.0, 80.0, 120.0])
    (found,) = detect(rows, build.sites(NO_EXPORT), build.earlier(), build.DAY, kept)
    assert found.evidence["advised_buffer_w"] == 130
    assert "5.0 transients a day" in found.evidence["transients_text"]


def test_where_the_buffer_of_today_is_not_known_the_advice_says_by_how_much_more():
    rows = build.readings({"pv_w": SUNNY, "grid_w": _with(200.0, {150: -1500.0, 151: -900.0})})
    unknown = {**NO_EXPORT, "feed_in_buffer_w": None}
    past = _days_of_transients([30.0, 50.0, 50.0, 80.0, 120.0], site=unknown)
    (found,) = detect(rows, build.sites(unknown), build.earlier(), build.DAY, past)
    assert found.evidence["buffer_w"] is None
    assert "W more buffer than now" in found.evidence["transients_text"]


def test_what_lasts_and_gives_next_to_nothing_is_the_regulator():
    """Two means of 150 W are 25 Wh; 10 kW for 36 s are 100 Wh."""
    assert _verdicts(_with(200.0, {150: -150.0, 151: -150.0})) == []
    (found,) = _verdicts(_with(200.0, {150: -700.0, 151: -650.0}))
    assert found.evidence["explained_kwh"] == pytest.approx(0.1)
    assert found.evidence["explained_w"] == pytest.approx(100.0)
    assert "explain 0.10 kWh and 100 W" in found.summary


def test_a_counter_of_few_steps_is_not_export():
    """A counter of 0.1 kWh at 5 min shows 0, 1200, 2400 W: one step out now and then, two in a row, is rounding."""
    imports = {n: 1200.0 * (n // 12 % 4) for n in range(0, 288, 12)}
    coarse = _with(0.0, {**imports, 150: -1200.0, 151: -1200.0})
    assert _verdicts(coarse) == []
    (found,) = _verdicts(_with(0.0, {**imports, **dict.fromkeys(range(150, 160), -2400.0)}))
    assert found.evidence["meter_step_w"] == 1200.0


def test_what_its_own_regulation_lets_out_on_other_days_is_explained():
    """Five transients of 1 kW a day give 0.42 kWh: a run of 0.2 kWh is no more than that, one of 0.5 kWh is."""
    kept = _days_of_transients([1000.0] * 5)
    for run_w, raised in ((1200.0, False), (3000.0, True)):
        rows = build.readings({"pv_w": SUNNY, "grid_w": _with(200.0, {150: -run_w, 151: -run_w})})
        assert bool(detect(rows, build.sites(NO_EXPORT), build.earlier(), build.DAY, kept)) is raised


def test_what_is_at_stake_is_energy_and_money():
    (found,) = _verdicts(_with(200.0, dict.fromkeys(range(100, 124), -1500.0)))
    (stake,) = found.losses
    assert (stake.kwh, stake.cost, stake.basis) == (pytest.approx(3.0), pytest.approx(0.24), "fed in beyond the limit")
    assert (found.loss_kwh, found.cost) == (0.0, 0.0)
    assert found.evidence["at_stake_text"] == "0.24 EUR at the feed-in price"
