"""The pictures: which evidence becomes which plot, and that what is drawn lies where it should."""

import re
import xml.etree.ElementTree as ET
from datetime import UTC, date, datetime, timedelta

import pytest

from pipeline.digest import charts
from pipeline.digest.model import Matter
from pipeline.digest.plots import split_unit, to_plot
from tests.support.digest_facts import DAY, HOSTILE, finding, morning

SVG = "{http://www.w3.org/2000/svg}"


def matter(evidence: dict, **changed) -> Matter:
    rows = [finding("S0", "underperformance", 0, evidence=evidence, **changed)]
    return morning(rows).new[0]


def drawn(evidence: dict, **changed) -> ET.Element:
    svg = str(charts.picture(matter(evidence, **changed), 1))
    return ET.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def texts(svg: ET.Element) -> list[str]:
    return [t.text or "" for t in svg.iter(f"{SVG}text")]


def days_back(number: int) -> list[str]:
    return [str(DAY - timedelta(days=number - 1 - i)) for i in range(number)]


@pytest.mark.parametrize(
    ("key", "name", "unit"),
    [
        ("fed_in_w", "fed in", "W"),
        ("yield_kwh_per_kwp", "yield", "kWh/kWp"),
        ("irradiance_w_m2", "irradiance", "W/m²"),
        ("drift_s_per_day", "drift", "s/day"),
        ("trips_count", "trips", ""),
        ("flow", "flow", ""),
    ],
)
def test_units_live_in_the_keys(key, name, unit):
    assert split_unit(key) == (name, unit)


def test_series_of_one_axis_and_one_unit_are_drawn_together():
    x = days_back(3)
    plot = to_plot(
        matter({"seen_day": x, "expected_pct": [99, 99, 98], "made_pct": [80, None, 70], "loss_kwh": [1, 2, 3]})
    )
    assert plot.axis == "day"
    assert [(s.name, s.is_reference) for s in plot.series] == [("made", False), ("expected", True)]
    assert plot.series[0].values == [80, None, 70]
    assert plot.levels == []  # the expected line is there, so the threshold is not needed


def test_what_was_expected_decides_between_units():
    x = {"seen_day": days_back(2), "soc_max_pct": [36, 35], "soc_min_pct": [35, 35]}
    kwh = {"made_kwh": [5, 4], "expected_kwh": [9, 9], "expected_today_kwh": 9}
    assert [s.key for s in to_plot(matter(x | kwh)).series] == ["made_kwh", "expected_kwh"]
    assert to_plot(matter(x | kwh)).levels == []
    level = {"surplus_kwh": [1, 2], "reserve_pct": 35}
    assert [s.key for s in to_plot(matter(x | level)).series] == ["soc_max_pct", "soc_min_pct"]


def test_series_far_off_the_first_are_left_out():
    far = {"seen_days": days_back(20), "series_offset_min": list(range(50, 70)), "series_first_light_min": [985] * 20}
    assert [s.name for s in to_plot(matter(far)).series] == ["offset"]


def test_a_days_course_needs_no_axis_of_its_own():
    course = {"by_hour_kwh": [0.5] * 24, "fed_in_w": [None] * 40 + [100.0, 200.0] + [None] * 54, "fed_in_step_min": 15}
    plot = to_plot(matter(course | {"limit_w": 0}))
    # Place 40 of 15-minute steps is 10:00 to 10:15, its middle 10.125 h; the empty hours around are cut off.
    assert (plot.axis, plot.xs, plot.series[0].values) == ("clock", [10.125, 10.375], [100.0, 200.0])
    assert [v.value for v in plot.levels] == [0]
    plot = to_plot(matter({"by_hour_kwh": [0.5] * 24}))
    assert (plot.axis, plot.has_bars, len(plot.xs)) == ("hour", True, 24)


def test_a_ratio_is_a_line_and_an_energy_a_bar():
    assert not to_plot(matter({"seen_day": days_back(2), "site_ratio": [1, 2]})).has_bars
    assert to_plot(matter({"seen_day": days_back(2), "made_kwh": [1, 2]})).has_bars


def test_rows_in_any_order_are_drawn_in_time():
    plot = to_plot(matter({"seen_day": days_back(3)[::-1], "made_pct": [3, 2, 1]}))
    assert plot.series[0].values == [1, 2, 3]


def test_single_figures_of_the_unit_are_levels_else_the_threshold():
    x = {"seen_day": days_back(2), "soc_pct": [36, 35]}
    assert [(v.name, v.value) for v in to_plot(matter(x | {"reserve_pct": 35, "limit_w": 9})).levels] == [
        ("reserve", 35)
    ]
    assert [(v.name, v.value) for v in to_plot(matter(x)).levels] == [("threshold", 15)]
    assert to_plot(matter(x, unit="min")).levels == []
    late = {"seen_day": days_back(2), "offset_min": [-58, -60]}
    assert to_plot(matter(late, unit="min", value=-60.0, threshold=20.0)).levels[0].value == -20


@pytest.mark.parametrize(
    "evidence",
    [
        {},
        {"seen_day": ["no day"], "made_kwh": [1.0]},
        {"seen_day": days_back(2), "made_kwh": [1.0]},  # lengths differ
        {"seen_day": days_back(2), "made_kwh": [None, None]},
        {"seen_day": [], "made_kwh": []},
        {"seen_utc": [None, 3], "made_kwh": [1, 2]},
        {"seen_day": days_back(1), "made_kwh": [float("nan")]},
    ],
)
def test_without_a_series_the_value_stands_beside_its_threshold(evidence):
    assert to_plot(matter(evidence)) is None
    assert {"found", "threshold", "20 %", "15 %"} <= set(texts(drawn(evidence)))


def test_nothing_to_draw_is_no_picture():
    assert charts.picture(matter({}, value=float("nan")), 1) == ""


def test_bars_stand_on_zero_and_reach_their_value():
    # Domain 0 to 4 by steps of 1: the bar of 4 kWh is as high as the plot, that of 2 half as high.
    svg = drawn({"seen_day": days_back(2), "made_kwh": [4.0, 2.0]}, unit="%")
    path = next(p.get("d") for p in svg.iter(f"{SVG}path") if "bar" in (p.get("class") or ""))
    heights = [float(a) - float(b) for a, b in re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", path)]
    room = charts.HEIGHT - charts.TOP - charts.BOTTOM
    assert heights == pytest.approx([room, room / 2], abs=0.15)


def test_an_instant_is_shown_in_the_sites_time():
    # Vienna, 14 April: UTC+2, so 10:00 UTC is noon.
    start = datetime(2026, 4, 14, 8, tzinfo=UTC)
    x = [(start + timedelta(minutes=30 * i)).isoformat() for i in range(9)]
    svg = drawn({"seen_utc": x, "pv_w": [0, 1, 2, 3, 4, 3, 2, 1, 0]}, unit="W", value=5.0, threshold=5.0)
    places = {t.text: float(t.get("x")) for t in svg.iter(f"{SVG}text") if ":" in (t.text or "")}
    middle = charts.LEFT + (charts.WIDTH - charts.LEFT - charts.RIGHT) / 2
    assert places["12:00"] == pytest.approx(middle, abs=0.1)
    assert "from 14 April 2026 10:00 to 14:00, local time (Europe/Vienna)" in svg.find(f"{SVG}desc").text


def test_gaps_are_not_bridged():
    start = datetime(2026, 4, 14, tzinfo=UTC)
    minutes = [0, 5, 10, 15, 120, 125, 130]
    x = [(start + timedelta(minutes=m)).isoformat() for m in minutes]
    path = next(p.get("d") for p in drawn({"a_utc": x, "pv_w": [1.0] * 7}).iter(f"{SVG}path") if p.get("class") == "s0")
    assert path.count("M") == 2
    nulls = {"seen_day": days_back(5), "made_pct": [1, 2, None, 4, 5]}
    path = next(p.get("d") for p in drawn(nulls).iter(f"{SVG}path") if p.get("class") == "s0")
    assert path.count("M") == 2


def test_a_peak_survives_thinning_and_the_picture_stays_small():
    start = datetime(2026, 4, 14, tzinfo=UTC)
    x = [(start + timedelta(minutes=i)).isoformat() for i in range(1440)]
    flow = [100.0] * 1440
    flow[777] = -3999.0
    series = {"a_utc": x, "grid_w": flow, "load_w": [i * 1.37 for i in range(1440)], "expected_w": [5.5] * 1440}
    evidence = series | {"limit_w": 0}
    svg = str(charts.picture(matter(evidence, unit="W"), 1))
    assert len(svg) < 6500
    low = min(charts._thin(range(1440), flow), key=lambda point: point[1])
    assert low == (777, -3999.0)


def test_the_days_of_the_fault_are_shaded():
    x = {"seen_day": days_back(10), "made_pct": [90] * 10}
    marked = matter(x, since=DAY - timedelta(days=3))
    assert 'class="band"' in charts.picture(marked, 1)
    assert charts.caption(marked) == "from 5 April 2026 to 14 April 2026; shaded: since 11 April 2026"
    assert 'class="band"' not in charts.picture(matter(x, since=date(2026, 1, 1)), 1)


def test_pictures_are_named_and_described():
    svg = drawn({"seen_day": days_back(2), "made_kwh": [4.0, 2.0]})
    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == "pt1 pd1"
    assert svg.find(f"{SVG}title").text == "Roof 0: Yields too little"
    assert svg.find(f"{SVG}desc").text == "made from 2 to 4 kWh; from 13 April 2026 to 14 April 2026."


def test_hostile_names_and_keys_stay_text():
    evidence = {"<b>_day": days_back(2), "</svg><script>_kwh": [1.0, 2.0]}
    rows = [finding("S1", "underperformance", 0, evidence=evidence, unit="<i>")]
    svg = str(charts.picture(morning(rows).new[0], 1))
    assert "<script" not in svg and "<b>" not in svg
    assert HOSTILE.strip()[:8] not in svg
    ET.fromstring(svg)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (1234.5, "1,234"), (12.34, "12.3"), (0.0567, "0.057"), (-3, "−3"), (2.5, "2.5"), (float("inf"), "-")],
)
def test_figures_are_short(value, text):
    assert charts.number_text(value) == text


@pytest.mark.parametrize("values", [[0.0, 0.0], [230.1, 231.9], [-5.0, -1.0], [1e6, 2e6], [0.001, 0.002]])
@pytest.mark.parametrize("unit", ["v", "w", "pct", "kwh"])
def test_the_axis_holds_every_value(values, unit):
    plot = to_plot(matter({"seen_day": days_back(2), f"a_{unit}": values}, unit="none"))
    low, high, step = charts._domain(plot)
    assert low <= min(values) and max(values) <= high
    assert 1 <= round((high - low) / step) <= 6
