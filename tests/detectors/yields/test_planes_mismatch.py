"""When clear days exclude the registered planes: learned from invented days, and told from models written by hand."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.finding import DOES_NOT_APPLY, Finding, NotJudged
from detectors.solar import pv_model
from detectors.yields import hourly, site_model
from detectors.yields.planes_mismatch import MIN_LOG_RATIO, detect
from detectors.yields.roof_model import ROOF_MODEL
from tests.support import build, simulate_hours

FIRST = date(2025, 4, 1)
NO_ROOFS = ROOF_MODEL.to_frame()
LAST = FIRST + timedelta(days=59)


def _lower(fleet, *, turn=0.0, tilt=0.0, kept=None):
    """Of each roof the lesser log ratio of its two halves, with the register off by so many degrees."""
    sites = fleet.sites.with_columns(
        azimuth_deg=(pl.col("azimuth_deg") + turn) % 360, tilt_deg=(pl.col("tilt_deg") + tilt).clip(0, 85)
    )
    kept = fleet.kept if kept is None else kept
    told = site_model.learn(kept, sites, fleet.planes, kept["day"].max())
    assert told.height == sites.height
    return told.select(pl.min_horizontal("log_ratio_morning", "log_ratio_afternoon")).to_series().to_numpy()


def _dimmed(kept, hours):
    """`kept` with a third of the power in these hours of UTC, as behind trees."""
    shaded = pl.int_range(pl.len()).is_in(list(hours))
    cut = pl.when(shaded).then(pl.element() * 0.35).otherwise(pl.element()).cast(pl.Int32)
    return kept.with_columns(pv_w=pl.col("pv_w").list.eval(cut))


@pytest.fixture(scope="module")
def known():
    return simulate_hours.fleet(6102, latitude=48, first_day=FIRST, count=12, known_share=1.0)


def test_a_right_register_is_never_excluded_and_one_turned_by_a_right_angle_is(known):
    assert _lower(known).max() < MIN_LOG_RATIO / 2
    assert (_lower(known, turn=90.0) > MIN_LOG_RATIO).mean() >= 0.5
    assert (_lower(known, tilt=30.0) > MIN_LOG_RATIO).mean() >= 0.4


@pytest.mark.parametrize("hours", [range(15, 24), range(9), [*range(8), *range(16, 24)]])
def test_shade_of_an_evening_of_a_morning_or_of_both_excludes_nothing(known, hours):
    assert _lower(known, kept=_dimmed(known.kept, hours)).max() < MIN_LOG_RATIO / 2


def test_hills_on_both_sides_of_a_low_sun_exclude_nothing_and_hide_no_wrong_register():
    """Before 9 and after 15 hours the sun stands below 30 degrees near 33 north in late February."""
    roofs = simulate_hours.fleet(6103, latitude=33, first_day=date(2025, 2, 5), count=12, known_share=1.0)
    kept = _dimmed(roofs.kept, [*range(9), *range(15, 24)])
    assert _lower(roofs, kept=kept).max() < 1.0
    assert (_lower(roofs, turn=90.0, kept=kept) > MIN_LOG_RATIO).mean() >= 0.4


def test_a_winter_noon_between_mountains_says_nothing_of_planes():
    """Near 33 north the December sun stands above 30 degrees for two hours or three, about noon alone."""
    roofs = simulate_hours.fleet(6103, latitude=33, first_day=date(2024, 12, 1), count=12, known_share=1.0)
    assert np.isnan(_lower(roofs, kept=_dimmed(roofs.kept, [*range(11), *range(13, 24)]))).all()


def test_a_clock_that_is_half_an_hour_wrong_excludes_nothing(known):
    """Hourly exports hide so much from the sun's clock; half of each hour moves into the next one."""
    moved = pl.col("pv_w").list.eval((pl.element() / 2 + pl.element().shift(1).fill_null(0) / 2).cast(pl.Int32))
    model = site_model.learn(known.kept.with_columns(moved), known.sites, known.planes, LAST)
    verdicts = detect(_weekly(model), NO_ROOFS, known.sites, known.planes, LAST)
    assert not [one for one in verdicts if isinstance(one, Finding)]


ROOFS = {  # name -> its planes as they are, and as the register has them: share, tilt, azimuth
    "east-west": ([(0.5, 20, 90), (0.5, 20, 270)], [(0.5, 20, 90), (0.5, 20, 270)]),
    "east-west uneven": ([(0.6, 25, 100), (0.4, 25, 280)], [(0.5, 25, 100), (0.5, 25, 280)]),
    "flat": ([(1.0, 3, 180)], [(1.0, 3, 0)]),
    "steep": ([(1.0, 65, 200)], [(1.0, 65, 200)]),
    "turned": ([(1.0, 35, 250)], [(1.0, 35, 180)]),
    "entered flat": ([(1.0, 50, 180)], [(1.0, 5, 180)]),
}


@pytest.fixture(scope="module")
def learned():
    """The model of each of ROOFS, from twelve clear days of spring by the engine's own sky, with 1 % of noise."""
    rng, names = np.random.default_rng(7), list(ROOFS)
    dates = [FIRST + timedelta(days=5 * n) for n in range(12)]
    place = np.full(len(dates), 47.0), np.full(len(dates), 8.0)
    number = np.array([(one - date(1970, 1, 1)).days for one in dates], dtype=float)
    clear = pv_model.clear_hours(*place, number, np.full(len(dates), 15.0))
    rows = []
    for name, (true, _) in ROOFS.items():
        planes = [(day, 10 * share, tilt, azimuth) for day in range(len(dates)) for share, tilt, azimuth in true]
        frame = pl.DataFrame(planes, schema=["at", "kwp", "tilt_deg", "azimuth_deg"], orient="row")
        made = pv_model.roof_kw(clear, frame, frame["at"].to_numpy(), len(dates), np.full(len(dates), np.nan))
        made = made * rng.normal(1.0, 0.01, made.shape)
        rows += [{"site_id": name, "day": day, "pv_w": (1000 * power).astype(int).tolist(), "held_back_hours": 0,
                  "wander_ratio": 1.0} for day, power in zip(dates, made, strict=True)]  # fmt: skip
    sites = build.sites(*(
        {"site_id": name, "latitude": 47.0, "longitude": 8.0, "installed_kwp": 10.0, "inverter_kw": None,
         "tilt_deg": None, "azimuth_deg": None} for name in names
    ))  # fmt: skip
    planes = build.planes(*(
        {"site_id": name, "kwp": 10 * share, "tilt_deg": float(tilt), "azimuth_deg": float(azimuth)}
        for name, (_, told) in ROOFS.items() for share, tilt, azimuth in told
    ))  # fmt: skip
    return site_model.learn(build.frame(hourly.HOURLY, rows), sites, planes, LAST), sites, planes


def _weekly(model, count=4):
    """The same model as of so many weeks."""
    return pl.concat([model.with_columns(day=LAST - timedelta(days=7 * n)) for n in reversed(range(count))])


def test_east_west_flat_and_steep_roofs_are_left_alone_and_wrong_entries_are_told(learned):
    model, sites, planes = learned
    found = {
        one.site_id: one for one in detect(_weekly(model), NO_ROOFS, sites, planes, LAST) if isinstance(one, Finding)
    }
    assert found.keys() == {"turned", "entered flat"}
    turned = found["turned"]
    assert turned.severity == "watch"
    assert turned.evidence["learned_azimuth_deg"] == pytest.approx(250, abs=8)
    assert turned.evidence["learned_tilt_deg"] == pytest.approx(35, abs=5)
    assert turned.evidence["registered_text"] == "10.0 kWp 35/180"
    assert found["entered flat"].value == pytest.approx(45, abs=8)  # the angle between the two


SITE = {"site_id": "A", "tilt_deg": 30.0, "azimuth_deg": 180.0, "feed_in_limit_kw": None, "installed_kwp": 10.0}
MODEL = {
    "site_id": "A", "clear_days": 12, "tilt_deg": 31.0, "tilt_spread_deg": 5.0, "azimuth_deg": 240.0,
    "azimuth_spread_deg": 6.0, "residual_pct": 2.5, "registered_text": "10.0 kWp 30/180", "log_ratio_morning": 9.0,
    "log_ratio_afternoon": 7.0,
}  # fmt: skip


def _verdicts(*weeks, site=SITE):
    """By models of the weeks up to LAST, the last one newest."""
    rows = [{**MODEL, "day": LAST - timedelta(days=7 * (len(weeks) - 1 - n)), **more} for n, more in enumerate(weeks)]
    return detect(build.frame(site_model.MODEL, rows), NO_ROOFS, build.sites(site), build.planes(), LAST)


def test_four_weekly_models_that_agree_are_needed():
    (found,) = _verdicts({}, {}, {}, {})
    assert (found.kind, found.unit, found.since) == ("planes-mismatch", "deg", LAST - timedelta(days=21))
    for weeks in (({}, {}, {}), ({}, {}, {}, {"clear_days": 6})):
        (verdict,) = _verdicts(*weeks)
        assert isinstance(verdict, NotJudged)
        assert verdict.reason.code == "few-clear-days"


@pytest.mark.parametrize(
    "odd",
    [
        {"log_ratio_morning": 3.0},  # as the register has it before noon: an obstacle
        {"log_ratio_afternoon": -2.0},
        {"azimuth_deg": 195.0},  # within three sigma of the register
        {"azimuth_deg": 202.0},  # 11 degrees apart: what a clock could do
        {"residual_pct": 9.0},  # no single plane
    ],
)
def test_what_is_not_sure_is_not_told(odd):
    assert _verdicts({}, {}, {}, odd) == []


def test_a_corrected_register_begins_anew_and_other_sites_are_not_asked():
    (verdict,) = _verdicts({}, {}, {}, {}, site={**SITE, "azimuth_deg": 240.0})
    assert verdict.reason.code == "few-clear-days"
    for site, code in (
        ({**SITE, "azimuth_deg": None}, "planes-not-registered"),
        ({**SITE, "feed_in_limit_kw": 0.0}, "limit-shapes-days"),
    ):
        (verdict,) = _verdicts({}, {}, {}, {}, site=site)
        assert verdict.reason.code == code
        assert code in DOES_NOT_APPLY


def _of_turns(*turns, site=SITE):
    """By roof models of the weeks up to LAST, the last one newest, turned by so many degrees from azimuth 180."""
    rows = [
        {"site_id": "A", "day": LAST - timedelta(days=7 * (len(turns) - 1 - n)), "turn_deg": turn,
         "turned_from_deg": None if turn is None else [180.0], "turn_left_ratio": None if turn is None else 0.4}
        for n, turn in enumerate(turns)
    ]  # fmt: skip
    return detect(site_model.MODEL.to_frame(), build.frame(ROOF_MODEL, rows), build.sites(site), build.planes(), LAST)


@pytest.mark.parametrize("limit", [None, 0.0])
def test_planes_that_lie_turned_are_told_at_once_behind_a_limit_too(limit):
    (found,) = _of_turns(None, 180.0, 180.0, site={**SITE, "feed_in_limit_kw": limit})
    assert (found.kind, found.value, found.since) == ("planes-mismatch", 180.0, LAST - timedelta(days=7))
    assert "0°" in found.measured
    (found,) = _of_turns(90.0, 270.0, site={**SITE, "feed_in_limit_kw": limit})
    assert (found.value, found.since) == (90.0, LAST - timedelta(days=7))  # turned before, by another angle
    assert "anticlockwise, towards 90°" in found.summary


def test_a_young_roof_lies_turned_since_its_first_day():
    seen = [LAST - timedelta(days=n) for n in (9, 8, 7)]
    model = {"site_id": "A", "turn_deg": 180.0, "turned_from_deg": [180.0], "turn_left_ratio": 0.4}
    rows = [{**model, "day": LAST - timedelta(days=6), "history_day": seen}, {**model, "day": LAST}]
    (found,) = detect(
        site_model.MODEL.to_frame(), build.frame(ROOF_MODEL, rows), build.sites(SITE), build.planes(), LAST
    )
    assert found.since == seen[0]


def test_planes_that_lie_as_registered_by_now_are_not_told():
    for turns, site in (((180.0, None), SITE), ((180.0, 180.0), {**SITE, "azimuth_deg": 0.0})):
        (verdict,) = _of_turns(*turns, site=site)
        assert isinstance(verdict, NotJudged)
