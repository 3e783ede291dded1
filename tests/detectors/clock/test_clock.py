"""The clock's verdict on simulated roofs whose true error is known (tests/clock_roofs.py; the sun there is pvlib's).

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
from detectors.clock.zones import daily_offsets
from detectors.finding import Finding, NotJudged, Verdict, filled
from tests.support.clock_roofs import (
    Error,
    Roof,
    constant,
    drift,
    fixed_zone,
    fleet,
    other_zone,
    readings,
    register,
    right,
    step,
)

FIRST = date(2025, 2, 20)
ROOF = Roof("roof", seed=3)
CHANGE = date(2025, 3, 30)  # IANA: Europe/Zurich goes from +1 to +2 at 01:00 UTC


def light_of(error: Error, days: int, interval: int = 15, roof: Roof = ROOF, first: date = FIRST) -> pl.DataFrame:
    return light_onsets(readings(roof, first, days, interval, error), register([roof]))


def judge(light: pl.DataFrame, day: date, *roofs: Roof) -> list[Verdict]:
    return clock.detect(light, register(list(roofs or (ROOF,))), day)


def only(verdicts: list[Verdict]) -> Finding:
    assert len(verdicts) == 1 and isinstance(verdicts[0], Finding), verdicts
    return verdicts[0]


@pytest.mark.parametrize("interval", [5, 15, 30, 60])
@pytest.mark.parametrize("minutes", [60.0, -60.0, -480.0, 720.0])
def test_a_constant_offset_is_told_with_its_size(interval: int, minutes: float) -> None:
    last = FIRST + timedelta(days=9)
    finding = only(judge(light_of(constant(minutes), 10, interval), last))
    assert finding.kind == "time-zone-wrong" and finding.unit == "min" and finding.severity == "soon"
    assert finding.value == pytest.approx(minutes, abs=12 if interval == 60 else 6)
    assert abs(finding.value - minutes) <= finding.evidence["uncertainty_min"]
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


def test_one_interval_is_told_as_a_matter_of_marks_too() -> None:
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


def test_after_the_mend_the_site_is_clear() -> None:
    at = date(2025, 4, 20)
    light = light_of(step(at, 60.0, before=-60.0), 75)
    assert only(judge(light, at - timedelta(days=1))).kind == "time-zone-wrong"
    assert [type(v) for v in judge(light, at + timedelta(days=2))] == [NotJudged]
    assert judge(light, at + timedelta(days=6)) == []


def test_daylight_saving_left_out_and_applied_twice() -> None:
    left_out, twice = fixed_zone("Europe/Zurich", 60.0), step(CHANGE, 60.0)
    for error, minutes, word in ((left_out, -60, "left out"), (twice, 60, "applied twice")):
        light = light_of(error, 75)
        assert judge(light, CHANGE - timedelta(days=1)) == []  # in the right season the site is clear
        for later in (2, 20, 35):  # told within three days
            finding = only(judge(light, CHANGE + timedelta(days=later)))
            assert finding.kind == "daylight-saving-wrong"
            assert finding.value == pytest.approx(minutes, abs=6)
            assert finding.since is not None and abs((finding.since - CHANGE).days) <= 1
            assert word in finding.summary


def test_lord_howe_moves_by_half_an_hour() -> None:
    """IANA: Australia/Lord_Howe goes from +11 to +10:30 on 2025-04-05 at 15:00 UTC."""
    roof = Roof("howe", -31.55, 159.08, "Australia/Lord_Howe", planes=((1.0, 25.0, 0.0),), seed=5)
    light = light_of(fixed_zone("Australia/Lord_Howe", 660.0), 90, 15, roof)
    assert judge(light, date(2025, 4, 4), roof) == []
    finding = only(judge(light, date(2025, 4, 30), roof))
    assert finding.kind == "daylight-saving-wrong"
    assert finding.value == pytest.approx(30, abs=6)


ADELAIDE = Roof("adelaide", -34.7, 138.6, "Australia/Adelaide", planes=((1.0, 25.0, 0.0),), seed=5)
AUTUMN = date(2025, 9, 25)  # IANA: Europe/Zurich goes back on 2025-10-26, Australia/Adelaide on 2025-04-06 (-60 each)


@pytest.mark.parametrize(
    ("roof", "first", "error", "change", "words", "minutes"),
    [
        (ADELAIDE, FIRST, fixed_zone(ADELAIDE.timezone, 570.0), date(2025, 4, 6), "left out", -60),
        (ROOF, AUTUMN, fixed_zone(ROOF.timezone, 60.0), date(2025, 10, 26), "left out", -60),
        (ROOF, AUTUMN, step(date(2025, 10, 26), -60.0, before=60.0), date(2025, 10, 26), "applied twice", 60),
        (ROOF, FIRST, fixed_zone(ROOF.timezone, 120.0), CHANGE, "kept through the winter", 60),
    ],
    ids=["left out, south", "left out, north", "applied twice", "kept on"],
)
def test_daylight_saving_wrong_from_the_first_day_is_told_as_both_until_the_change_tells(
    roof: Roof, first: date, error: Error, change: date, words: str, minutes: int
) -> None:
    light = light_of(error, 75, 15, roof, first)
    before = only(judge(light, change - timedelta(days=1), roof))
    assert before.kind == "time-zone-wrong"
    assert before.evidence["saving_instead_text"] == (
        f"daylight saving {words} would explain it too: the change of clocks on {change} will tell"
    )
    assert not [v for v in judge(light, change, roof) if isinstance(v, Finding)]  # one day is not enough
    for later in (3, 12):
        after = only(judge(light, change + timedelta(days=later), roof))
        assert (after.kind, after.severity, after.value) == (
            "daylight-saving-wrong", "watch", pytest.approx(minutes, abs=6)
        )  # fmt: skip
        assert words in after.summary and after.since == before.since and after.evidence["offset_min"] < 10
        values = after.evidence | {"site_id": "r"}
        assert filled(clock.KINDS[after.kind].command, values) == (
            f"noonmark retime r --shift-min {-minutes} --from {first} --to {change - timedelta(days=1)}"
        )
    assert judge(light, change + timedelta(days=16), roof) == []  # it is right, and stays so for half a year


@pytest.mark.parametrize("later", [0, 6])
def test_a_zone_that_is_set_right_away_from_the_change_of_clocks_is_no_daylight_saving(later: int) -> None:
    at = date(2025, 10, 14)
    light = light_of(step(at, 60.0, before=-60.0), 45, first=AUTUMN)
    told = [v for n in range(8) for v in judge(light, at + timedelta(days=later + n)) if isinstance(v, Finding)]
    assert told == []


# IANA: the day on which summer time of 2025 begins or ends, and what a clock without it shows (minutes ahead of UTC).
CHANGES = {
    "Europe/Helsinki": (60.2, 24.9, 120.0, 120.0, date(2025, 3, 30)),
    "America/Chicago": (41.9, -87.6, -360.0, 120.0, date(2025, 3, 9)),
    "America/Santiago": (-33.4, -70.7, -240.0, 120.0, date(2025, 4, 6)),
    "Australia/Sydney": (-33.9, 151.2, 600.0, 120.0, date(2025, 4, 6)),
    "Pacific/Auckland": (-36.8, 174.8, 720.0, -120.0, date(2025, 4, 6)),
    "Asia/Jerusalem": (31.8, 35.2, 120.0, 120.0, date(2025, 3, 28)),
}


@pytest.mark.parametrize("zone", CHANGES)
def test_one_zone_needs_days_after_a_change_of_clocks(zone: str) -> None:
    """On the days of the change the explanation of before stays, or nothing is told: never another zone."""
    latitude, longitude, standard, shift, change = CHANGES[zone]
    minutes = standard + shift
    roof = Roof("r", latitude, longitude, zone, planes=((1.0, 25.0, 180.0 if latitude > 0 else 0.0),), seed=5)
    light = light_of(fixed_zone(zone, minutes), 30, 15, roof, change - timedelta(days=20))
    for later in range(-1, 8):
        day = change + timedelta(days=later)
        found = [v for v in judge(light, day, roof) if isinstance(v, Finding)]
        assert found or later in (0, 1), later
        for one in found:
            named = str(one.evidence["zone_name"])
            told = minutes if named.startswith("UTC") else daily_offsets(named, day - timedelta(days=3), 1)[0]
            assert one.kind == "time-zone-wrong" and told == minutes, (later, named)


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


def test_light_that_was_hours_from_the_suns_before_a_jump_shows_no_step() -> None:
    """Figures of an empty house that may not feed in, while its roof makes what the house takes."""
    before, now = Offset(-409.4, 46.0, 17, False, False, 90.0), Offset(26.7, 11.5, 6, False, False, 9.0)
    assert contradict(26.7, before, now, 20.0)
    assert not contradict(26.7, before._replace(minutes=-40.0), now, 20.0)  # half a roof's shade away


@pytest.mark.parametrize(("scatter", "is_one"), [(4.0, True), (24.0, True), (40.0, False)])
def test_light_that_lies_about_more_widely_than_a_step_shows_none(scatter: float, is_one: bool) -> None:
    steady = Offset(3.4, 12.0, 20, False, False, 4.0, scatter=4.0)
    assert is_scattered(-75.0, steady, steady._replace(scatter=scatter)) is not is_one
    assert is_scattered(-75.0, steady._replace(scatter=scatter), steady) is not is_one


def test_a_zones_figure_corrects_where_the_measured_one_agrees() -> None:
    shaded = replace(ROOF, wall=(60.0, 130.0, 3.0))
    finding = only(judge(light_of(constant(60.0), 20, roof=shaded), FIRST + timedelta(days=19), shaded))
    assert finding.evidence["uncertainty_min"] > 10 >= finding.evidence["correction_uncertainty_min"]
    assert finding.evidence["correction_min"] == -60.0


def test_a_step_of_an_hour_away_from_the_change_of_clocks_is_a_step() -> None:
    light = light_of(step(date(2025, 4, 14), -60.0), 75)
    assert only(judge(light, date(2025, 4, 25))).kind == "clock-step"


def test_another_zone_is_named_and_holds_in_both_seasons() -> None:
    light = light_of(other_zone("Europe/Zurich", "UTC"), 70)
    winter, summer = only(judge(light, date(2025, 3, 20))), only(judge(light, date(2025, 4, 28)))
    assert (winter.kind, summer.kind) == ("time-zone-wrong", "time-zone-wrong")
    assert winter.value == pytest.approx(-60, abs=6) and summer.value == pytest.approx(-120, abs=6)
    assert summer.evidence["zone_name"] == "UTC"


def test_a_zone_of_the_register_comes_first_and_a_far_one_is_found() -> None:
    neighbour = replace(ROOF, site_id="neighbour", timezone="Europe/Lisbon")
    light = light_of(other_zone("Europe/Zurich", "Europe/Lisbon"), 12)
    finding = next(v for v in judge(light, FIRST + timedelta(days=11), ROOF, neighbour) if isinstance(v, Finding))
    assert finding.evidence["zone_name"] == "Europe/Lisbon"
    far = only(judge(light_of(other_zone("Europe/Zurich", "Asia/Kolkata"), 12), FIRST + timedelta(days=11)))
    assert far.evidence["zone_name"] == "Asia/Kolkata"


@pytest.mark.parametrize(("interval", "speed"), [(15, 40.0), (15, -40.0), (60, 60.0)])
def test_a_drift_is_told_with_its_speed(interval: int, speed: float) -> None:
    """40 s a day for 90 days are an hour: no stairs of jumps."""
    finding = only(judge(light_of(drift(FIRST, speed), 91, interval), FIRST + timedelta(days=90)))
    assert finding.kind == "clock-drift" and finding.unit == "s/day"
    assert finding.value == pytest.approx(speed, abs=5)
    assert finding.evidence["offset_min"] == pytest.approx(speed * 90 / 60, abs=10)


def test_the_light_in_the_dark_of_a_drift_is_that_of_its_last_days() -> None:
    """A meter that rounds to 100 W makes first light late: over some weeks a drift's middle lies in the light."""
    small = replace(ROOF, latitude=29.77, longitude=-95.6, timezone="America/Chicago", kwp=2.0, resolution_w=100.0)
    steep = replace(small, planes=((1.0, 48.0, 180.0),), seed=7)
    first = date(2025, 6, 1)
    finding = only(judge(light_of(drift(first, -43.0), 70, 10, steep, first), first + timedelta(days=36), steep))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(-43, rel=0.3)


def test_a_drift_of_90_s_a_day_is_told_within_three_weeks() -> None:
    light = light_of(drift(FIRST, 90.0), 22)
    finding = only(judge(light, FIRST + timedelta(days=20)))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(90, rel=0.3)
    assert finding.evidence["drift_uncertainty_s_per_day"] <= 0.3 * finding.value
    # Before it is known it is no step and no zone either.
    early = [v for day in (10, 13) for v in judge(light, FIRST + timedelta(days=day)) if isinstance(v, Finding)]
    assert early == []


def test_a_drift_that_is_set_right_again_stays_a_drift_until_it_ends() -> None:
    def error(stamps: np.ndarray) -> np.ndarray:
        begin, last = ((day - date(1970, 1, 1)).days * 1440.0 for day in (FIRST, FIRST + timedelta(days=75)))
        late = (stamps - begin) % (25 * 1440.0) / 1440.0 * 100.0 / 60.0
        return np.where(stamps < last, late, 0.0)

    light = light_of(error, 100)
    for later in (45, 52, 70):  # 52: two days after it was set right
        finding = only(judge(light, FIRST + timedelta(days=later)))
        assert finding.kind == "clock-drift" and finding.value == pytest.approx(100, rel=0.2)
        assert "set right" in finding.summary and "correction_s_per_day" not in finding.evidence
    assert judge(light, FIRST + timedelta(days=95)) == []


def test_a_drift_says_the_correction_that_grows_with_it() -> None:
    finding = only(judge(light_of(drift(FIRST, -60.0), 61), FIRST + timedelta(days=60)))
    assert finding.evidence["correction_s_per_day"] == pytest.approx(60, abs=6)
    command = filled(clock.KINDS["clock-drift"].command, finding.evidence | {"site_id": finding.site_id})
    assert command.startswith("noonmark retime roof --rate-s-per-day ") and f"--from {finding.since}" in command


PHOENIX = Roof("phoenix", 33.4, -112.1, "America/Phoenix", seed=9)


def test_the_clock_changes_of_a_zone_entered_by_mistake_are_daylight_saving() -> None:
    """IANA: Arizona keeps -7 all year, America/Denver goes to -6 on 2025-03-09."""
    light = light_of(other_zone("America/Phoenix", "America/Denver"), 60, 15, PHOENIX)
    assert judge(light, date(2025, 3, 8), PHOENIX) == []
    for later in (date(2025, 3, 11), date(2025, 4, 10)):
        finding = only(judge(light, later, PHOENIX))
        assert finding.kind == "daylight-saving-wrong" and finding.value == pytest.approx(60, abs=8)
        assert str(finding.evidence["zone_name"]).startswith("America/")


def test_a_jump_on_the_day_of_a_change_of_clocks_by_another_height_is_a_step() -> None:
    finding = only(judge(light_of(step(CHANGE, -100.0), 60), CHANGE + timedelta(days=15)))
    assert finding.kind == "clock-step" and finding.value == pytest.approx(-100, abs=8)


def test_an_offset_that_begins_later_is_a_step_that_names_the_zone_it_may_be() -> None:
    finding = only(judge(light_of(step(date(2025, 4, 20), 60.0), 90), date(2025, 5, 5)))
    assert finding.kind == "clock-step" and "entered anew" in finding.summary and finding.evidence["zone_name"]


def test_a_zone_explains_every_span_between_changes_of_clocks() -> None:
    """At +08:00 all year while Zurich changes to summer time: no zone of Europe does that; Asia keeps +08:00."""
    light = light_of(fixed_zone("Europe/Zurich", 480.0), 75)
    finding = only(judge(light, FIRST + timedelta(days=70)))
    assert finding.kind == "time-zone-wrong"
    assert {daily_offsets(str(finding.evidence["zone_name"]), CHANGE - timedelta(days=5), 12)[0]} == {480.0}


def test_where_no_zone_fits_the_clock_is_suspected() -> None:
    finding = only(judge(light_of(constant(-97.0), 20), FIRST + timedelta(days=19)))
    assert finding.evidence["zone_name"] is None and "suspect the clock" in finding.summary


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


def test_where_the_profile_names_the_zone_the_offset_is_explained_against_it() -> None:
    """Stamps in the site's own time that the profile reads as UTC are an hour late in winter, two in summer."""
    sites = register([ROOF]).with_columns(profile=pl.lit("day"))
    own = pl.DataFrame({"profile": ["day"], "zone": ["UTC"]})
    light = light_of(other_zone("UTC", ROOF.timezone), 60)
    (finding,) = clock.detect(light, sites, FIRST + timedelta(days=59), profile_zones=own)
    assert isinstance(finding, Finding) and finding.kind == "time-zone-wrong"
    said = finding.evidence
    assert (said["setting_now_text"], said["should_be_text"]) == ("UTC", ROOF.timezone)
    assert "profiles/day.toml" in str(said["setting_text"]) and said["zone_difference_min"] == 120
    others = own.with_columns(profile=pl.lit("night"))
    (otherwise,) = clock.detect(light, sites, FIRST + timedelta(days=59), profile_zones=others)
    assert isinstance(otherwise, Finding) and otherwise.evidence["claimed_zone_name"] == ROOF.timezone


def test_one_interval_at_all_sites_of_a_profile_is_told_once_as_its_marks() -> None:
    roofs = [replace(ROOF, site_id=name, seed=seed) for name, seed in (("a", 3), ("b", 4))]
    light = pl.concat([light_of(constant(60.0), 20, 60, roof) for roof in roofs])
    sites = register(roofs).with_columns(profile=pl.lit("hourly"))
    day = FIRST + timedelta(days=19)
    finding, other = clock.detect(light, sites, day)
    assert isinstance(finding, Finding) and "profile hourly" in finding.summary
    assert finding.evidence["should_be_text"] == "interval end" and finding.evidence["correction_min"] is None
    assert isinstance(other, NotJudged) and other.reason.values["told_at"] == "a"
    mixed = pl.concat([light.filter(pl.col("site_id") == "a"), light_of(right, 20, 60, roofs[1])])
    (alone,) = clock.detect(mixed, sites, day)  # a right one among them: not the profile
    assert isinstance(alone, Finding) and "profile_name" not in alone.evidence


NOT_FAULTS = {
    "east and west": Roof("r", planes=((0.5, 30.0, 90.0), (0.5, 30.0, 270.0)), seed=11),
    "west": Roof("r", planes=((1.0, 45.0, 270.0),), seed=12),
    "clipped": Roof("r", clip=0.4, seed=13),
    "curtailed": Roof("r", curtailed="follows load", seed=14),
    "shuts off": Roof("r", curtailed="shuts off", seed=15),
    "snow": Roof("r", snow_days=(20, 12), seed=16),
    "afternoons missing": Roof("r", afternoons_missing=0.4, seed=17),
    "gaps": Roof("r", gaps=0.4, seed=18),
    "no night": Roof("r", night_rows=False, seed=19),
    "wall in the east": Roof("r", wall=(40.0, 140.0, 25.0), seed=20),
    "wall in the west": Roof("r", wall=(220.0, 320.0, 25.0), seed=21),
    "coarse meter": Roof("r", resolution_w=100.0, seed=22),
}


@pytest.mark.parametrize("name", NOT_FAULTS)
@pytest.mark.parametrize("interval", [15, 60])
def test_roofs_that_only_look_odd_raise_nothing(name: str, interval: int) -> None:
    roof = NOT_FAULTS[name]
    light = light_of(right, 60, interval, roof)
    verdicts = [v for i in range(0, 60, 6) for v in judge(light, FIRST + timedelta(days=i), roof)]
    assert not [v for v in verdicts if isinstance(v, Finding)]


@pytest.mark.parametrize("name", ["curtailed", "shuts off", "wall in the east", "wall in the west", "gaps", "snow"])
@pytest.mark.parametrize("minutes", [60.0, -60.0])
def test_on_odd_roofs_a_real_error_is_found_all_the_same(name: str, minutes: float) -> None:
    roof = NOT_FAULTS[name]
    finding = only(judge(light_of(constant(minutes), 40, 15, roof), FIRST + timedelta(days=39), roof))
    assert finding.kind == "time-zone-wrong"
    assert abs(finding.value - minutes) <= finding.evidence["uncertainty_min"] + 5


def test_a_wall_from_the_first_day_is_not_judged_and_says_what_would_settle_it() -> None:
    roof = Roof("r", planes=((1.0, 40.0, 270.0),), wall=(30.0, 180.0, 60.0), resolution_w=100.0, seed=23)
    verdicts = judge(light_of(right, 40, 15, roof, date(2025, 5, 1)), date(2025, 6, 9), roof)
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "neighbour" in verdicts[0].reason


def test_generation_round_the_clock_is_no_clock() -> None:
    """A channel that holds a battery's output too: light for longer than the sun is up."""
    rows = readings(ROOF, FIRST, 12, 15)
    evening = pl.col("ts_local").dt.hour().is_in([18, 19, 20, 21, 22, 23])
    rows = rows.with_columns(pv_w=pl.when(evening).then(pl.lit(900.0)).otherwise("pv_w"))
    verdicts = judge(light_onsets(rows, register([ROOF])), FIRST + timedelta(days=11))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "longer than the sun is up" in verdicts[0].reason


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


def test_the_series_hold_the_picture() -> None:
    shown = {one.name: one for one in only(judge(light_of(constant(60.0), 15), FIRST + timedelta(days=14))).series}
    assert list(shown) == ["offset", "threshold", "first light", "last light", "sunrise", "sunset"]
    assert len({tuple(one.at) for one in shown.values() if one.role != "limit"}) == 1
    pairs = zip(shown["first light"].values, shown["sunrise"].values, strict=True)
    gaps = [first - rise for first, rise in pairs if first is not None]
    assert 55 < sum(gaps) / len(gaps) < 90  # light an hour after sunrise, as stamped
    local = sunrise(Observer(ROOF.latitude, ROOF.longitude), FIRST, tzinfo=ZoneInfo(ROOF.timezone))
    assert shown["sunrise"].values[0] == pytest.approx(local.hour * 60 + local.minute, abs=2)
