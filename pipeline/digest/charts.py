"""One picture per exception, as an inline SVG: the plot of its evidence, else its value beside the threshold."""

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from markupsafe import Markup, escape

from pipeline.digest.model import Matter
from pipeline.digest.plots import Plot, to_plot
from pipeline.timezones.zones import tzinfo_of

WIDTH, HEIGHT = 420, 196  # of the view box: about a phone's width, so that 11-unit text stays readable there
LEFT, RIGHT, TOP, BOTTOM = 44, 10, 24, 22
MOST_POINTS = 160  # per series: more can't be told apart at this width, and the page stays small
OFF_ZERO_UNITS = {"V", "Hz", "°C"}  # nobody reads these from zero


def picture(matter: Matter, number: int) -> Markup:
    """The SVG of a matter; `number` makes its ids unique in the page. Empty if there is nothing to draw."""
    plot = to_plot(matter)
    if plot is not None:
        return _frame(number, matter, _describe(plot, matter), _draw(plot, matter), HEIGHT)
    if matter.value is None or not math.isfinite(matter.value):
        return Markup("")
    body, described = _value_bars(matter)
    return _frame(number, matter, described, body, 92)


def _frame(number: int, matter: Matter, described: str, body: str, height: int) -> Markup:
    return Markup(
        f'<svg class="pic" role="img" viewBox="0 0 {WIDTH} {height}" aria-labelledby="pt{number} pd{number}">'
        f'<title id="pt{number}">{escape(matter.site_name)}: {escape(matter.title)}</title>'
        f'<desc id="pd{number}">{escape(described)}</desc>{body}</svg>'
    )


def number_text(value: float) -> str:
    """Three significant figures or whole numbers, thousands separated."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{min(places, 3)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")


def _draw(plot: Plot, matter: Matter) -> str:
    low, high, step = _domain(plot)
    first, last = plot.xs[0], plot.xs[-1]
    margin = 0.5 if plot.axis == "day" else 0.0
    first, last = first - margin, max(last + margin, first + margin + 1e-9)
    span_x, span_y = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def to_x(value: float) -> float:
        return LEFT + (value - first) / (last - first) * span_x

    def to_y(value: float) -> float:
        return TOP + (high - value) / (high - low) * span_y

    parts = [_since_band(plot, matter, to_x), _grid(low, high, step, to_y), _x_axis(plot, matter, to_x)]
    for i, series in enumerate(plot.series):
        css = "ref" if series.is_reference else f"s{i}"
        if plot.has_bars and not series.is_reference:
            parts.append(_bars(plot.xs, series.values, to_x, to_y, css))
        else:
            if i == 0 and plot.axis == "utc" and low <= 0 <= high:
                parts.append(_line(plot.xs, series.values, to_x, to_y, f"{css} fill", base=to_y(0)))
            parts.append(_line(plot.xs, series.values, to_x, to_y, css))
    parts += [f'<path class="ref" d="M{LEFT} {to_y(level.value):.1f}H{WIDTH - RIGHT}"/>' for level in plot.levels]
    return "".join([*parts, _legend(plot)])


def _domain(plot: Plot) -> tuple[float, float, float]:
    values = [v for s in plot.series for v in s.known] + [level.value for level in plot.levels]
    low, high = min(values), max(values)
    unit = plot.unit
    if unit not in OFF_ZERO_UNITS:
        low, high = min(low, 0.0), max(high, 0.0)
    if unit == "%" and low >= 0 and high <= 100:
        low, high = 0.0, 100.0
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 2.5, 5, 10) if power * m >= rough * 0.999)
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step, step


def _grid(low: float, high: float, step: float, to_y: Callable[[float], float]) -> str:
    lines, labels = [], []
    for i in range(round((high - low) / step) + 1):
        value = low + i * step
        y = to_y(value)
        value = 0.0 if abs(value) < step / 1e6 else value
        lines.append(f'<path class="{"zero" if value == 0 else "grid"}" d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}"/>')
        labels.append(f'<text x="{LEFT - 5}" y="{y + 3.5:.1f}" text-anchor="end">{number_text(value)}</text>')
    return "".join(lines + labels)


def _x_axis(plot: Plot, matter: Matter, to_x: Callable[[float], float]) -> str:
    ticks = _day_ticks(plot.xs) if plot.axis == "day" else _utc_ticks(plot.xs, matter.timezone)
    y = HEIGHT - BOTTOM + 14
    return "".join(
        f'<text x="{min(max(to_x(at), LEFT + 8), WIDTH - RIGHT - 12):.1f}" y="{y}" text-anchor="middle">{label}</text>'
        for at, label in ticks
    )


def _day_ticks(xs: Sequence[float]) -> Iterator[tuple[float, str]]:
    first, last = int(xs[0]), int(xs[-1])
    step = max(1, math.ceil((last - first) / 5))
    for ordinal in range(last, first - 1, -step):  # from the right: the latest day is the one that is asked about
        day = date.fromordinal(ordinal)
        yield float(ordinal), f"{day.day} {day:%b}"


def _utc_ticks(xs: Sequence[float], zone: str) -> Iterator[tuple[float, str]]:
    hours = (xs[-1] - xs[0]) / 3600
    every = next((h for h in (1, 2, 3, 4, 6, 12, 24) if hours / h <= 7), 24 * math.ceil(hours / 24 / 6))
    local = tzinfo_of(zone)
    at = datetime.fromtimestamp(math.ceil(xs[0] / 900) * 900, UTC)
    shown_day = None
    while at.timestamp() <= xs[-1]:
        wall = at.astimezone(local)
        is_due = wall.minute == 0 and wall.hour % min(every, 24) == 0
        if is_due and (every <= 24 or shown_day is None or (wall.date() - shown_day).days * 24 >= every):
            shown_day = wall.date()
            yield at.timestamp(), f"{wall:%H:%M}" if every < 24 else f"{wall.day} {wall:%b}"
        at += timedelta(minutes=15)


def _has_band(plot: Plot, matter: Matter) -> bool:
    return plot.axis == "day" and plot.xs[0] < matter.first_day.toordinal() - 0.5 < plot.xs[-1]


def _since_band(plot: Plot, matter: Matter, to_x: Callable[[float], float]) -> str:
    if not _has_band(plot, matter):
        return ""
    x = to_x(matter.first_day.toordinal() - 0.5)
    return (
        f'<path class="band" d="M{x:.1f} {TOP}H{WIDTH - RIGHT}V{HEIGHT - BOTTOM}H{x:.1f}z"/>'
        f'<path class="edge" d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}"/>'
    )


def _thin(xs: Sequence[float], values: Sequence[float | None]) -> list[tuple[float, float | None]]:
    """At most MOST_POINTS points: of each bucket the value farthest from zero, so that peaks survive."""
    size = math.ceil(len(xs) / MOST_POINTS)
    if size == 1:
        return list(zip(xs, values, strict=True))
    thinned: list[tuple[float, float | None]] = []
    for i in range(0, len(xs), size):
        known = [(x, v) for x, v in zip(xs[i : i + size], values[i : i + size], strict=True) if v is not None]
        thinned.append(max(known, key=lambda point: abs(point[1] or 0)) if known else (xs[i], None))
    return thinned


def _line(
    xs: Sequence[float],
    values: Sequence[float | None],
    to_x: Callable[[float], float],
    to_y: Callable[[float], float],
    css: str,
    base: float | None = None,
) -> str:
    """A path broken at nulls and at gaps of more than 2.5 usual steps; with `base`, the area down to it."""
    points = _thin(xs, values)
    steps = sorted(b[0] - a[0] for a, b in pairwise(points))
    gap = 2.5 * steps[len(steps) // 2] if steps else 0.0
    runs: list[list[tuple[float, float]]] = []
    previous: float | None = None
    for x, value in points:
        if value is not None:
            is_new = not runs or previous is None or x - previous > gap
            runs.extend([[]] if is_new else [])
            runs[-1].append((to_x(x), to_y(value)))
        previous = x if value is not None else None
    return f'<path class="{css}" d="{"".join(_run(run, base) for run in runs)}"/>'


def _run(points: Sequence[tuple[float, float]], base: float | None) -> str:
    """One unbroken line in tenths of a unit, each step relative to the rounded point before it: the shortest form."""
    tenths = [(round(x * 10), round(y * 10)) for x, y in points]
    (first_x, first_y), last_x = tenths[0], tenths[-1][0]
    steps = "".join(f"{_signed(bx - ax)}{_signed(by - ay)}" for (ax, ay), (bx, by) in pairwise(tenths))
    start = f"M{first_x / 10:g} {first_y / 10:g}"
    if base is not None:
        return f"{start}l{steps}V{base:.1f}H{first_x / 10:g}z" if first_x != last_x else ""
    return f"{start}l{steps}" if steps else f"{start}h.1"  # with round caps: a dot


def _signed(tenths: int) -> str:
    """A number that needs no separator in front of it but its sign or a space."""
    return f"{' ' if tenths >= 0 else ''}{tenths / 10:g}"


def _bars(
    xs: Sequence[float],
    values: Sequence[float | None],
    to_x: Callable[[float], float],
    to_y: Callable[[float], float],
    css: str,
) -> str:
    width = max((to_x(xs[0] + 1) - to_x(xs[0])) * 0.72, 0.8)
    bars = [
        f"M{to_x(x) - width / 2:.1f} {to_y(0):.1f}V{to_y(value):.1f}h{width:.1f}V{to_y(0):.1f}z"
        for x, value in zip(xs, values, strict=True)
        if value
    ]
    return f'<path class="{css} bar" d="{"".join(bars)}"/>'


def _legend(plot: Plot) -> str:
    unit = plot.unit
    x, parts = float(LEFT), []
    entries = [("ref" if s.is_reference else f"s{i}", s.name) for i, s in enumerate(plot.series)]
    entries += [("ref", f"{level.name} {number_text(level.value)} {unit}".rstrip()) for level in plot.levels]
    for css, name in entries:
        text = name[:26]
        if x + 18 + len(text) * 5.6 > WIDTH:
            break
        parts.append(f'<path class="{css}" d="M{x:.0f} 11h12"/><text x="{x + 16:.0f}" y="15">{escape(text)}</text>')
        x += 16 + len(text) * 5.6 + 14
    return f'<text x="{LEFT - 5}" y="15" text-anchor="end" class="unit">{escape(unit)}</text>' + "".join(parts)


def _describe(plot: Plot, matter: Matter) -> str:
    unit = plot.unit
    words = []
    for series in plot.series:
        least, most = number_text(min(series.known)), number_text(max(series.known))
        words.append(f"{series.name} from {least} to {most} {unit}".rstrip())
    words += [f"{level.name} {number_text(level.value)} {unit}".rstrip() for level in plot.levels]
    return f"{'; '.join(words)}; {_span(plot, matter.timezone)}."


def _span(plot: Plot, zone: str) -> str:
    if plot.axis == "day":
        first, last = (date.fromordinal(int(x)) for x in (plot.xs[0], plot.xs[-1]))
        return f"from {_day_text(first)} to {_day_text(last)}"
    begin, end = (datetime.fromtimestamp(x, UTC).astimezone(tzinfo_of(zone)) for x in (plot.xs[0], plot.xs[-1]))
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{_day_text(end.date())} {end:%H:%M}"
    return f"from {_day_text(begin.date())} {begin:%H:%M} to {until}, local time ({zone})"


def _day_text(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def caption(matter: Matter) -> str:
    """What the picture's bottom axis shows, and its shading; empty where there is none."""
    plot = to_plot(matter)
    if plot is None:
        return ""
    shading = f"; shaded: since {_day_text(matter.first_day)}" if _has_band(plot, matter) else ""
    return _span(plot, matter.timezone) + shading


def _value_bars(matter: Matter) -> tuple[str, str]:
    """The value beside its threshold, where the evidence holds no series."""
    value, limit = matter.value or 0.0, matter.threshold
    entries = [("found", value, "s0 bar")]
    if limit is not None and math.isfinite(limit):
        entries.append(("threshold", limit, "rb"))
    most = max(abs(v) for _, v, _ in entries) or 1.0
    room, parts = WIDTH - 70 - 100, []
    for i, (name, amount, css) in enumerate(entries):
        y, width = 14 + i * 34, max(abs(amount) / most * room, 1)
        shown = f"{number_text(amount)} {matter.unit}".strip()
        parts.append(
            f'<text x="64" y="{y + 15}" text-anchor="end">{name}</text>'
            f'<path class="{css}" d="M70 {y}h{width:.0f}v22H70z"/>'
            f'<text x="{76 + width:.0f}" y="{y + 15}" class="unit">{escape(shown)}</text>'
        )
    described = ", ".join(f"{name} {number_text(amount)} {matter.unit}".strip() for name, amount, _ in entries)
    return "".join(parts), f"{described}."
