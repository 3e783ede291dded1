"""The pictures: which evidence becomes which plot, and that what is drawn lies where it should."""

import re
import xml.etree.ElementTree as ET
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.digest import charts, paths
from pipeline.digest.model import ExceptionFacts
from pipeline.digest.plots import Plot, to_plots
from tests.support.digest_facts import DAY, HOSTILE, finding, morning

SVG = "{http://www.w3.org/2000/svg}"


def one(name: str, unit: str, at: list[str], values: list, role: str = "measured") -> dict:
    return {"name": name, "unit": unit, "role": role, "at": at, "values": values}


def told(*series: dict, **changed) -> ExceptionFacts:
    rows = [finding("S0", "underperformance", 0, evidence={"series": list(series)}, **changed)]
    return morning(rows).new[0]


def to_plot(one: ExceptionFacts) -> Plot:
    (plot,) = to_plots(one)
    return plot


def drawn(*series: dict, **changed) -> ET.Element:
    svg = str(charts.pictures(told(*series, **changed))[0].svg)
    return ET.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def texts(svg: ET.Element) -> list[str]:
    return [t.text or "" for t in svg.iter(f"{SVG}text")]


def days_back(number: int) -> list[str]:
    return [str(DAY - timedelta(days=number - 1 - i)) for i in range(number)]


def level(name: str, unit: str, value: float, role: str = "limit") -> dict:
    return one(name, unit, days_back(2), [value, value], role)


def test_series_of_one_axis_and_one_unit_are_drawn_together():
    x = days_back(3)
    plot = to_plot(
        told(
            one("expected", "%", x, [99, 99, 98], "expected"), one("made", "%", x, [80, None, 70]),
            one("loss", "kWh", x, [1, 2, 3]),
        )
    )  # fmt: skip
    assert plot.axis == "day"
    assert [(s.name, s.is_reference) for s in plot.series] == [("made", False), ("expected", True)]
    assert plot.series[0].values == [80, None, 70]
    assert plot.levels == []  # the expected line is there, so the threshold is not needed


def test_what_was_expected_decides_between_units():
    x = days_back(3)
    soc = [one("highest", "%", x, [36, 35, 35]), one("lowest", "%", x, [35, 35, 35])]
    kwh = [
        one("made", "kWh", x, [5, 4, 3]),
        one("due", "kWh", x, [9, 9, 9], "expected"),
        level("sum", "kWh", 9, "expected"),
    ]
    assert [s.name for s in to_plot(told(*soc, *kwh)).series] == ["made", "due"]
    assert to_plot(told(*soc, *kwh)).levels == []
    other = [one("surplus", "kWh", x, [1, 2, 3]), level("reserve", "%", 35)]
    assert [s.name for s in to_plot(told(*other, *soc)).series] == ["highest", "lowest"]


def test_what_is_corrected_is_drawn_like_what_was_measured():
    x = days_back(3)
    plot = to_plot(told(one("so", "W", x, [1, 2, 3]), one("better", "W", x, [2, 3, 4], "corrected")))
    assert [(s.name, s.is_reference) for s in plot.series] == [("so", False), ("better", False)]


def test_series_far_off_the_first_are_left_out():
    x = days_back(20)
    far = [one("offset", "min", x, list(range(50, 70))), one("first light", "min", x, [985] * 20)]
    assert [s.name for s in to_plot(told(*far)).series] == ["offset"]


def test_what_lasts_is_drawn_beside_the_day_that_shows_it_and_empty_ends_are_cut_off():
    start = datetime(2026, 4, 14, tzinfo=UTC)
    x = [(start + timedelta(minutes=15 * i)).isoformat() for i in range(96)]
    course = one("fed in", "W", x, [None] * 40 + [100.0, 200.0] + [None] * 54)
    made = one("made", "kWh", days_back(3), [1, 2, 3])
    due = one("due", "kWh", days_back(3), [2, 2, 2], "expected")
    days, plot = to_plots(told(made, due, course, level("limit", "W", 0)))
    assert (days.axis, [s.name for s in days.series]) == ("day", ["made", "due"])
    assert (plot.axis, plot.series[0].values) == ("utc", [100.0, 200.0])
    assert plot.xs == [start.timestamp() + 40 * 900, start.timestamp() + 41 * 900]
    assert [v.value for v in plot.levels] == [0]
    # What compares nothing is left out beside what does.
    assert [p.axis for p in to_plots(told(made, course, level("limit", "W", 0)))] == ["utc"]


def test_a_clocks_pictures_are_its_offset_over_weeks_and_one_day_as_stamped_and_as_it_would_be():
    x = days_back(20)
    start = datetime(2026, 4, 14, tzinfo=UTC)
    at = [(start + timedelta(hours=i)).isoformat() for i in range(24)]
    series = [
        one("offset", "min", x, [60.0] * 20), level("threshold", "min", 20.0),
        one("first light", "min after midnight", x, [420.0] * 20),
        one("sunrise", "min after midnight", x, [360.0] * 20, "expected"),
        one("as stamped", "W", at, [float(i) for i in range(24)]),
        one("as it would be", "W", at, [float(i + 1) for i in range(24)], "corrected"),
    ]  # fmt: skip
    weeks, day = to_plots(told(*series, unit="min"))
    assert ([s.name for s in weeks.series], [v.value for v in weeks.levels]) == (["offset"], [20.0])
    assert [s.name for s in day.series] == ["as stamped", "as it would be"]


def test_expected_limit_and_nominal_differ_in_line():
    x = days_back(3)
    svg = drawn(
        one("voltage", "V", x, [240.0, 250.0, 254.0]), one("due", "V", x, [230.0, 231.0, 232.0], "expected"),
        level("upper limit", "V", 253.0), level("nominal", "V", 230.0, "reference"), unit="V",
    )  # fmt: skip
    drawn_as = {path.get("class") for path in svg.iter(f"{SVG}path")}
    assert {"expected", "limit", "reference", "s0"} <= drawn_as
    css = (Path(charts.__file__).parent / "templates" / "digest.css").read_text(encoding="utf-8")
    dashes = [
        re.search(rf"\.pic \.{role} {{[^}}]*stroke-dasharray: ([^;]+);", css)[1]
        for role in ("expected", "limit", "reference")
    ]
    assert len(set(dashes)) == 3


def test_both_axes_say_their_unit():
    assert {"kWh", "day"} <= set(texts(drawn(one("made", "kWh", days_back(3), [1, 2, 3]))))
    start = datetime(2026, 4, 14, 8, tzinfo=UTC)
    x = [(start + timedelta(minutes=30 * i)).isoformat() for i in range(9)]
    said = set(texts(drawn(one("pv", "W", x, [4000.0] * 9), unit="W", threshold=100.0)))
    assert {"kW", "local time, Europe/Vienna", "threshold 0.1 kW"} <= said


def test_a_ratio_is_a_line_and_an_amount_a_bar():
    assert not to_plot(told(one("site", "ratio", days_back(3), [1, 2, 3]))).has_bars
    for unit in ("kWh", "count", "h"):
        assert to_plot(told(one("made", unit, days_back(3), [1, 2, 3]))).has_bars
    assert to_plot(told(one("trips", "count", days_back(3), [1, 2, 3]))).unit == ""


def test_rows_in_any_order_are_drawn_in_time():
    plot = to_plot(told(one("made", "%", days_back(3)[::-1], [3, 2, 1])))
    assert plot.series[0].values == [1, 2, 3]


def test_what_holds_all_along_is_a_level_else_the_threshold_is():
    soc = one("charge", "%", days_back(3), [36, 35, 35])
    levels = to_plot(told(soc, level("reserve", "%", 35), level("limit", "W", 9))).levels
    assert [(v.name, v.value) for v in levels] == [("reserve", 35)]
    assert [(v.name, v.value) for v in to_plot(told(soc)).levels] == [("threshold", 15)]
    assert to_plot(told(soc, unit="min")).levels == []
    late = one("offset", "min", days_back(2), [-58, -60])
    assert to_plot(told(late, unit="min", value=-60.0, threshold=20.0)).levels[0].value == -20


@pytest.mark.parametrize(
    "series",
    [
        [],
        [one("made", "kWh", ["no day"], [1.0])],
        [one("made", "kWh", days_back(2), [1.0])],  # lengths differ
        [one("made", "kWh", days_back(2), [None, None])],
        [one("made", "kWh", [], [])],
        [one("made", "kWh", ["2026-04-14", "2026-04-14T10:00:00Z"], [1.0, 2.0])],
        [one("made", "kWh", days_back(1), [float("nan")])],
        [one("made", "kWh", days_back(1), [1.0], "guessed")],  # no such role
        ["made"],
    ],
)
def test_without_a_series_the_value_stands_beside_its_threshold(series):
    assert to_plots(told(*series)) == []
    assert {"found", "threshold", "20 %", "15 %"} <= set(texts(drawn(*series)))


def test_nothing_to_draw_is_no_picture():
    assert charts.pictures(told(value=float("nan"))) == []


def test_bars_stand_on_zero_and_reach_their_value():
    # Domain 0 to 4 by steps of 1: the bar of 4 kWh is as high as the plot, that of 2 half as high.
    svg = drawn(one("made", "kWh", days_back(2), [4.0, 2.0]), unit="%")
    path = next(p.get("d") for p in svg.iter(f"{SVG}path") if "bar" in (p.get("class") or ""))
    heights = [float(a) - float(b) for a, b in re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", path)]
    room = charts.HEIGHT - charts.TOP - charts.BOTTOM
    assert heights == pytest.approx([room, room / 2], abs=0.15)


def test_an_instant_is_shown_in_the_sites_time():
    # Vienna, 14 April: UTC+2, so 10:00 UTC is noon.
    start = datetime(2026, 4, 14, 8, tzinfo=UTC)
    x = [(start + timedelta(minutes=30 * i)).isoformat() for i in range(9)]
    svg = drawn(one("pv", "W", x, [0, 1, 2, 3, 4, 3, 2, 1, 0]), unit="W", value=5.0, threshold=5.0)
    places = {t.text: float(t.get("x")) for t in svg.iter(f"{SVG}text") if ":" in (t.text or "")}
    middle = charts.LEFT + (charts.WIDTH - charts.LEFT - charts.RIGHT) / 2
    assert places["12:00"] == pytest.approx(middle, abs=0.1)
    assert "from 14 April 2026 10:00 to 14:00, local time (Europe/Vienna)" in svg.find(f"{SVG}desc").text


def test_one_instant_alone_is_drawn():
    """Seconds since 1970 are so large that a tiny width is lost in them."""
    assert "13:00" in texts(drawn(one("power", "V", ["2026-03-01T12:00:00+00:00"], [230.0])))  # in Vienna


def test_gaps_are_not_bridged():
    start = datetime(2026, 4, 14, tzinfo=UTC)
    minutes = [0, 5, 10, 15, 120, 125, 130]
    x = [(start + timedelta(minutes=m)).isoformat() for m in minutes]
    path = next(p.get("d") for p in drawn(one("pv", "W", x, [1.0] * 7)).iter(f"{SVG}path") if p.get("class") == "s0")
    assert path.count("M") == 2
    nulls = one("made", "%", days_back(5), [1, 2, None, 4, 5])
    path = next(p.get("d") for p in drawn(nulls).iter(f"{SVG}path") if p.get("class") == "s0")
    assert path.count("M") == 2


def test_a_peak_survives_thinning_and_the_picture_stays_small():
    start = datetime(2026, 4, 14, tzinfo=UTC)
    x = [(start + timedelta(minutes=i)).isoformat() for i in range(1440)]
    flow = [100.0] * 1440
    flow[777] = -3999.0
    series = [
        one("grid", "W", x, flow), one("load", "W", x, [i * 1.37 for i in range(1440)]),
        one("due", "W", x, [5.5] * 1440, "expected"), level("limit", "W", 0),
    ]  # fmt: skip
    svg = str(charts.pictures(told(*series, unit="W"))[0].svg)
    assert len(svg) < 6500
    low = min(paths._thin(range(1440), flow), key=lambda point: point[1])
    assert low == (777, -3999.0)


def test_the_days_of_the_fault_are_shaded():
    x = one("made", "%", days_back(10), [90] * 10)
    marked = told(x, since=DAY - timedelta(days=3))
    assert 'class="band"' in charts.pictures(marked)[0].svg
    assert charts.pictures(marked)[0].caption == "from 5 April 2026 to 14 April 2026; shaded: since 11 April 2026"
    assert 'class="band"' not in charts.pictures(told(x, since=date(2026, 1, 1)))[0].svg


def test_pictures_are_named_and_described():
    svg = drawn(one("made", "kWh", days_back(2), [4.0, 2.0]))
    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == "pt-S0-underperformance-1-1 pd-S0-underperformance-1-1"
    assert svg.find(f"{SVG}title").text == "Roof 0: Yields too little"
    assert svg.find(f"{SVG}desc").text == "made from 2 to 4 kWh; from 13 April 2026 to 14 April 2026."


def test_hostile_names_and_keys_stay_text():
    evidence = {"series": [one("<b></svg><script>", "<i>kWh", days_back(2), [1.0, 2.0])]}
    rows = [finding("S1", "underperformance", 0, evidence=evidence, unit="<i>")]
    svg = str(charts.pictures(morning(rows).new[0])[0].svg)
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
@pytest.mark.parametrize("unit", ["V", "W", "%", "kWh"])
def test_the_axis_holds_every_value(values, unit):
    plot = to_plot(told(one("a", unit, days_back(2), values), unit="none"))
    low, high, step = charts._domain(plot)
    assert low <= min(values) and max(values) <= high
    assert 1 <= round((high - low) / step) <= 6
