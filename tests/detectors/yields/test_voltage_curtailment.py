"""High voltage and generation of one bright day over five roofs, made by hand from the engine's own planes and sky."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features import voltage_response
from detectors.stats.curtailment import as_known_now
from detectors.yields import voltage_curtailment
from detectors.yields.verdicts import not_judged
from tests.support import build
from tests.support.bright_day import DAY, STREET, night_of, powers

NOON = slice(40, 52)  # 10:00 to 13:00 UTC
HIGH_V = np.where(np.isin(np.arange(96), np.arange(96)[NOON]), 251.0, 236.0)


def _night(factor=1.0, volts=HIGH_V, **more):
    return night_of(factor, volts, **more)


def _row(told, past=None, response=None):
    before = voltage_curtailment.CURTAILED.to_frame() if past is None else past
    moved = voltage_response.SCHEMA.to_frame() if response is None else response
    rows = voltage_curtailment.of_night(told, before, moved).filter(pl.col("site_id") == "street")
    return rows.row(0, named=True) if rows.height else None


def _x(told):
    return told.x[told.fleet.sites["site_id"].to_list().index("street")]


def _cut(share):
    """A factor that is so much lower while the voltage is high."""
    return np.where(HIGH_V > 240, 1 - share, 1.0)


@pytest.mark.parametrize("share", [0.3, 0.5, 1.0])
def test_what_is_missing_while_the_voltage_is_at_its_limit_is_told_in_kwh_and_is_no_fault_of_the_roof(share):
    told = _night(_cut(share))
    missing = float((powers()[STREET, NOON] * share).sum() / 4000)
    assert _row(told)["curtailed_kwh"] == pytest.approx(missing, rel=0.06)
    assert _row(told)["high_h"] == pytest.approx(3.5)  # and a quarter of an hour on either side
    assert abs(_x(told)) < 0.05
    assert told.expected_kwh[STREET] == pytest.approx(told.actual_kwh[STREET], rel=0.05)  # over what was left free


def test_a_deficit_within_the_error_of_what_was_due_is_none():
    told = _row(_night(_cut(0.1)))
    assert told["curtailed_kwh"] == 0.0
    assert 0 < told["due_kwh"] - told["made_kwh"] < 3 * told["sigma_kwh"]


def test_a_high_voltage_that_the_inverter_works_on_at_loses_nothing_and_leaves_the_day_judged():
    told = _night()
    assert _row(told)["curtailed_kwh"] == 0.0
    assert _row(told)["due_kwh"] == pytest.approx(_row(told)["made_kwh"], rel=0.05)
    assert abs(_x(told)) < 0.05
    assert told.sigma[STREET] < 0.2


def test_a_weak_roof_is_not_excused_by_its_high_voltage():
    told = _night(0.6)
    assert _row(told)["curtailed_kwh"] == 0.0
    assert _x(told) == pytest.approx(np.log(0.6), abs=0.06)


def test_both_at_once_are_told_apart():
    told = _night(0.6 * _cut(0.5))
    assert _x(told) == pytest.approx(np.log(0.6), abs=0.06)
    assert _row(told)["curtailed_kwh"] == pytest.approx(float(powers()[STREET, NOON].sum() * 0.3 / 4000), rel=0.1)


def test_a_day_that_made_nothing_is_no_curtailment_whatever_the_voltage():
    told = _night(0.0, np.full(96, 252.0))
    assert told.is_zero[STREET]
    assert told.zero_evidence[STREET] > 0
    assert not told.fleet.is_voltage_high.any()


def test_a_roof_that_is_at_the_limit_all_day_is_seen_to_be_alive_and_no_more():
    told = _night(0.5, np.full(96, 252.0))
    assert not np.isfinite(told.x[STREET])
    assert told.least[STREET] == pytest.approx(np.log(0.5), abs=0.05)
    reasons = {one.site_id: one.reason.code for one in not_judged("underperformance", told, [], DAY)}
    assert "street" not in reasons


def test_nobody_can_say_under_clouds_without_neighbours_or_where_a_limit_curtails_too():
    clouds = np.random.default_rng(4).uniform(0.2, 1.0, 96)
    alone = _row(_night(_cut(0.5) * clouds, names=("street",)))
    limited = _row(_night(_cut(0.5), feed_in_limit_kw=6.0))
    for one in (alone, limited):
        assert (one["due_kwh"], one["curtailed_kwh"]) == (None, None)
        assert one["high_h"] > 3


def test_without_neighbours_a_clear_day_tells_what_was_due():
    """The day has thin clouds, so the clear sky errs by their scatter."""
    told = _row(_night(_cut(0.5), names=("street",)))
    missing = float((powers()[STREET, NOON] * 0.5).sum() / 4000)
    assert told["curtailed_kwh"] == pytest.approx(missing, rel=0.12)


def test_clouds_at_noon_of_a_clear_morning_are_no_cut_where_the_voltage_falls_with_them():
    """Without neighbours nobody tells the clouds but the voltage: the roof's own rise of it goes with the sun."""
    factor, volts = np.ones(96), HIGH_V.copy()
    clouded = [41, 42, 44, 45, 47, 48, 50]
    factor[clouded], volts[clouded] = 0.2, 247.0
    told = _row(_night(factor, volts, names=("street",)))
    assert told["high_h"] > 3 and not told["curtailed_kwh"]
    factor[NOON], volts = 0.5, HIGH_V
    assert _row(_night(factor, volts, names=("street",)))["curtailed_kwh"] > 0


@pytest.mark.parametrize("days", [2, 3])
def test_what_a_month_has_shown_counts_where_it_is_not_clear_by_itself(days):
    """A tenth is missing, within three sigma of the day; on three days before, more was."""
    rows = [{"site_id": "street", "day": DAY - timedelta(days=n + 1), "curtailed_kwh": 3.0} for n in range(days)]
    told = _row(_night(_cut(0.1)), build.frame(voltage_curtailment.CURTAILED, rows))
    missing = float((powers()[STREET, NOON] * 0.1).sum() / 4000)
    assert told["curtailed_kwh"] == (pytest.approx(missing, rel=0.2) if days == 3 else 0.0)


@pytest.mark.parametrize(("missing_kwh", "possible_kwh", "is_shown"), [(3.6, 30.0, True), (1.5, 30.0, False),
                                                                       (3.6, None, False)])  # fmt: skip
def test_days_that_are_not_clear_by_themselves_show_it_together(missing_kwh, possible_kwh, is_shown):
    """Ten days of 20 kWh due, each known to 1.5 kWh: by their sum to hypot(4.7, 5 % of 200), of which three are 33 kWh.

    Without neighbours, who tell what the whole day could have given, sums of clear hours prove nothing.
    """
    rows = [
        {"site_id": "street", "day": DAY - timedelta(days=n + 1), "due_kwh": 20.0, "made_kwh": 20.0 - missing_kwh,
         "sigma_kwh": 1.5, "curtailed_kwh": 0.0, "possible_kwh": possible_kwh}
        for n in range(10)
    ]  # fmt: skip
    month = build.frame(voltage_curtailment.CURTAILED, rows)
    told = _row(_night(_cut(0.1)), month)
    assert (told["curtailed_kwh"] > 0) == is_shown
    assert as_known_now(month)["curtailed_kwh"].sum() == pytest.approx(10 * missing_kwh if is_shown else 0.0)


def test_quarter_hours_between_high_ones_are_not_those_by_which_the_roof_is_judged():
    """A cloud took its sun, and with it the voltage: it made a tenth of what its neighbours did."""
    volts, factor = HIGH_V.copy(), np.ones(96)
    volts[44:48], factor[44:48] = 240.0, 0.1
    assert abs(_x(_night(factor, volts))) < 0.05
    assert _x(_night(factor, np.full(96, 240.0))) < -0.08


def test_what_a_roof_makes_under_a_high_voltage_is_not_what_its_inverter_can():
    made = _night(_cut(0.5)).fleet.usable
    shown = dict(zip(made["site_id"], made["peak_w"], strict=True))
    assert shown["street"] == 10_000  # its modules' capacity
    assert shown["a"] < 9_000


def test_a_usual_voltage_loses_nothing_whoever_can_say_and_without_a_voltage_nothing_is_told():
    assert _row(_night(volts=np.full(96, 239.0), names=("street",)))["curtailed_kwh"] == 0.0
    assert _row(_night(volts=None)) is None


@pytest.mark.parametrize(("against", "missing_kwh", "is_shown"), [(34.0, 1.5, True), (28.0, 1.5, False),
                                                                  (34.0, -0.5, False)])  # fmt: skip
def test_a_power_that_moves_against_the_voltage_shows_it_if_anything_is_missing(against, missing_kwh, is_shown):
    """Of 50 changes chance makes 25 +- 3.5 go against each other, so 33.2 are 2.33 sigma above."""
    rows = [
        {"site_id": "street", "day": DAY - timedelta(days=n + 1), "due_kwh": 20.0, "made_kwh": 20.0 - missing_kwh,
         "sigma_kwh": 1.5, "curtailed_kwh": 0.0, "possible_kwh": None, "changes": 10.0, "against_changes": against / 5}
        for n in range(5)
    ]  # fmt: skip
    month = build.frame(voltage_curtailment.CURTAILED, rows)
    assert (_row(_night(_cut(0.1)), month)["curtailed_kwh"] > 0) == is_shown
    assert as_known_now(month)["curtailed_kwh"].sum() == pytest.approx(5 * missing_kwh if is_shown else 0.0)


def test_how_power_and_voltage_moved_is_kept_beside_the_energies():
    response = build.frame(
        voltage_response.SCHEMA, [{"site_id": "street", "day": DAY, "changes": 8.0, "against_changes": 6.5}]
    )
    assert (_row(_night(), None, response)["changes"], _row(_night(), None, response)["against_changes"]) == (8.0, 6.5)
    assert _row(_night())["changes"] == 0.0
