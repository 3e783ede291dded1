"""The clock's verdict on simulated roofs whose true error is known (tests/support/clock_roofs; its sun is pvlib's).

Figures over many sites are in tests/benches/clock_truth.py; here each kind has its case and its nearest neighbour.
"""

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from astral import Observer
from astral.sun import sunrise

from detectors.clock import clock
from detectors.clock.light import LIGHT, light_onsets
from detectors.clock.offset import Offset, contradict, is_scattered
from detectors.finding import Finding, NotJudged
from tests.support.clock_roofs import (
    Error,
    Roof,
    constant,
    drift,
    fleet,
    readings,
    register,
    right,
    step,
)
from tests.support.clock_verdicts import FIRST, ROOF, judge, light_of, only


@pytest.mark.parametrize("interval", [5, 15, 30, 60])
@pytest.mark.parametrize("minutes", [60.0, -60.0, -480.0, 720.0])
def test_a_constant_offset_is_told_with_its_size(interval: int, minutes: float) -> None:
    last = FIRST + timedelta(days=9)
    finding = only(judge(light_of(constant(minutes), 10, interval), last))
    assert finding.kind == "time-zone-wrong" and finding.unit == "min" and finding.severity == "soon"
    off = abs(finding.value - minutes)
    off = min(off, 1440 - off)  # half a day late looks as half a day early
    assert off <= (12 if interval == 60 else 6) and off <= finding.evidence["uncertainty_min"]
    assert finding.since == FIRST and finding.day == last
    # At hourly sampling an hour does not always leave a whole interval in the dark.
    assert finding.evidence["certainty_text"] == "certain" or (interval == 60 and abs(minutes) == 60)


@pytest.mark.parametrize("interval", [5, 15, 30, 60])
def test_a_right_clock_and_an_offset_below_the_resolution_are_silent(interval: int) -> None:
    last = FIRST + timedelta(days=20)
    assert judge(light_of(right, 21, interval), last) == []
    assert judge(light_of(constant(min(interval, 12.0)), 21, interval), last) == []


def test_one_day_with_generation_in_the_dark_decides() -> None:
    finding = only(judge(light_of(constant(-180.0), 1), FIRST))
    assert finding.kind == "time-zone-wrong"
    assert finding.evidence["certainty_text"] == "certain"
    assert finding.value == pytest.approx(-180, abs=15)


def test_a_right_clock_of_few_days_is_not_judged_yet() -> None:
    verdicts = judge(light_of(right, 3), FIRST + timedelta(days=2))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "5 settle it" in verdicts[0].reason


def test_half_an_interval_at_slow_sampling_is_left_open() -> None:
    verdicts = judge(light_of(constant(30.0), 30, 60), FIRST + timedelta(days=29))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "finer than the interval" in verdicts[0].reason


def test_one_interval_may_be_the_profiles_interval_label() -> None:
    finding = only(judge(light_of(constant(60.0), 20, 60), FIRST + timedelta(days=19)))
    assert "interval_mark_text" in finding.evidence
    assert (
        "interval_mark_text" not in only(judge(light_of(constant(60.0), 20, 15), FIRST + timedelta(days=19))).evidence
    )


@pytest.mark.parametrize("interval", [15, 60])
@pytest.mark.parametrize("height", [45.0, -90.0])
def test_a_step_is_told_with_its_day_and_stays_a_step(interval: int, height: float) -> None:
    at = date(2025, 4, 20)
    light = light_of(step(at, height), 110, interval)
    assert judge(light, at - timedelta(days=1)) == []
    for later in (12, 30, 50):
        finding = only(judge(light, at + timedelta(days=later)))
        assert finding.kind == "clock-step"
        assert finding.value == pytest.approx(height, abs=10)
        assert abs((finding.since - at).days) <= (1 if interval == 15 else 4)


def test_once_it_is_set_right_the_site_is_clear() -> None:
    at = date(2025, 4, 20)
    light = light_of(step(at, 60.0, before=-60.0), 75)
    assert only(judge(light, at - timedelta(days=1))).kind == "time-zone-wrong"
    assert [type(v) for v in judge(light, at + timedelta(days=2))] == [NotJudged]
    assert judge(light, at + timedelta(days=6)) == []


@pytest.mark.parametrize(("wall", "minutes"), [((60.0, 130.0, 25.0), -90.0), ((230.0, 300.0, 18.0), 70.0)])
def test_shade_on_one_side_moves_no_step(wall: tuple[float, float, float], minutes: float) -> None:
    """A wall makes first light late or last light early by 20 min and more, before the step as much as after it."""
    shaded = replace(ROOF, wall=wall)
    light = light_of(step(FIRST + timedelta(days=20), minutes), 32, roof=shaded)
    finding = only(judge(light, FIRST + timedelta(days=31), shaded))
    assert finding.kind == "clock-step" and abs(finding.evidence["offset_before_min"]) > 8
    assert abs(finding.evidence["offset_min"] - minutes) <= finding.evidence["uncertainty_min"] <= 10
    assert finding.evidence["correction_min"] == pytest.approx(-minutes, abs=5)


@pytest.mark.parametrize(
    ("height", "now", "is_one"), [(190.0, -122.6, True), (190.0, 185.0, False), (25.0, -5.0, False)]
)
def test_a_jump_of_the_light_that_the_days_offsets_contradict_is_no_step(
    height: float, now: float, is_one: bool
) -> None:
    """Figures of a roof that may not feed in, whose first and last light are the house's."""
    offset = Offset(3.4, 12.0, 20, False, False, 4.0)
    assert contradict(height, offset, offset._replace(minutes=now), 18.0) is is_one


@pytest.mark.parametrize("minutes", [27, -27])
@pytest.mark.parametrize("hours", [(8, 10), (15, 17)])
def test_power_that_comes_hours_from_the_suns_light_shows_no_step(hours: tuple[int, int], minutes: int) -> None:
    """Power of two hours, as an empty house takes of a roof that may not feed in, and half an hour off later on."""
    first, at = date(2025, 6, 1), date(2025, 6, 20)  # the sun rises at nearly the same time on all these days
    rows = readings(ROOF, first, 45, 5, right)
    moved = pl.col("ts_utc") - pl.duration(minutes=pl.when(pl.col("ts_utc").dt.date() >= at).then(minutes).otherwise(0))
    is_made = moved.dt.hour().is_between(hours[0], hours[1] - 1)
    light = light_onsets(rows.with_columns(pl.when(is_made).then("pv_w").otherwise(0.0)), register([ROOF]))
    found = [one for n in (6, 10, 15, 24) for one in judge(light, at + timedelta(days=n))]
    assert [type(one) for one in found] == [NotJudged] * 4


@pytest.mark.parametrize(("scatter", "is_one"), [(4.0, True), (24.0, True), (40.0, False)])
def test_light_that_lies_about_more_widely_than_a_step_shows_none(scatter: float, is_one: bool) -> None:
    steady = Offset(3.4, 12.0, 20, False, False, 4.0, scatter=4.0)
    assert is_scattered(-75.0, steady, steady._replace(scatter=scatter)) is not is_one
    assert is_scattered(-75.0, steady._replace(scatter=scatter), steady) is not is_one


def test_afternoons_that_are_shut_off_until_some_day_are_no_step() -> None:
    """The light of four days in five ends before one, then the roof runs on: a jump of hours, right stamps."""
    rng, first, at, count = np.random.default_rng(8), date(2025, 6, 1), date(2025, 7, 5), 45
    dates = [first + timedelta(days=n) for n in range(count)]
    hours = {  # from and to which hour of UTC a day shows its light
        day: (float(rng.uniform(4.5, 6)), 24.0) if day >= at
        else (0.0, float(rng.uniform(8, 13)) if rng.random() > 0.2 else 24.0)
        for day in dates
    }  # fmt: skip
    frame = pl.DataFrame([(day, *ends) for day, ends in hours.items()], schema=["date", "begin", "end"], orient="row")
    rows = readings(ROOF, first, count, 15, right).with_columns(date=pl.col("ts_utc").dt.date())
    hour = pl.col("ts_utc").dt.hour() + pl.col("ts_utc").dt.minute() / 60
    is_shown = hour.is_between("begin", "end", closed="left").fill_null(True)
    rows = rows.join(frame, on="date", how="left").with_columns(pl.when(is_shown).then("pv_w").otherwise(0.0))
    light = light_onsets(rows.drop("date", "begin", "end"), register([ROOF]))
    found = [one for n in range(3, 10) for one in judge(light, at + timedelta(days=n))]
    assert [one for one in found if isinstance(one, Finding)] == []


def test_a_step_of_an_hour_away_from_the_change_of_clocks_is_a_step() -> None:
    light = light_of(step(date(2025, 4, 14), -60.0), 75)
    assert only(judge(light, date(2025, 4, 25))).kind == "clock-step"


@pytest.mark.parametrize(("minutes", "kind"), [(-48.0, "clock-step"), (-60.0, "daylight-saving-wrong")])
def test_a_step_beside_a_change_of_clocks_is_one_if_its_interval_excludes_the_change(minutes: float, kind: str) -> None:
    """Known to six minutes after five days; the correction lies within what is known."""
    at = date(2025, 10, 25)
    light = light_onsets(readings(ROOF, at - timedelta(days=35), 45, 15, step(at, minutes)), register([ROOF]))
    finding = only(judge(light, at + timedelta(days=4)))
    assert finding.kind == kind
    assert abs(finding.evidence["correction_min"] + minutes) <= finding.evidence["uncertainty_min"] < 7


@pytest.mark.parametrize("minutes", [40.0, -40.0])
def test_one_day_is_not_enough_but_in_full_darkness(minutes: float) -> None:
    """At 47 degrees north the February sun sinks by 10 degrees an hour; civil twilight ends at 6 below the horizon."""
    verdicts = judge(light_of(constant(minutes), 1), FIRST)
    assert [type(verdict) for verdict in verdicts] == [NotJudged]


def test_a_single_day_that_was_written_wrongly_opens_nothing() -> None:
    day = FIRST + timedelta(days=20)
    at = (day - date(1970, 1, 1)).days * 1440.0
    light = light_of(lambda stamps: np.where((stamps >= at) & (stamps < at + 1440.0), 60.0, 0.0), 30)
    told = [v for later in range(4) for v in judge(light, day + timedelta(days=later)) if isinstance(v, Finding)]
    assert told == []


def test_of_two_devices_the_wrong_one_is_named() -> None:
    days = 12
    parts = []
    for device, error in (("inv-a", right), ("inv-b", constant(-60.0))):
        parts.append(readings(ROOF, FIRST, days, 15, error).with_columns(device_id=pl.lit(device)))
    light = light_onsets(pl.concat(parts), register([ROOF]))
    finding = only(judge(light, FIRST + timedelta(days=days - 1)))
    assert finding.evidence["device_name"] == "inv-b" and finding.evidence["other_devices_count"] == 0
    assert "inv-b" in finding.summary


def test_sites_without_data_days_without_data_and_sites_not_watched() -> None:
    light = light_of(constant(60.0), 20)
    silent = replace(ROOF, site_id="silent")
    verdicts = judge(light, FIRST + timedelta(days=25), ROOF, silent)
    assert [(v.site_id, v.reason) for v in verdicts if isinstance(v, NotJudged)] == [
        ("roof", "no generation data on this day"),
        ("silent", "no generation data"),
    ]
    sites = register([ROOF]).with_columns(watched=pl.lit(False))
    assert clock.detect(light, sites, FIRST + timedelta(days=10)) == []
    assert clock.detect(LIGHT.to_frame(), register([]), FIRST) == []


def test_a_day_without_generation_says_nothing_of_a_wrong_clock() -> None:
    """Else its finding would keep the yield's detectors waiting: a dead roof is dead whatever its clock says."""
    light = light_of(constant(60.0), 25, 15, replace(ROOF, snow_days=(20, 5)))
    assert only(judge(light, FIRST + timedelta(days=19))).kind == "time-zone-wrong"
    (dark,) = judge(light, FIRST + timedelta(days=22))
    assert isinstance(dark, NotJudged) and dark.reason.code == "nothing-generated"


def test_days_before_commissioning_do_not_count() -> None:
    light = light_of(step(FIRST + timedelta(days=20), -60.0, before=60.0), 40)
    sites = register([ROOF]).with_columns(commissioned_on=pl.lit(FIRST + timedelta(days=20)))
    assert clock.detect(light, sites, FIRST + timedelta(days=30)) == []


def test_later_days_order_of_rows_and_the_rest_of_the_fleet_change_nothing() -> None:
    roofs = [*fleet(8, "open", 2), *fleet(4, "shaded", 2)]
    errors: list[Error] = [constant(60.0), step(date(2025, 3, 10), -50.0), drift(FIRST, 60.0), *[right] * 9]
    light = pl.concat([light_of(e, 45, 15, roof) for roof, e in zip(roofs, errors, strict=True)])
    day = FIRST + timedelta(days=36)
    before = light.clone()
    whole = clock.detect(light.sample(fraction=1.0, shuffle=True, seed=4), register(roofs[::-1]), day)
    assert light.equals(before)
    assert whole == clock.detect(light.filter(pl.col("day") <= day), register(roofs), day)
    alone = clock.detect(light.filter(pl.col("site_id") == roofs[0].site_id), register(roofs[:1]), day)
    assert alone[0].value == next(v.value for v in whole if v.site_id == roofs[0].site_id)
    assert len({v.site_id for v in whole}) == len(whole)


def test_a_site_beyond_the_date_line() -> None:
    """Pacific/Apia keeps UTC+13 at 172 degrees west: its local day's noon falls on the UTC date before."""
    roof = Roof("apia", -13.8, -171.8, "Pacific/Apia", planes=((1.0, 15.0, 0.0),), seed=8)
    assert judge(light_of(right, 12, 15, roof), FIRST + timedelta(days=11), roof) == []
    finding = only(judge(light_of(constant(60.0), 12, 15, roof), FIRST + timedelta(days=11), roof))
    assert finding.value == pytest.approx(60, abs=6)


def test_half_a_day_is_told_on_the_side_of_the_zone_that_explains_it() -> None:
    """Noon and midnight look alike: stamps in UTC at a site of UTC+12 are early, those of UTC-12 would be late."""
    roof = Roof("tarawa", 1.4, 173.0, "Pacific/Tarawa", planes=((1.0, 15.0, 0.0),), seed=3)
    for wobble in (-2.0, 2.0):
        finding = only(judge(light_of(constant(-720.0 + wobble), 12, 15, roof), FIRST + timedelta(days=11), roof))
        assert (finding.value, finding.evidence["zone_name"]) == (-720.0, "UTC")
        assert (
            finding.evidence["offset_min"] == pytest.approx(-720, abs=15)
            and "early; UTC (720 min early)" in finding.summary
        )


def test_a_zone_that_explains_the_offset_gives_its_value() -> None:
    finding = only(judge(light_of(constant(64.0), 15), FIRST + timedelta(days=14)))
    assert finding.value == finding.evidence["zone_difference_min"] == 60.0
    assert finding.evidence["offset_min"] == pytest.approx(64, abs=4)
    assert f"{finding.evidence['offset_min']:.0f} min late; " in finding.summary


def test_the_series_hold_the_picture() -> None:
    shown = {one.name: one for one in only(judge(light_of(constant(60.0), 15), FIRST + timedelta(days=14))).series}
    assert list(shown) == ["offset", "threshold", "first light", "last light", "sunrise", "sunset"]
    assert len({tuple(one.at) for one in shown.values() if one.role != "limit"}) == 1
    pairs = zip(shown["first light"].values, shown["sunrise"].values, strict=True)
    gaps = [first - rise for first, rise in pairs if first is not None]
    assert 55 < sum(gaps) / len(gaps) < 90  # light an hour after sunrise, as stamped
    local = sunrise(Observer(ROOF.latitude, ROOF.longitude), FIRST, tzinfo=ZoneInfo(ROOF.timezone))
    assert shown["sunrise"].values[0] == pytest.approx(local.hour * 60 + local.minute, abs=2)


@pytest.mark.parametrize("kind", ["open", "east-west", "curtailed"])
@pytest.mark.parametrize(("minutes", "side"), [(0.0, ""), (18.0, "late"), (-18.0, "early")])
def test_an_offset_below_the_limit_is_listed_where_light_in_the_dark_shows_it(kind: str, minutes: float, side: str):
    """Planes that look aside and battery-filled afternoons move the middle, and make no light in the dark."""
    roofs = fleet(8, kind, seed=5)
    light = pl.concat([light_onsets(readings(one, FIRST, 20, 5, constant(minutes)), register([one])) for one in roofs])
    verdicts = judge(light, FIRST + timedelta(days=19), *roofs)
    listed = [one.reason for one in verdicts if isinstance(one, NotJudged) and one.reason.code == "below-limit"]
    assert len(listed) == (0 if minutes == 0 else len(verdicts)) and (minutes == 0 or len(listed) >= 7)
    for reason in listed:
        assert reason.values["side"] == side and float(str(reason.values["offset_min"])) == pytest.approx(18, abs=4)
        assert "place in the register" in reason and "`marks`" in reason and "clock" in reason


def test_a_longitude_of_another_digit_is_listed_with_the_minutes_of_its_sun():
    true = replace(ROOF, longitude=14.95, latitude=46.1, timezone="Europe/Ljubljana")
    light = light_onsets(readings(true, FIRST, 20, 5, right), register([replace(true, longitude=19.45)]))
    (told,) = judge(light, FIRST + timedelta(days=19), replace(true, longitude=19.45))
    assert isinstance(told, NotJudged) and told.reason.code == "below-limit"
    assert float(str(told.reason.values["offset_min"])) == pytest.approx(4.5 * 4, abs=3)


def test_what_remains_of_a_larger_offset_that_was_set_right_is_no_reason_to_leave_it_open():
    last = FIRST + timedelta(days=39)
    assert judge(light_of(step(FIRST + timedelta(days=20), -46.0, before=60.0), 40), last) == []
