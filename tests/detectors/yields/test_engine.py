"""The yield engine lived through: faults put into a spring, and look-alikes beside them, under a sky not its own.

The simulator's clear sky is ASHRAE's, its transposition Hay and Davies'; the engine's are Ineichen and Perez' and an
isotropic sky. Limits follow what the engine is said to do, with room for one draw of the weather.
"""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features.flow_peaks import SCHEMA as FLOW_PEAKS
from detectors.finding import Finding, because
from detectors.yields import verdicts
from detectors.yields.capacity_mismatch import detect as detect_capacity
from detectors.yields.energies import Before
from detectors.yields.fleet_day import newest
from detectors.yields.hourly import HOURLY
from detectors.yields.night import work_out
from detectors.yields.no_generation import detect as detect_dark
from detectors.yields.string_loss import detect as detect_string
from detectors.yields.underperformance import detect as detect_under
from tests.support import build, yield_fleet
from tests.support.yield_fleet import fault

pytestmark = pytest.mark.slow  # a fleet that is lived through for weeks

DETECTORS = (detect_dark, detect_string, detect_capacity, detect_under)
NO_EXPORT = {"limit": "no-export", "house": "family"}
NEEDS = {
    "h1": {}, "h2": {}, "h3": {"planes": 2}, "h4": {"planes_known": 0.0},  # healthy
    "cut": {**NO_EXPORT, "battery": True, "battery_kwh": 6.0},
    "unreg": {"planes": 2, "opposite": True, "planes_known": 0.0},
    "under": {}, "dark": {}, "string": {"planes": 2, "opposite": True, "inputs": True},
    "small": {}, "cutunder": {**NO_EXPORT, "battery": True, "battery_kwh": 8.0},
    "back": {}, "leak": {**NO_EXPORT},
}  # fmt: skip
FAULTS = {
    "under": fault("underperformance", 20, size=30.0),
    "dark": fault("no-generation", 30),
    "string": fault("string-loss", 22, input=0),
    "small": fault("capacity-mismatch", 0, ratio=1.7),
    "cutunder": fault("underperformance", 18, size=60.0),
    "back": fault("underperformance", 15, last_day=27, size=40.0),
    "leak": fault("unexpected-export", 25, part=1.0),
}
HEALTHY = ("h1", "h2", "h3", "h4", "cut", "unreg")


@pytest.fixture(scope="module")
def roofs():
    made = yield_fleet.make(5301, NEEDS, FAULTS, days=45)
    wrong = pl.col("site_id") == "small"
    return yield_fleet.Roofs(
        made.sites.with_columns(pl.when(wrong).then(pl.col("installed_kwp") * 1.7).otherwise("installed_kwp")),
        made.planes, made.readings, made.faults, made.first, made.days,
    )  # fmt: skip


@pytest.fixture(scope="module")
def lived(roofs):
    return yield_fleet.live_nights(roofs)


def test_healthy_sites_open_nothing(lived):
    opened = lived.opened()
    assert set(opened) & set(HEALTHY) == set()
    assert opened.keys() <= FAULTS.keys()


@pytest.mark.parametrize(
    ("site", "kind", "days"),
    [
        ("under", "underperformance", 6),
        ("dark", "no-generation", 1),
        ("string", "string-loss", 6),
        ("small", "capacity-mismatch", 12),
        ("cutunder", "underperformance", 12),
        ("back", "underperformance", 5),
    ],
)
def test_each_fault_is_found_in_time_with_its_kind_and_first_day(roofs, lived, site, kind, days):
    case = lived.opened()[site]
    began = roofs.day(FAULTS[site]["first"])
    assert case["kind"] == kind
    assert began <= case["opened_on"] <= began + timedelta(days=days)
    assert abs((case["first_day"] - began).days) <= 2
    assert case["earliest_day"] <= case["first_day"] <= case["latest_day"]


@pytest.mark.parametrize(("site", "share_pct"), [("under", 30.0), ("back", 40.0)])
def test_the_size_is_told(lived, site, share_pct):
    cases = lived.rows["yield_case"].filter(pl.col("site_id") == site).sort("day")
    told = 100 * (1 - np.exp(cases["after"] - cases["before"]))
    assert float(told[min(8, len(told) - 1)]) == pytest.approx(share_pct, abs=4.0)


def test_the_loss_counts_every_day_since_the_first(roofs, lived):
    """Against the energy that the readings show: 30 % missing is three sevenths of what was made."""
    (found,) = [one for one in detect_under(**_last_night(roofs, lived)) if one.site_id == "under"]
    first = found.since
    made = sum(
        float(rows.filter(pl.col("site_id") == "under")["pv_w"].sum() / 4000)
        for day, rows in roofs.readings.items()
        if day >= first
    )
    assert sum(one.kwh for one in found.losses) == pytest.approx(made * 3 / 7, rel=0.12)


def test_a_repaired_site_is_closed_and_stays_so(roofs, lived):
    cases = lived.rows["yield_case"].filter(pl.col("site_id") == "back")
    assert roofs.day(27) <= cases["day"].max() <= roofs.day(34)


def test_a_faulty_neighbour_is_no_reference(lived):
    """The healthy sites' levels do not move while a third of their neighbours are faulty."""
    x = lived.rows["yield_residual"].filter(pl.col("site_id").is_in(["h1", "h2", "h3"]))
    early, late = (
        x.filter(pl.col("day").is_between(*span)).group_by("site_id").agg(pl.col("x").median()).sort("site_id")["x"]
        for span in (
            (x["day"].min() + timedelta(days=8), x["day"].min() + timedelta(days=14)),
            (x["day"].max() - timedelta(days=8), x["day"].max()),
        )
    )
    assert np.abs(np.array(late) - np.array(early)).max() < 0.06


def test_most_days_of_a_site_that_may_not_feed_in_are_judged(lived):
    odds = lived.rows["yield_odds"].filter(pl.col("site_id").is_in(["cut", "cutunder"]))
    assert odds["is_judged"].mean() > 0.85


def test_the_sensitivity_is_told_and_is_worse_where_less_can_be_seen(lived):
    last = lived.rows["yield_odds"].filter(pl.col("day") == pl.col("day").max())
    told = {row["site_id"]: row for row in last.iter_rows(named=True)}
    assert told["h1"]["shows_in_week_pct"] < 30
    assert told["h1"]["days_to_show_30_pct"] <= 7
    assert told["cut"]["shows_in_week_pct"] > told["h1"]["shows_in_week_pct"]


def test_the_expectation_is_what_healthy_sites_make(lived):
    expected = lived.rows["expected"].filter(pl.col("site_id").is_in(["h1", "h2", "h3"]))
    late = expected.filter(pl.col("day") >= pl.col("day").max() - timedelta(days=20))
    assert (late["judged_kwh"] / late["expected_kwh"]).median() == pytest.approx(1.0, abs=0.06)


def test_where_a_limit_no_longer_holds_the_expectation_is_what_the_roof_can_make(roofs, lived):
    """Before, what the house could take; then some times as much, and never a multiple of what was due."""
    days = lived.rows["expected"].filter(pl.col("site_id") == "leak").sort("day")
    before, after = (days.filter(one) for one in (pl.col("day") < roofs.day(25), pl.col("day") > roofs.day(27)))
    assert after["judged_kwh"].median() > 2 * before["judged_kwh"].median()
    assert 0.8 < (after["judged_kwh"] / after["expected_kwh"]).median() < 1.15


def test_hours_sum_up_to_the_day_and_lie_around_the_suns_noon(lived):
    hours = lived.rows["expected_hour"].filter(pl.col("site_id") == "h1")
    day = pl.col("expected_w").sum() / 1000
    summed = hours.group_by("day").agg(
        kwh=day, noon=(pl.col("ts_utc").dt.hour() * pl.col("expected_w")).sum() / pl.col("expected_w").sum()
    )
    both = summed.join(lived.rows["expected"].filter(pl.col("site_id") == "h1"), on="day")
    assert both.height > 40
    assert (both["kwh"] / both["expected_kwh"]).median() == pytest.approx(1.0, abs=0.03)
    assert both["noon"].median() == pytest.approx(
        11.0, abs=1.5
    )  # the middle of the day at 7.4 degrees east, from 11:00
    assert hours["clearness"].is_between(0, 1.3).all()


def test_a_night_gives_the_same_whether_lived_at_once_or_in_two_runs(roofs, lived):
    """What is remembered is all that a night needs: the last night again, from the stored rows alone."""
    day = roofs.day(roofs.days - 1)
    again = yield_fleet.Lived({name: rows.filter(pl.col("day") < day) for name, rows in lived.rows.items()}, {})
    once = yield_fleet.live_nights(roofs, days=[roofs.days - 1], before=again)
    for name in ("yield_odds", "yield_residual", "yield_case"):
        mine = lived.rows[name].filter(pl.col("day") == day)
        assert once.rows[name].filter(pl.col("day") == day).equals(mine, null_equal=True)


def _last_night(roofs, lived):
    """What a detector of yield is given on the last night."""
    return {
        "yield_case": lived.rows["yield_case"], "yield_residual": lived.rows["yield_residual"],
        "yield_night": lived.objects["yield_night"], "days": build.days(), "day": roofs.day(roofs.days - 1),
    }  # fmt: skip


def test_the_findings_carry_figures_and_pictures(roofs, lived):
    given = _last_night(roofs, lived)
    peaks = {"flow_peaks": FLOW_PEAKS.to_frame(), "sites": roofs.sites}  # no hour beyond any register
    more = {detect_capacity: peaks, detect_string: {"hourly": HOURLY.to_frame()}}
    verdicts_of = [detect(**given, **more.get(detect, {})) for detect in DETECTORS]
    found = {one.site_id: one for told in verdicts_of for one in told if hasattr(one, "kind")}
    assert found.keys() == {"under", "dark", "string", "small", "cutunder"}
    assert found["dark"].severity == "urgent"
    assert found["under"].value == pytest.approx(30, abs=4)
    true_kwp = roofs.sites.filter(pl.col("site_id") == "small")["installed_kwp"][0] / 1.7
    assert found["small"].value == pytest.approx(true_kwp, rel=0.12)
    for one in found.values():
        assert one.since is not None
        assert {series.role for series in one.series} == {"measured", "expected"}


@pytest.mark.parametrize(("spell_on", "severity"), [(0, "watch"), (1, "watch"), (-2, "urgent"), (None, "urgent")])
def test_a_roof_that_went_dark_in_a_spell_of_snow_sends_nobody_in_a_hurry(roofs, lived, spell_on, severity):
    """It is dark for five days, and snow fell on all roofs on that one: lit ones show only that theirs slid."""
    given = _last_night(roofs, lived)
    since = given["day"] - timedelta(days=4)
    is_dark = pl.col("site_id") == "dark"
    case = given["yield_case"].with_columns(first_day=pl.when(is_dark).then(pl.lit(since)).otherwise("first_day"))
    rows = given["yield_residual"]
    if spell_on is not None:
        snowed = is_dark & (pl.col("day") == since + timedelta(days=spell_on))
        rows = rows.with_columns(spell_days=pl.when(snowed).then(1).otherwise("spell_days").cast(pl.Int32))
    found = detect_dark(**given | {"yield_case": case, "yield_residual": rows})
    (dark,) = [one for one in found if isinstance(one, Finding) and one.site_id == "dark"]
    assert dark.severity == severity


def test_days_that_tell_nothing_say_why(roofs, lived):
    given = {
        "yield_case": lived.rows["yield_case"], "yield_residual": lived.rows["yield_residual"],
        "yield_night": lived.objects["yield_night"]._replace(doubts={"h1": because(verdicts.REASONS, "snow", days=2)}),
        "days": build.days(), "day": roofs.day(roofs.days - 1),
    }  # fmt: skip
    silent = [one for one in detect_under(**given) if not hasattr(one, "kind")]
    assert [(one.site_id, one.reason.code) for one in silent] == [("h1", "snow")]


def test_a_day_of_which_hardly_anything_was_read_tells_nothing(roofs, lived):
    """Two quarter hours of 0 W may be a logger's restart."""
    made = lived.objects["yield_night"].fleet
    site = made.sites["site_id"].to_list().index("h1")
    reported = made.reported_w.copy()
    reported[site] = np.nan
    lit = np.flatnonzero(made.sky.up[site] > 0)
    reported[site, lit[len(lit) // 2 : len(lit) // 2 + 2]] = 0.0
    power = np.where(np.isfinite(reported), made.light.power_w, np.nan)
    power[site, np.isfinite(reported[site])] = 0.0
    fleet = made._replace(reported_w=reported, light=made.light._replace(power_w=power))
    odds = newest(lived.rows["yield_odds"], fleet.sites["site_id"])
    night = work_out(fleet, odds, _nothing_before(fleet), {})
    assert np.isnan(night.x[site]) and night.zero_evidence[site] == 0
    reasons = {
        one.site_id: one.reason.code
        for one in verdicts.not_judged("underperformance", night, [], roofs.day(roofs.days - 1))
    }
    assert reasons["h1"] == "hardly-read" and "h2" not in reasons


def _nothing_before(fleet):
    count = fleet.sites.height
    return Before(np.zeros(count), np.full(count, np.nan), np.zeros(count, dtype=bool), np.zeros(count, dtype=np.intp))


@pytest.fixture(scope="module")
def coming_and_going():
    """Two days in five a third is missing, from the 21st day on; the simulator draws which days."""
    faults = {"loose": fault("underperformance", 20, size=35.0, shape="intermittent", share_of_days=0.4)}
    made = yield_fleet.make(5311, {"loose": {}, "h1": {}, "h2": {}, "h3": {}, "h4": {}}, faults, days=50)
    return made, yield_fleet.live_nights(made)


def test_a_fall_that_comes_and_goes_is_told_with_how_often(coming_and_going):
    made, lived = coming_and_going
    assert set(lived.opened()) == {"loose"}
    cases = lived.rows["yield_case"].sort("day")
    last = cases.row(-1, named=True)
    assert (last["kind"], last["day"]) == ("underperformance", made.day(made.days - 1))  # open still
    assert abs((last["first_day"] - made.day(20)).days) <= 3
    noon = 86_400.0 * np.arange((last["first_day"] - made.first).days, made.days) + 43_200.0
    begin = (np.datetime64(made.first) - np.datetime64("1970-01-01")) / np.timedelta64(1, "s")
    truly = made.faults[0].strength(begin + noon).mean()
    assert last["share_of_days"] == pytest.approx(truly, abs=0.12)
    assert 1 - np.exp(last["after"] - last["before"]) == pytest.approx(0.35, abs=0.06)
    (told,) = [one for one in detect_under(**_last_night(made, lived)) if hasattr(one, "kind")]
    assert f"on {100 * last['share_of_days']:.0f} % of its days" in told.summary
    assert {one.day for one in told.losses if one.kwh == 0}  # it costs nothing on the others


def test_hours_beyond_the_registered_modules_are_told_before_any_test(roofs, lived):
    """Of a roof with twice its modules, by hours of its first days: a lower bound of what is there."""
    day = roofs.day(roofs.days - 1)
    unrated = roofs.sites.with_columns(inverter_kw=pl.lit(None, pl.Float64))
    given = _last_night(roofs, lived) | {"sites": unrated}
    kwp = roofs.sites.filter(pl.col("site_id") == "h1")["installed_kwp"][0]

    def told(site: str, peak_w: float) -> list[Finding]:
        peaks = build.frame(FLOW_PEAKS, [{"site_id": site, "day": day, "pv_peak_w": peak_w}])
        return [one for one in detect_capacity(**given, flow_peaks=peaks) if getattr(one, "site_id", "") == site]

    (one,) = [each for each in told("h1", 1800 * kwp) if isinstance(each, Finding)]
    assert (one.unit, one.severity, one.since) == ("kWp", "watch", day)
    assert one.value >= 1.8 * kwp
    assert one.threshold == kwp
    assert [each for each in told("h1", 1000 * kwp) if isinstance(each, Finding)] == []
    assert [each for each in told("under", 1800 * kwp) if isinstance(each, Finding)] == []  # another case is open


@pytest.mark.parametrize("number", [0, 2])
@pytest.mark.parametrize(("after", "is_told"), [(-0.6, True), (0.15, False)])
def test_a_level_that_rose_lacks_no_string(roofs, lived, after, is_told, number):
    """As where snow slides off a roof after its case was opened, or off one of its planes alone."""
    given = _last_night(roofs, lived)
    changed = given["yield_case"].with_columns(
        input=pl.lit(number, pl.Int32), before=pl.lit(0.0), after=pl.lit(after), kind=pl.lit("string-loss")
    )
    told = [
        one
        for one in detect_string(**given | {"yield_case": changed, "hourly": HOURLY.to_frame()})
        if isinstance(one, Finding)
    ]
    assert any(one.site_id == "string" for one in told) is is_told


def test_behind_a_limit_that_hardly_holds_unknown_planes_are_known_well_enough_to_send_somebody():
    """One that may feed in 72 % of its peak capacity stands at that for an hour; one that may not feed in, all day."""
    hidden = {"planes_known": 0.0, "planes": 1, "battery": False}
    needs = {f"roof{n}": {} for n in range(5)} | {
        "WIDE": {"limit": "limited", **hidden}, "NONE": {"limit": "no-export", **hidden}
    }  # fmt: skip
    falls = {name: fault("underperformance", 24, size=40.0) for name in ("WIDE", "NONE")}
    made = yield_fleet.make(46, needs, falls, first=date(2026, 5, 1), days=36)
    last = yield_fleet.live_nights(made).rows["yield_case"].filter(pl.col("day") == made.day(35))
    assert dict(last.select("site_id", "is_sure").iter_rows()) == {"WIDE": True, "NONE": False}
