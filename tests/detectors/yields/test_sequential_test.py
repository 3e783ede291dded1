"""The sequential test against its own definition done by hand, and what it must do with days of all kinds."""

import numpy as np
import pytest
from scipy.stats import t as student_t

from detectors.yields import limited_days, testing, zeros
from detectors.yields import sequential_test as seq


def _run(x, sigma, *, prior=0.05, walk=0.004, zero=None):
    """Log odds of a fall after each day of one site."""
    state = seq.start(seq.Prior(np.array([prior])))
    told = []
    for n, (value, one) in enumerate(zip(x, np.broadcast_to(sigma, len(x)), strict=True)):
        state = seq.advance(state, seq.walk_share(np.array([walk])))
        evidence = np.array([0.0 if zero is None else zero[n]])
        likelihoods = seq.likelihood(np.array([value]), np.array([one]), is_nothing=evidence > 0)
        state = seq.update(state, likelihoods, evidence)
        told.append(seq.report(state))
    return told


def test_one_step_is_bayes_rule_cell_by_cell():
    """Prior times likelihood over their sum, written out with loops."""
    state = seq.start(seq.Prior(np.array([0.08])))
    state = seq.advance(state, seq.walk_share(np.array([0.004])))
    got = seq.update(state, seq.likelihood(np.array([-0.2]), np.array([0.07])), np.zeros(1))
    expected = np.zeros(state.shape[1:])

    def weight(level):
        z = (-0.2 - level) / 0.07
        return (0.98 * 0.375 / 0.07 * (1 + z * z / 4) ** -2.5 + 0.02 * 0.16) ** 0.7

    for b, baseline in enumerate(seq.BASELINES):
        for d, deviation in enumerate(seq.DEVIATIONS):
            there = weight(baseline + deviation)
            comes_and_goes = d >= len(seq.DEVIATIONS) - len(seq.PASSING)
            expected[b, d] = state[0, b, d] * (0.5 * (there + weight(baseline)) if comes_and_goes else there)
    assert got[0] == pytest.approx(expected / expected.sum(), abs=1e-12)


def test_a_day_counts_by_students_t_whose_root_mean_square_is_its_sigma():
    """scipy's t of 4 degrees, with the scale that makes its standard deviation the day's sigma."""
    sigma, x = 0.09, -0.25
    scale = sigma / student_t.std(4)
    nothing, unknown, no = np.zeros(1), np.full(1, np.nan), np.zeros(1, dtype=bool)
    whole_day = np.full((1, len(limited_days.LEVELS)), np.nan)
    told = testing.Evidence(
        np.array([x]),
        np.array([sigma]),
        unknown,
        nothing,
        nothing,
        nothing,
        nothing,
        no,
        np.zeros(1, dtype=np.intp),
        unknown,
        whole_day,
        nothing,
        no,
        no,
    )
    state = seq.start(seq.Prior(np.array([0.1])))
    after = testing.step(state, np.zeros(1), told)[0, :, 0]
    before = seq.advance(state, np.zeros(1))[0, :, 0]
    at = np.flatnonzero(before > 1e-6)
    density = 0.98 * student_t.pdf((x - seq.BASELINES[at]) / scale, 4) / scale + 0.02 * 0.16
    got = after[at] / before[at]
    assert got / got.max() == pytest.approx(density**0.7 / (density**0.7).max(), rel=1e-6)


@pytest.mark.parametrize("x", [-3.3, -3.66, -3.86, -4.2])
def test_a_plain_day_of_nothing_opens_a_case_wherever_its_logarithm_is_cut_off(x):
    """Under the clearest of skies, when a day's sigma is smallest, none of the levels of nothing meets it."""
    told = _run([0.0] * 20 + [x], 0.024, zero=[0.0] * 20 + [zeros.PLAIN_EVIDENCE])
    assert told[-2].log_odds_fall[0] < seq.CLOSE and told[-1].log_odds_fall[0] > seq.OPEN


def test_probabilities_stay_probabilities_and_walks_lose_nothing():
    state = seq.start(seq.Prior(np.array([0.3, 0.05])))
    for _ in range(50):
        state = seq.advance(state, seq.walk_share(np.array([0.012, 0.004])))
    assert state.sum(axis=(1, 2)) == pytest.approx([1.0, 1.0])
    assert (state >= 0).all()


@pytest.mark.parametrize(("fall", "days"), [(0.22, 10), (0.36, 5), (0.69, 5)])
def test_a_fall_is_believed_in_within_days_and_not_before(fall, days):
    rng = np.random.default_rng(7)
    x = rng.normal(0, 0.03, 60)
    x[40:] -= fall
    odds = [one.log_odds_fall for one in _run(x, 0.04)]
    assert max(float(one[0]) for one in odds[:40]) < seq.CLOSE
    assert float(odds[39 + days][0]) > seq.OPEN


def test_healthy_sites_hardly_ever_look_faulty():
    rng = np.random.default_rng(3)
    highest = []
    for _ in range(20):
        x = rng.standard_t(4, 90) * 0.05 + rng.normal(0, 0.04)
        highest.append(max(float(one.log_odds_fall[0]) for one in _run(x, 0.06)))
    assert max(highest) < 0
    assert np.median(highest) < -3


@pytest.mark.parametrize("rhythm", [2, 3])
def test_a_fall_that_comes_and_goes_is_believed_in_and_told_from_one_that_stays(rhythm):
    """Every second or third day lacks 30 %: each repair by itself would end a lasting fall the day after."""
    rng = np.random.default_rng(11)
    x = rng.normal(0, 0.03, 60)
    x[30::rhythm] -= 0.36
    told = _run(x, 0.04)
    assert max(float(one.log_odds_fall[0]) for one in told[:30]) < seq.CLOSE
    assert max(float(one.log_odds_fall[0]) for one in told[:46]) > seq.OPEN  # on days on which it is there
    assert min(float(one.log_odds_fall[0]) for one in told[45:]) > seq.CLOSE  # and stays open on the others
    assert float(told[45].passing[0]) > 0.9
    assert float(told[45].depth[0]) == pytest.approx(-0.36, abs=0.06)
    stays = _run(np.append(x[:30], x[:30] - 0.36), 0.04)
    assert float(stays[45].passing[0]) < 0.1
    healed = _run(np.append(x, rng.normal(0, 0.03, 30)), 0.04)
    assert float(healed[-1].log_odds_fall[0]) < seq.CLOSE


def test_two_odd_days_in_a_month_are_no_fall_that_comes_and_goes():
    x = np.random.default_rng(5).normal(0, 0.03, 60)
    x[[30, 44]] -= 0.4
    assert max(float(one.log_odds_fall[0]) for one in _run(x, 0.05)) < seq.REFERENCE


def test_a_single_odd_day_is_an_outlier():
    x = np.zeros(40)
    x[20] = -1.0
    odds = [float(one.log_odds_fall[0]) for one in _run(x, 0.06)]
    assert max(odds) < seq.REFERENCE


def test_days_that_say_little_move_little_and_unknown_ones_nothing():
    clear = _run(np.append(np.zeros(20), [-0.7] * 3), 0.06)[-1]
    vague = _run(np.append(np.zeros(20), [-0.7] * 3), np.append(np.full(20, 0.06), [0.5] * 3))[-1]
    unknown = _run(np.append(np.zeros(20), [np.nan] * 3), 0.06)[-1]
    assert clear.log_odds_fall[0] > vague.log_odds_fall[0] > unknown.log_odds_fall[0]
    assert unknown.log_odds_fall[0] < -5


def test_a_rise_is_possible_from_the_first_day_alone():
    early = _run(np.full(20, 0.46), 0.06)[-1]
    late = _run(np.append(np.zeros(20), np.full(20, 0.46)), 0.06)[-1]
    assert early.log_odds_rise[0] > seq.OPEN
    assert late.log_odds_rise[0] < 0


def test_days_without_anything_prove_a_dark_roof():
    x = np.append(np.zeros(20), [-3.9, -3.9])
    zero = np.append(np.zeros(20), [4.0, 4.0])
    assert _run(x, 0.06, zero=zero)[-1].log_odds_fall[0] > seq.OPEN
    assert _run(x, 0.06, zero=zero)[-1].depth[0] < -2.4


def test_a_repaired_site_is_believed_in_again():
    x = np.concatenate([np.zeros(20), np.full(15, -0.5), np.zeros(15)])
    odds = [float(one.log_odds_fall[0]) for one in _run(x, 0.06)]
    assert odds[34] > seq.OPEN
    assert odds[-1] < seq.CLOSE


def test_states_laid_away_come_back():
    rng = np.random.default_rng(5)
    state = seq.start(seq.Prior(np.array([0.05, 0.4, 0.1])))
    for _ in range(30):
        state = seq.advance(state, seq.walk_share(np.full(3, 0.004)))
        x = rng.normal(0, 0.05, 3) - [0, 0.3, 0]
        state = seq.update(state, seq.likelihood(x, np.full(3, 0.06)), np.zeros(3))
    back = seq.unpack(seq.pack(state))
    for got, want in zip(seq.report(back), seq.report(state), strict=True):
        assert np.maximum(got, -15) == pytest.approx(np.maximum(want, -15), abs=0.05)  # what is less is let go


def test_what_a_roof_made_at_least_contradicts_deep_falls_alone():
    """It errs alike from day to day, so a month of it must not speak against a fall of a tenth."""
    state = seq.start(seq.Prior(np.array([0.1])))
    before = state.sum(axis=1)[0]
    for _ in range(30):
        state = seq.update(state, seq.not_below(np.zeros(1)), np.zeros(1))
    share = np.divide(state.sum(axis=1)[0], before, out=np.zeros(len(before)), where=before > 0)
    assert share[seq.DEVIATIONS < -0.7].max() < 0.01
    assert share[seq.DEVIATIONS == -0.1] > 0.5
    assert seq.not_below(np.array([np.nan])).min() == 1.0


@pytest.mark.parametrize(("level", "rises"), [(0.33, True), (0.12, False)])
def test_a_level_far_above_the_register_is_a_rise_and_no_healthy_baseline(level, rises):
    """The baseline's sigma is 0.07: 0.33 is nearly five of them, 0.12 is a good roof."""
    told = _run(level + np.random.default_rng(3).normal(0, 0.03, 20), 0.04, prior=0.07)
    assert (float(told[-1].log_odds_rise[0]) > seq.OPEN) == rises
