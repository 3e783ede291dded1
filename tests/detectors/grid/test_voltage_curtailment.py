"""When lost bright hours are told to the desk: on a month of days whose losses are written by hand."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.finding import Finding, NotJudged
from detectors.grid import voltage_out_of_band
from detectors.grid.voltage_curtailment import detect
from detectors.grid.voltage_means import VOLTAGE_DAYS, voltage_days
from detectors.yields.voltage_curtailment import CURTAILED
from tests.support import build

SITE = {"installed_kwp": 10.0, "feed_in_price": 0.1, "feed_in_limit_kw": None}
EXPECTED = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date, "ts_utc": pl.Datetime("us"),
                                "expected_w": pl.Float64, "clearness": pl.Float64})  # fmt: skip


def _days(*curtailed, high_h=4.0, **more):
    """CURTAILED of the days that end on the builders' day; 40 kWh were possible on each."""
    rows = [
        {"site_id": "roof-1", "day": build.DAY - timedelta(days=len(curtailed) - 1 - n), "coverage_pct": 100.0,
         "high_h": high_h, "due_kwh": None if one is None else 20.0, "made_kwh": None if one is None else 20.0 - one,
         "sigma_kwh": None if one is None else 0.5, "curtailed_kwh": one, "possible_kwh": 40.0, **more}
        for n, one in enumerate(curtailed)
    ]  # fmt: skip
    return build.frame(CURTAILED, rows)


def _told(days, *, site=SITE, earlier=()):
    rows = build.readings({"pv_w": [3000.0] * 288, "voltage_l1_v": [251.0] * 288}, day=build.DAY)
    return detect(days, VOLTAGE_DAYS.to_frame(), EXPECTED, rows, build.sites(site), build.earlier(*earlier), build.DAY)


def test_a_loss_is_told_with_its_month_and_its_worth():
    (found,) = _told(_days(0.0, 1.5, 0.0, 2.0))
    assert isinstance(found, Finding)
    assert (found.value, found.unit, found.loss_kwh) == (2.0, "kWh", 2.0)
    assert found.cost == pytest.approx(0.2)  # what was cut would have been fed in
    assert found.severity == "watch"
    assert found.since == build.DAY - timedelta(days=2)
    assert [one.kwh for one in found.losses] == [1.5, 0.0, 2.0]
    assert found.evidence["curtailed_month_kwh"] == 3.5
    assert found.evidence["curtailed_month_pct"] == pytest.approx(100 * 3.5 / 160)


def test_a_share_of_the_month_is_said_only_where_what_the_roof_could_make_is_known():
    known, unknown = _days(1.5, 2.0), _days(1.5, 2.0).with_columns(possible_kwh=pl.lit(None, pl.Float64))
    texts = [_told(days)[0] for days in (known, unknown)]
    assert "% of what the roof could have made" in texts[0].summary
    assert "%" not in texts[1].summary and texts[1].evidence["curtailed_month_pct"] is None


def test_a_month_that_has_shown_it_counts_the_days_that_were_not_clear_by_themselves():
    unclear = pl.when(pl.col("curtailed_kwh") < 1.0).then(0.0).otherwise("curtailed_kwh")  # as their nights told them
    for more, month in ((1.5, 2.0 + 2.0 + 1.5 + 0.8), (0.8, 2.0 + 2.0)):
        (found,) = _told(_days(0.8, 2.0, more, 2.0).with_columns(curtailed_kwh=unclear))
        assert found.evidence["curtailed_month_kwh"] == pytest.approx(month)


def test_a_twentieth_of_the_months_energy_on_five_days_is_to_act_on():
    assert _told(_days(*[2.5] * 5))[0].severity == "soon"  # 12.5 of 200 kWh
    assert _told(_days(*[2.5] * 4))[0].severity == "watch"
    assert _told(_days(*[1.9] * 5))[0].severity == "watch"  # 9.5 of 200 kWh


def test_days_without_a_loss_and_with_one_that_is_worth_no_letter_are_clear():
    assert _told(_days(2.0, 0.0)) == []
    assert _told(_days(0.9)) == []
    assert len(_told(_days(1.0))) == 1  # 0.1 kWh per kWp


def test_where_the_voltage_left_its_band_that_is_told_with_the_loss():
    assert _told(_days(2.0), earlier=[("roof-1", "voltage-out-of-band")]) == []
    rows = build.readings({"voltage_l1_v": [254.0] * 144}, day=build.DAY, interval_s=600)
    sites = build.sites(SITE)
    (found,) = voltage_out_of_band.detect(rows, voltage_days(rows, sites), sites, build.DAY, _days(2.0))
    assert found.kind == "voltage-out-of-band"
    assert found.loss_kwh == 2.0
    assert "2.0 kWh of generation were cut" in found.summary


@pytest.mark.parametrize(("month", "severity"), [([2.5] * 5, "soon"), ([2.5] * 4, "watch"), ([1.9] * 5, "watch")])
def test_a_costly_month_is_as_urgent_where_the_voltage_left_its_band_for_a_moment(month, severity):
    rows = build.readings({"voltage_l1_v": [250.0] * 143 + [254.0]}, day=build.DAY, interval_s=600)
    sites = build.sites(SITE)
    (found,) = voltage_out_of_band.detect(rows, voltage_days(rows, sites), sites, build.DAY, _days(*month))
    assert (found.severity, found.loss_kwh) == (severity, month[-1])


@pytest.mark.parametrize(
    ("days", "site", "code"),
    [
        (_days(None), SITE, "sky-unknown"),
        (_days(None), {**SITE, "feed_in_limit_kw": 5.0}, "limited"),
        (_days(2.0, coverage_pct=20.0), SITE, "low-coverage"),
        (_days(), SITE, "not-measured"),
        (_days(2.0).with_columns(day=build.DAY - timedelta(days=1)), SITE, "not-measured"),
    ],
)
def test_days_of_which_nobody_can_say_are_told_with_their_reason(days, site, code):
    (verdict,) = _told(days, site=site)
    assert isinstance(verdict, NotJudged)
    assert verdict.reason.code == code


def test_the_last_loss_before_a_dull_fortnight_is_another_spell():
    (found,) = _told(_days(2.0, *[0.0] * 10, 2.0))
    assert found.since == build.DAY
    (found,) = _told(_days(2.0, *[0.0] * 9, 2.0))
    assert found.since == build.DAY - timedelta(days=10)
