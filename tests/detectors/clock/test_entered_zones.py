"""Zones entered by mistake, and daylight saving left out, applied twice or kept (changes of clocks: IANA)."""

from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from detectors.clock import clock
from detectors.clock.zones import daily_offsets
from detectors.finding import Finding, NotJudged, filled
from tests.support.clock_roofs import (
    Error,
    Roof,
    constant,
    fixed_zone,
    other_zone,
    register,
    right,
    step,
)
from tests.support.clock_verdicts import CHANGE, FIRST, ROOF, judge, light_of, only


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


def test_a_zones_figure_corrects_where_the_measured_one_agrees() -> None:
    shaded = replace(ROOF, wall=(60.0, 130.0, 3.0))
    finding = only(judge(light_of(constant(60.0), 20, roof=shaded), FIRST + timedelta(days=19), shaded))
    assert finding.evidence["uncertainty_min"] > 10 >= finding.evidence["correction_uncertainty_min"]
    assert finding.evidence["correction_min"] == -60.0


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
    assert "set by hand" in str(finding.evidence["cause_text"])


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


def test_one_interval_at_all_sites_of_a_profile_is_told_once_as_its_label() -> None:
    roofs = [replace(ROOF, site_id=name, seed=seed) for name, seed in (("a", 3), ("b", 4))]
    light = pl.concat([light_of(constant(60.0), 20, 60, roof) for roof in roofs])
    sites = register(roofs).with_columns(profile=pl.lit("hourly"))
    day = FIRST + timedelta(days=19)
    finding, other = clock.detect(light, sites, day)
    assert isinstance(finding, Finding) and "profile hourly" in finding.summary
    assert "start of an interval" in str(finding.evidence["cause_text"])
    assert finding.evidence["should_be_text"] == "interval end" and finding.evidence["correction_min"] is None
    assert isinstance(other, NotJudged) and other.reason.values["told_at"] == "a"
    mixed = pl.concat([light.filter(pl.col("site_id") == "a"), light_of(right, 20, 60, roofs[1])])
    (alone,) = clock.detect(mixed, sites, day)  # a right one among them: not the profile
    assert isinstance(alone, Finding) and "profile_name" not in alone.evidence


def test_a_site_that_shows_no_light_in_the_dark_speaks_for_the_label_too() -> None:
    late = replace(ROOF, site_id="b", seed=4, starts=(0.12, 0.121))
    roofs = [replace(ROOF, site_id="a"), late]
    light = pl.concat([light_of(constant(30.0), 20, 30, roof) for roof in roofs])
    sites, day = register(roofs), FIRST + timedelta(days=19)
    assert not [v for v in clock.detect(light.filter(pl.col("site_id") == "b"), sites, day) if isinstance(v, Finding)]
    finding, other = clock.detect(light, sites.with_columns(profile=pl.lit("halves")), day)
    assert isinstance(finding, Finding) and "all 2 sites of profile halves" in finding.summary
    assert isinstance(other, NotJudged) and other.reason.values["told_at"] == "a"
