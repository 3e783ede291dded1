"""How exceptions are held against the faults that were put in."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from tests.benches.figures import figures
from tests.benches.living import Lived
from tests.benches.scoring import Score, load, runs_of, score
from tests.benches.table import table
from tests.simulation.faults import Fault
from tests.simulation.fleet import Fleet, make_fleet

FIRST = date(2026, 5, 1)
NAN = float("nan")


def day(number: int) -> date:
    return FIRST + timedelta(days=number)


@pytest.fixture(scope="module")
def drawn() -> Fleet:
    return make_fleet(12, sites=6, days=2, first=FIRST)


@pytest.fixture
def fleet(drawn: Fleet) -> Fleet:
    """Six sites, all healthy, over thirty days; a test adds faults."""
    sites = [replace(site, role="clean") for site in drawn.sites]
    return Fleet(drawn.seed, FIRST, 30, sites, [], drawn.forms, drawn.places)


def fault(kind: str, begin: int, *, site: str = "S001", end: int = 29, size: float = NAN, loss: float = NAN) -> Fault:
    return Fault(site, kind, "step", 0.0, 1.0, day(begin), day(end), size, loss_kwh=loss)


def nights(
    kind: str, begin: int, end: int, *, site: str = "S001", number: int = 1, hidden: str | None = None,
    value: float = 1.0, loss: float = 0.0, first_day: int | None = None, severity: str = "soon",
) -> pl.DataFrame:  # fmt: skip
    rows = [
        {
            "exception_id": f"{site}-{kind}-{number}", "site_id": site, "kind": kind, "severity": severity,
            "opened_on": day(begin), "first_day": day(begin if first_day is None else first_day), "last_day": day(n),
            "loss_kwh": loss, "value": value, "hidden_by": hidden, "night": day(n),
        }
        for n in range(begin, end + 1)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"hidden_by": pl.String})


def scored(fleet: Fleet, *frames: pl.DataFrame) -> Score:
    together = pl.concat(frames)
    silent = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date, "detector": pl.String, "code": pl.String})
    final = together.sort("night").unique("exception_id", keep="last")
    return score(fleet, Lived(together, final, silent, kinds={"string-loss": "string-loss"}))


def test_a_found_fault_with_its_days_and_errors(fleet: Fleet):
    fleet.faults.append(fault("string-loss", 10, size=40.0, loss=100.0))
    result = scored(fleet, nights("string-loss", 13, 29, value=44.0, loss=80.0, first_day=11))
    row = result.faults[0]
    assert (row.found, row.days, row.first_day_error) == (True, 3.0, 1.0)
    assert row.size_error_pct == pytest.approx(10.0)
    assert row.loss_error_pct == pytest.approx(-20.0)
    assert result.false == []


@pytest.mark.parametrize(("shape", "days"), [("step", 2.0), ("ramp", 11.0)])
def test_days_to_find_count_from_the_first_day_on_which_a_step_shows(fleet: Fleet, shape, days):
    """A battery has nothing to charge from in the gloomy days before; what grows shows by growing."""
    fleet.faults.append(replace(fault("battery-at-floor", 10), shape=shape, shows_from=day(19)))
    assert scored(fleet, nights("battery-at-floor", 21, 29)).faults[0].days == days


def test_another_kind_of_the_family_is_the_wrong_kind_and_no_second_error(fleet: Fleet):
    fleet.faults.append(fault("string-loss", 10))
    result = scored(fleet, nights("underperformance", 15, 29))
    assert (result.faults[0].found, result.faults[0].wrong) == (False, "underperformance")
    assert result.false == []


def test_a_diagnosis_that_becomes_right_counts_as_found(fleet: Fleet):
    fleet.faults.append(fault("string-loss", 10))
    before, after = nights("underperformance", 12, 14), nights("string-loss", 15, 29)
    same = pl.lit("S001-yield-1").alias("exception_id")
    result = scored(fleet, before.with_columns(same), after.with_columns(same))
    assert result.faults[0].found
    assert result.faults[0].days == 2.0


def test_what_was_open_before_the_fault_is_false(fleet: Fleet):
    fleet.faults.append(fault("string-loss", 20))
    fleet.sites[0].role = "fault"
    result = scored(fleet, nights("string-loss", 5, 8))
    assert not result.faults[0].found
    assert [(row.place, row.kind) for row in result.false] == [("beside a fault", "string-loss")]


def test_a_fault_found_when_its_exception_opens_again(fleet: Fleet):
    fleet.faults.append(fault("string-loss", 20))
    result = scored(fleet, nights("string-loss", 5, 8), nights("string-loss", 22, 29))
    assert result.faults[0].found
    assert result.faults[0].days == 2.0
    assert [row.opened_on for row in result.false] == [day(5).isoformat()]  # what it said before was wrong


def test_hidden_and_consequent_exceptions_are_not_false(fleet: Fleet):
    fleet.faults.append(fault("meter-reversed", 3))
    result = scored(
        fleet,
        nights("meter-reversed", 5, 29),
        nights("balance-broken", 6, 29),
        nights("unexpected-export", 6, 29, hidden="S001-meter-reversed-1"),
    )
    assert result.false == []


def test_false_exceptions_by_place_and_severity(fleet: Fleet):
    fleet.sites[1].role, fleet.sites[2].role = "holiday", "fault"
    fleet.faults.append(fault("site-silent", 3, site="S003"))
    result = scored(
        fleet,
        nights("string-loss", 5, 8, severity="urgent"),
        nights("clock-step", 5, 8, site="S002"),
        nights("battery-at-floor", 5, 8, site="S003", severity="watch"),
    )
    assert {(row.place, row.role, row.severity) for row in result.false} == {
        ("clean", "clean", "urgent"),
        ("look-alike", "holiday", "soon"),
        ("beside a fault", "fault", "watch"),
    }
    assert result.site_days == {"all": 180, "clean": 120, "look-alike": 30, "holiday": 30, "beside a fault": 30}


def test_a_zone_that_is_wrong_from_a_day_on_is_a_step_as_well(fleet: Fleet):
    fleet.faults += [fault("time-zone-wrong", 10, size=60.0), fault("time-zone-wrong", 0, site="S002", size=60.0)]
    result = scored(fleet, nights("clock-step", 12, 29, value=60.0), nights("clock-step", 5, 29, site="S002"))
    assert [row.found for row in result.faults] == [True, False]


def test_a_batterys_power_that_is_missing_repeats_itself_as_well(fleet: Fleet):
    missing, halved = fault("balance-broken", 10), fault("balance-broken", 10, site="S002")
    missing.detail["way"], halved.detail["way"] = "battery missing", "half load"
    fleet.faults += [missing, halved]
    result = scored(fleet, nights("readings-frozen", 11, 29), nights("readings-frozen", 11, 29, site="S002"))
    assert [row.found for row in result.faults] == [True, False]


def test_the_older_name_of_a_kind(fleet: Fleet):
    fleet.faults.append(fault("phase-imbalance", 3))
    assert scored(fleet, nights("phase-compensation-off", 5, 29)).faults[0].found


def test_runs_are_consecutive_nights():
    frame = pl.concat([nights("string-loss", 1, 3), nights("string-loss", 6, 7)])
    assert [(run.begin, run.end) for run in runs_of(frame)] == [(day(1), day(3)), (day(6), day(7))]


def test_scores_can_be_kept_and_put_together(fleet: Fleet, tmp_path):
    fleet.faults.append(fault("string-loss", 10, size=40.0))
    one = scored(fleet, nights("string-loss", 12, 29), nights("clock-step", 5, 8, site="S002"))
    one.save(tmp_path / "one.json")
    both = load(tmp_path / "one.json")
    both.add(one)
    assert len(both.faults) == 2
    assert both.site_days["all"] == 360
    assert both.verdicts["string-loss|all"] == [360, 360]
    assert np.isnan(both.faults[0].loss_error_pct)
    text = table(both)
    assert "string-loss" in text
    assert "recall 1.00, precision 0.50 (found / all that was said); 2 of 2 to act on" in text
    watched = scored(fleet, nights("string-loss", 12, 29, severity="watch"))
    assert "0 of 1 to act on" in table(watched)
    assert "| together | 2 | 2 | 1.00 | 0.50 |" in figures([one, one])


@pytest.mark.parametrize(("per_day", "is_false"), [(0.0, True), (0.0007, True), (0.0009, False)])
def test_soiling_told_at_a_roof_that_soils_by_half_as_much_is_not_false(fleet: Fleet, per_day: float, is_false: bool):
    sites = [replace(site, roof=replace(site.roof, soiling_per_day=per_day)) for site in fleet.sites]
    slides = nights("underperformance", 20, 29, severity="watch").with_columns(evidence=pl.lit('{"slide_pct": 5.0}'))
    told = scored(replace(fleet, sites=sites), slides)
    assert bool(told.false) == is_false
    assert scored(replace(fleet, sites=sites), slides.drop("evidence")).false
