"""What a case is called by the days behind it."""

from datetime import date

import numpy as np
import pytest

from detectors.yields import diagnosis, missing_part
from detectors.yields import history as of_site
from detectors.yields.diagnosis import Odds
from detectors.yields.half_hours import Days
from detectors.yields.history import History
from detectors.yields.missing_part import Parts


def _history(x, is_zero):
    count = len(x)
    nothing = np.full((count, 4), np.nan)
    return History(
        date(2026, 5, 1), np.array(x, dtype=float), np.full(count, 0.05), np.full(count, 0.05),
        np.array(is_zero, dtype=bool),
        nothing, nothing, np.full(count, 20.0), np.full(count, 20.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("x", "is_zero", "is_dark", "is_alive"),
    [
        ([0, -3.9, -3.9], [0, 1, 1], True, False),
        ([-3.9, -3.9, -1.2], [1, 1, 0], True, False),  # one day alone may be a test of the installer's ...
        ([-3.9, -3.9, -0.1], [1, 1, 0], False, True),  # ... but not with all that was due
        ([-3.9, -1.2, -1.2], [1, 0, 0], False, True),
        ([-3.9, -1.2, np.nan, np.nan], [1, 0, 0, 0], False, False),  # days that told nothing prove nothing
    ],
)
def test_a_roof_is_dark_on_two_days_of_three_and_alive_on_two_that_tell(x, is_zero, is_dark, is_alive):
    history = _history(x, is_zero)
    assert of_site.is_dark(history) == is_dark
    assert of_site.is_alive(history) == is_alive


def _parts(inputs_w, share=(1.0,)):
    """Twenty days of as many half hours, of inputs with these powers (None = not measured)."""
    shape = (20, 10)
    inputs = np.stack([np.full(shape, np.nan if one is None else one) for one in inputs_w])
    nothing = np.zeros(shape)
    days = Days(
        np.zeros(20, dtype=int), np.arange(20), np.zeros(20), np.zeros(shape, dtype=int), nothing, nothing, nothing,
        inputs, nothing, None,
    )  # fmt: skip
    return Parts(days, np.array(share), np.zeros(0))


def _diagnosed(level, parts, *, before=0, of=20):
    """What a level is called that holds from the day `before` on."""
    x = [0.0] * before + [level] * (of - before)
    odds = Odds(9.0, -20.0, level, np.full(4, np.nan), 0.1)
    return diagnosis.diagnose(odds, _history(x, [0] * of), parts, 3.5)


@pytest.mark.parametrize(
    ("level", "inputs_w", "kind", "number"),
    [
        (np.log(0.67), (2000.0, 0.0, 1900.0, None), "string-loss", 2),  # one of three
        (np.log(0.67), (2000.0, 1800.0, 1900.0, None), "capacity-mismatch", 0),
        (np.log(0.85), (2000.0, 0.0, 1900.0, None), "capacity-mismatch", 0),  # an input that never had modules
        (np.log(0.5), (None, None, None, None), "capacity-mismatch", 0),  # one of two strings, or half of the modules
        (np.log(0.7), (None, None, None, None), "capacity-mismatch", 0),
    ],
)
def test_what_was_missing_from_the_first_day_is_a_string_if_the_inputs_say_so(level, inputs_w, kind, number):
    case = _diagnosed(level, _parts(inputs_w))
    assert (case.kind, case.number, case.first) == (kind, number, 0)
    assert case.was_always


@pytest.mark.parametrize(("gone", "kind"), [(0, "string-loss"), (2, "string-loss"), (None, "underperformance")])
def test_a_plane_of_three_that_is_gone_shows_in_the_shape_of_the_days(gone, kind):
    """East, equator and west: without one the day has another shape, at seven tenths of its height the same."""
    hour = np.linspace(-6, 6, 10)
    each = np.stack([900 * np.clip(np.cos((hour - noon) / 4), 0, None) for noon in (-3, 0, 3)])
    each = np.broadcast_to(each[:, None], (3, 20, 10))
    made = 0.7 * each.sum(axis=0) if gone is None else each.sum(axis=0) - each[gone]
    parts = _parts((None,) * 4, share=(0.3, 0.4, 0.3))
    first = (date(2026, 5, 1) - date(1970, 1, 1)).days
    days = parts.days._replace(
        day=first + np.arange(20), share=np.ones((20, 10)), clearness=np.ones((20, 10)), power_w=made
    )
    history = _history([0.0] * 8 + [np.log(0.7)] * 12, [0] * 20)
    assert missing_part.part_of(history, history.on(8), Parts(days, parts.shares, each)) == (kind, 0)
    dark = days._replace(power_w=np.zeros((20, 10)))  # it has no shape
    assert missing_part.part_of(history, history.on(8), Parts(dark, parts.shares, each)) == ("underperformance", 0)


@pytest.mark.parametrize(
    ("missing", "turned", "kind"),
    [
        (0.45, 0.0, "string-loss"),  # the lesser of two planes that look the same way
        (0.57, 0.1, "string-loss"),  # the other one; they look nearly the same way
        (0.30, 0.0, "underperformance"),
        (0.45, 3.0, "underperformance"),  # a plane that is gone would show in the days' shape
    ],
)
def test_of_planes_that_look_the_same_way_the_share_tells_which_is_gone(missing, turned, kind):
    hour = np.linspace(-6, 6, 10)
    each = np.stack([share * 2000 * np.clip(np.cos((hour - noon) / 4), 0, None)
                     for share, noon in ((0.45, 0.0), (0.55, turned))])  # fmt: skip
    each = np.broadcast_to(each[:, None], (2, 20, 10))
    fallen = np.where(np.arange(20) < 8, 1.0, 1 - missing)[:, None]
    parts = _parts((None,) * 4, share=(0.45, 0.55))
    first = (date(2026, 5, 1) - date(1970, 1, 1)).days
    days = parts.days._replace(
        day=first + np.arange(20), slot=np.broadcast_to(np.arange(10), (20, 10)), share=np.ones((20, 10)),
        clearness=np.ones((20, 10)), power_w=fallen * each.sum(axis=0),
    )  # fmt: skip
    history = _history([0.0] * 8 + [np.log(1 - missing)] * 12, [0] * 20)
    assert missing_part.part_of(history, history.on(8), Parts(days, parts.shares, each)) == (kind, 0)


@pytest.mark.parametrize(("gone", "kind"), [(0, "string-loss"), (1, "string-loss"), (None, "underperformance")])
def test_a_hill_that_hides_the_evening_sun_is_no_plane_that_is_gone(gone, kind):
    """East and west: the hill takes most of the west plane's light from the first day on."""
    hour = np.linspace(-6, 6, 10)
    each = np.stack([900 * np.clip(np.cos((hour - noon) / 4), 0, None) for noon in (-2, 2)])
    each = np.broadcast_to(each[:, None], (2, 20, 10))
    hill = np.where(hour > 1, 0.2, 1.0)
    before, whole = hill * each.sum(axis=0), each.sum(axis=0)
    after = 0.7 * before if gone is None else hill * (whole - each[gone])
    is_before = (np.arange(20) < 8)[:, None]
    parts = _parts((None,) * 4, share=(0.5, 0.5))
    first = (date(2026, 5, 1) - date(1970, 1, 1)).days
    days = parts.days._replace(
        day=first + np.arange(20), slot=np.broadcast_to(np.arange(10), (20, 10)), share=np.ones((20, 10)),
        clearness=np.ones((20, 10)), power_w=np.where(is_before, before, after),
    )  # fmt: skip
    history = _history([0.0] * 8 + [np.log(0.7)] * 12, [0] * 20)
    assert missing_part.part_of(history, history.on(8), Parts(days, parts.shares, each)) == (kind, 0)


def test_a_half_of_a_roof_whose_planes_nobody_knows_may_be_its_planes():
    assert _diagnosed(np.log(0.5), _parts((None,) * 4, share=())).kind == "capacity-mismatch"
    silent = _diagnosed(np.log(0.35), _parts((0.0, 900.0, None, None), share=()))
    assert (silent.kind, silent.number) == ("string-loss", 1)


def test_what_is_missing_after_dark_days_began_after_them():
    """A roof that was dead for six days and lacks a third since it is back: the dark days were told as such."""
    dark = [0] * 10 + [1] * 6 + [0] * 14
    x = [0.0] * 10 + [-3.9] * 6 + [-0.4] * 14
    odds = Odds(9.0, -20.0, -0.4, np.full(4, np.nan), 0.1)
    case = diagnosis.diagnose(odds, _history(x, dark), _parts((None,) * 4), 3.5)
    assert (case.kind, case.first) == ("underperformance", 16)
    assert diagnosis.diagnose(odds, _history(x[:16], dark[:16]), _parts((None,) * 4), 3.5).first == 10
    # Dead from the first day on: nobody saw more before, so nothing went missing.
    never = diagnosis.diagnose(odds, _history(x[10:], dark[10:]), _parts((None,) * 4), 3.5)
    assert (never.kind, never.first, never.was_always) == ("capacity-mismatch", 6, True)


def test_a_ripple_on_a_level_that_never_fitted_is_no_fall():
    """A fifth was missing from the first day on; a dull week of 6 % more is not what the test believes in."""
    x = [-0.2] * 13 + [-0.26] * 7
    odds = Odds(9.0, -20.0, -0.22, np.full(4, np.nan), 0.1)
    case = diagnosis.diagnose(odds, _history(x, [0] * 20), _parts((None,) * 4), 3.5)
    assert (case.kind, case.first, case.before) == ("capacity-mismatch", 0, 0.0)
    few = diagnosis.diagnose(odds, _history([-0.2] * 4 + [-0.26] * 8, [0] * 12), _parts((None,) * 4), 3.5)
    assert few.kind == "underperformance"  # so few days before prove no level


def test_a_fall_that_comes_and_goes_is_no_string_by_its_size():
    """Half of the power is gone on some days: the test says that it comes and goes, with the level of its days."""
    x = np.full(30, 0.01)
    x[[12, 13, 15, 18, 22, 23, 27]] = -0.69
    odds = Odds(9.0, -20.0, -0.7, np.full(4, np.nan), 0.1, passing=0.97, baseline=0.01)
    case = diagnosis.diagnose(odds, _history(x, [0] * 30), _parts((None,) * 4), 3.5)
    assert (case.kind, case.first, case.is_passing) == ("underperformance", 12, True)
    assert (case.before, case.after) == pytest.approx((0.01, -0.69))
    stays = diagnosis.diagnose(odds._replace(passing=0.2), _history(x, [0] * 30), _parts((None,) * 4), 3.5)
    assert not stays.is_passing


@pytest.mark.parametrize(("is_unknown", "before", "is_told"), [(False, 2, True), (True, 9, False), (True, 10, True)])
def test_what_came_and_went_from_the_first_days_on_at_unknown_planes_is_the_skies(is_unknown, before, is_told):
    x = np.full(30, 0.0)
    x[before::2] = -0.4
    odds = Odds(9.0, -20.0, -0.4, np.full(4, np.nan), 0.1, passing=0.97)
    case = diagnosis.diagnose(odds, _history(x, [0] * 30), _parts((None,) * 4), 3.5, is_unknown=is_unknown)
    assert (case is not None) == is_told


def test_a_fall_in_the_span_was_not_always_there():
    assert not _diagnosed(np.log(0.7), _parts((None,) * 4), before=8).was_always


@pytest.mark.parametrize(("before", "kind"), [(0, "capacity-mismatch"), (1, "string-loss"), (2, "string-loss")])
def test_a_roof_that_had_its_power_on_its_first_days_lost_it(before, kind):
    """Half of it was gone from then on; where no day had it, nobody knows that it was ever there."""
    case = _diagnosed(np.log(0.5), _parts((None,) * 4), before=before, of=12)
    assert (case.kind, case.first) == (kind, before)
    slight = _diagnosed(np.log(0.9), _parts((None,) * 4), before=min(before, 1), of=12)
    assert slight.was_always  # one day a tenth above the others is the weather's


def test_how_near_to_a_half_is_one_depends_on_how_well_the_days_before_are_known():
    """55 % of a lone site's power: two days before err by as much, ten do not."""
    x = np.array([0.0] * 10 + [np.log(0.45)] * 10)
    lone = _history(x, [0] * 20)._replace(above_sigma=np.full(20, 0.1))
    known, few = lone, lone._replace(x=np.append(np.full(8, np.nan), x[8:]))
    for history, kind in ((known, "underperformance"), (few, "string-loss")):
        assert missing_part.part_of(history, history.on(10), _parts((None,) * 4)) == (kind, 0)


def test_inputs_that_nobody_saw_before_the_fall_do_not_say_that_no_string_is_lost():
    history = _history([0.0] * 4 + [np.log(0.5)] * 8, [0] * 12)
    seen, unseen = (np.full((12, 4), np.nan) for _ in range(2))
    seen[:, :2] = 0.0
    unseen[6:, :2] = 0.0
    for inputs, kind in ((seen, "underperformance"), (unseen, "string-loss")):
        assert missing_part.part_of(history._replace(input_x=inputs), history.on(4), _parts((None,) * 4)) == (kind, 0)


def test_a_string_that_fell_before_its_planes_were_learned_fell_when_the_site_did():
    """Inputs are told from the sixth day on, and the site had all of its power on the first two."""
    history = _history([0.0] * 2 + [np.log(0.5)] * 12, [0] * 14)
    inputs = np.full((14, 4), np.nan)
    inputs[5:, 0] = -3.0
    inputs[5:, 1] = 0.0
    odds = Odds(9.0, -20.0, -0.7, np.array([9.0, -5.0, np.nan, np.nan]), 0.1)
    mine = history._replace(input_x=inputs, input_sigma=np.full((14, 4), 0.1))
    case = diagnosis.diagnose(odds, mine, _parts((None,) * 4), 3.5)
    assert (case.kind, case.number, case.first) == ("string-loss", 1, 2)


QUIET, UNSTEADY = (0.1, -0.1, 0.1, 0.0, -0.1, 0.1, 0.0, 0.1), (0.9, -0.8, 0.7, -0.9, 0.8, 0.3, -0.1, 0.9)


@pytest.mark.parametrize(
    ("before", "is_unknown", "fall", "kind"),
    [
        (UNSTEADY, False, 1.0, "string-loss"),
        (QUIET, True, 1.0, None),  # the site lost nothing: the sun moved on, and no one knows the input's planes
        (QUIET, True, 9.0, "string-loss"),
        (UNSTEADY, True, 9.0, "underperformance"),  # the site fell, but the input's share goes with the sky
    ],
)
def test_an_input_of_learned_planes_names_a_fall_of_the_sites_alone(before, is_unknown, fall, kind):
    count = len(before) + 6
    inputs = np.full((count, 4), np.nan)
    inputs[:, 0] = 0.0
    inputs[:, 1] = (*before, -0.95, -0.8, -0.7, -0.9, -0.8, -0.9)
    odds = Odds(fall, -20.0, -0.4, np.array([-5.0, 4.5, np.nan, np.nan]), 0.1)
    x = [0.0] * len(before) + [-0.4] * 6
    mine = _history(x, [0] * count)._replace(input_x=inputs, input_sigma=np.full((count, 4), 0.2))
    case = diagnosis.diagnose(odds, mine, _parts((None,) * 4), 3.5, is_unknown=is_unknown)
    assert (case and case.kind) == kind


@pytest.mark.parametrize(("shift", "kind"), [(-0.5, "underperformance"), (-1.4, "string-loss")])
def test_an_input_that_fell_by_less_than_the_whole_roof_is_not_what_went_missing(shift, kind):
    """59 % of the roof: an input at 61 % of its share beside the other cannot lack as much, one at 25 % may."""
    inputs = np.full((16, 4), np.nan)
    inputs[:, 0], inputs[:, 1] = -np.array([0.0] * 10 + [shift] * 6), [0.0] * 10 + [shift] * 6
    history = _history([0.0] * 10 + [np.log(0.41)] * 6, [0] * 16)._replace(input_x=inputs)
    told = missing_part.part_of(history, history.on(10), _parts((None,) * 4))
    assert told == (kind, 2 if kind == "string-loss" else 0)


@pytest.mark.parametrize(("level", "is_dead"), [(-1.5, False), (-3.5, True)])
def test_an_input_under_a_sun_that_left_it_is_not_dead(level, is_dead):
    """A quarter of what its learned planes should make, on the far side of the roof in autumn; a thirtieth is none."""
    odds = Odds(1.0, -20.0, -0.1, np.array([9.0, -5.0, np.nan, np.nan]), 0.1)
    inputs = np.full((12, 4), np.nan)
    inputs[:, 0] = level
    inputs[:, 1] = 0.0
    mine = _history([0.0] * 12, [0] * 12)._replace(input_x=inputs)
    assert (diagnosis.decisive(odds, mine, is_unknown=True) > 3.5) == is_dead
    assert diagnosis.decisive(odds, mine, is_unknown=False) > 3.5


def test_an_input_that_makes_nothing_is_a_string_whatever_is_known_of_the_planes():
    inputs = np.full((8, 4), np.nan)
    inputs[:, 0] = 0.0
    inputs[:, 1] = -4.0
    odds = Odds(1.0, -20.0, -0.4, np.array([-5.0, 9.0, np.nan, np.nan]), 0.1)
    mine = _history([-0.7] * 8, [0] * 8)._replace(input_x=inputs, input_sigma=np.full((8, 4), 0.2))
    case = diagnosis.diagnose(odds, mine, _parts((None,) * 4), 3.5, is_unknown=True)
    assert (case.kind, case.number) == ("string-loss", 2)


def test_a_part_is_named_again_when_more_days_show_its_share():
    """The first dull days said 58 %, the days since say a half."""
    x = [0.0] * 8 + [-0.87, -0.86] + [-0.69] * 6
    early, late = (_history(x[:n], [0] * n) for n in (10, 16))
    first_day = early.on(8)
    assert missing_part.part_of(early, first_day, _parts((None,) * 4)) == ("underperformance", 0)
    assert missing_part.part_of(late, first_day, _parts((None,) * 4)) == ("string-loss", 0)


@pytest.mark.parametrize(
    ("clear_x", "days", "is_told"),
    [
        ([0.28], 7, True),  # a clear day shows it too
        ([0.0], 7, False),  # a clear day gives what the register says: the neighbours make less than their models
        ([0.0, 0.28], 12, True),
        ([], 7, False),  # no clear day yet ...
        ([], 12, True),  # ... nor any in time
    ],
)
def test_more_than_registered_is_not_told_against_a_clear_day(clear_x, days, is_told):
    shown = np.full(days, np.nan)
    shown[: len(clear_x)] = clear_x
    history = _history([0.3] * days, [0] * days)._replace(clear_x=shown)
    odds = Odds(-20.0, 9.0, 0.3, np.full(4, np.nan), 0.1)
    told = diagnosis.diagnose(odds, history, _parts((2000.0,)), 3.5)
    assert (told is not None) == is_told


@pytest.mark.parametrize(
    ("low", "even_days", "is_pair", "is_told"),
    [
        (-1.5, 0, False, False),  # nine days that an overcast explains as well
        (-1.5, 1, False, False),
        (-1.5, 2, False, True),  # on two of them the best spans made up most of the day
        (-1.5, 0, True, True),  # neighbours tell the sky
        (-0.4, 0, False, True),  # no overcast lets through two thirds all day
        (-3.2, 0, False, True),  # ... nor as little as that
    ],
)
@pytest.mark.parametrize("passing", [0.0, 0.97])
def test_at_a_lone_site_a_dull_week_is_no_fall(low, even_days, is_pair, is_told, passing):
    x = [0.0, -1.2, 0.05, 0.0, -0.1] * 5 + [low] * 9
    near = np.array([0.7, 0.3, 0.7, 0.5, 0.4] * 5 + [0.45] * (9 - even_days) + [0.7] * even_days)
    history = _history(x, [0] * 34)._replace(lone_near=np.where(is_pair, np.nan, near))
    odds = Odds(9.0, -20.0, low, np.full(4, np.nan), 0.1, passing=passing)
    case = diagnosis.diagnose(odds, history, _parts((None,) * 4), 3.5)
    assert (case is not None) == is_told
    if case is not None:
        assert case.kind == "underperformance"


@pytest.mark.parametrize(("days", "highest", "is_told"), [(20, -1.0, True), (20, -0.2, False), (9, -1.0, False)])
def test_a_fortnight_that_ends_at_one_height_is_no_overcast(days, highest, is_told):
    """The plane that is left has another shape than the whole roof: no day's best spans make up most of it."""
    since = np.random.default_rng(5).permutation(np.append(np.full(7, -1.0), np.linspace(-1.6, highest, days - 7)))
    x = [0.0, -1.2, 0.05, 0.0, -0.1] * 5 + since.tolist()
    near = np.array([0.7, 0.3, 0.7, 0.5, 0.4] * 5 + [0.2] * days)
    history = _history(x, [0] * len(x))._replace(lone_near=near)
    odds = Odds(9.0, -20.0, -1.1, np.full(4, np.nan), 0.1)
    assert (diagnosis.diagnose(odds, history, _parts((None,) * 4), 3.5) is not None) == is_told


@pytest.mark.parametrize(("highest", "is_told"), [(-2.0, True), (-0.9, False)])
def test_a_lone_roof_that_ends_at_one_height_from_its_first_day_on_has_other_modules(highest, is_told):
    """No best span lasts: a month at the height of a tenth of the modules, or of what clouds let through."""
    x = np.random.default_rng(3).permutation(np.linspace(-2.3, highest, 34))
    history = _history(x.tolist(), [0] * 34)._replace(lone_near=np.full(34, 0.25), above_sigma=np.full(34, 0.1))
    history = history._replace(sigma=np.full(34, 0.5))
    odds = Odds(6.0, -20.0, -2.1, np.full(4, np.nan), 0.1)
    case = diagnosis.diagnose(odds, history, _parts((None,) * 4), 3.5, is_unknown=True)
    assert (case is not None and case.kind == "capacity-mismatch" and case.was_always) == is_told


@pytest.mark.parametrize(
    ("of_onset", "sigma", "first"),
    [
        (np.log(0.6), 0.03, 7),  # from the afternoon of the day before on
        (np.log(0.97), 0.03, 8),
        (np.log(0.6), 0.4, 8),  # a day that tells nothing
        (np.nan, 0.03, 8),
    ],
)
def test_a_fault_that_began_amid_a_day_has_that_day(of_onset, sigma, first):
    history = _history([0.0] * 7 + [of_onset] + [np.log(0.3)] * 6, [0] * 14)
    history.sigma[7] = sigma
    case = diagnosis.Case("string-loss", 8, 8, 8, 0.0, float(np.log(0.3)), 0)
    told = diagnosis.from_its_onset(case, history)
    assert (told.first, told.earliest, told.latest) == (first, first, 8)
    assert diagnosis.from_its_onset(case._replace(was_always=True), history).first == 8


@pytest.mark.parametrize(("highest", "days", "is_told"), [(-2.0, 34, True), (-1.2, 34, False)])
def test_a_lone_roof_that_was_low_from_the_first_fell_from_no_cloudy_height(highest, days, is_told):
    """A little lower since the eighth day, under clouds all along: another size, once a height shows, or nothing."""
    x = np.concatenate([np.full(8, -2.0), np.random.default_rng(5).permutation(np.linspace(-2.9, highest, days - 8))])
    history = _history(x.tolist(), [0] * days)._replace(lone_near=np.full(days, 0.25), above_sigma=np.full(days, 0.1))
    history = history._replace(sigma=np.full(days, 0.475))
    case = diagnosis.diagnose(
        Odds(6.0, -20.0, -2.3, np.full(4, np.nan), 0.1), history, _parts((None,) * 4), 3.5, is_unknown=True
    )
    assert (case is not None) == is_told
    assert case is None or (case.kind, case.was_always) == ("capacity-mismatch", True)
