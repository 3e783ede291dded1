"""Pictures as inline SVG: the plots of an exception's evidence, or of a site; every axis has its unit."""

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from markupsafe import Markup, escape

from pipeline.digest import paths
from pipeline.digest.model import ExceptionFacts
from pipeline.digest.plots import Plot, to_plots
from pipeline.timezones.zones import tzinfo_of

WIDTH, HEIGHT = 420, 204  # of the view box: about a phone's width, so that 11-unit text stays readable there
LEFT, RIGHT, TOP, BOTTOM = 46, 10, 34, 34
OFF_ZERO_UNITS = {"V", "Hz", "°C"}  # nobody reads these from zero
TEXT_WIDTH = 5.7  # of one letter of 11 units, on average
KILO_FROM = 2000.0  # ours: from here on watts are read more easily as kilowatts


class Picture(NamedTuple):
    """One picture and the words below it."""

    svg: Markup
    caption: str


class Frame(NamedTuple):
    """What surrounds a plot."""

    title: str
    timezone: str
    key: str  # makes its ids unique in the page
    since: date | None = None  # the first day of what it shows, marked on an axis of days


def pictures(one: ExceptionFacts) -> list[Picture]:
    """Those of an exception, at most two; empty if there is nothing to draw."""
    plots = [_in_kilo(plot) for plot in to_plots(one)]
    frames = [
        Frame(f"{one.site_name}: {one.title}", one.timezone, f"{one.exception_id}-{number}", one.first_day)
        for number in (1, 2)
    ]
    if plots:
        return [draw(plot, frame) for plot, frame in zip(plots, frames, strict=False)]
    if one.value is None or not math.isfinite(one.value):
        return []
    body, described = _value_bars(one)
    return [Picture(_framed(frames[0], described, body, 92), "")]


def draw(plot: Plot, frame: Frame) -> Picture:
    """One plot within its frame."""
    svg = _framed(frame, _describe(plot, frame), _body(plot, frame), HEIGHT)
    shading = f"; shaded: since {_day_text(frame.since)}" if frame.since and _has_band(plot, frame) else ""
    return Picture(svg, _span(plot, frame.timezone) + shading)


def _framed(frame: Frame, described: str, body: str, height: int) -> Markup:
    key = escape(frame.key)
    return Markup(
        f'<svg class="pic" role="img" viewBox="0 0 {WIDTH} {height}" aria-labelledby="pt-{key} pd-{key}">'
        f'<title id="pt-{key}">{escape(frame.title)}</title>'
        f'<desc id="pd-{key}">{escape(described)}</desc>{body}</svg>'
    )


def _in_kilo(plot: Plot) -> Plot:
    """Watts in thousands as kilowatts."""
    values = [abs(value) for series in plot.series for value in series.known]
    if plot.series[0].unit != "W" or max(values, default=0.0) < KILO_FROM:
        return plot
    return plot._replace(
        series=[s._replace(unit="kW", values=[None if v is None else v / 1000 for v in s.values]) for s in plot.series],
        levels=[level._replace(value=level.value / 1000) for level in plot.levels],
    )


def number_text(value: float) -> str:
    """Three significant figures or whole numbers, thousands separated."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{min(places, 3)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")


def _body(plot: Plot, frame: Frame) -> str:
    low, high, step = _domain(plot)
    margin = 0.5 if plot.axis == "day" else 0.0
    first = plot.xs[0] - margin
    last = plot.xs[-1] + margin
    if last <= first:  # one instant alone
        last = first + 1.0
    span_x, span_y = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def to_x(value: float) -> float:
        return LEFT + (value - first) / (last - first) * span_x

    def to_y(value: float) -> float:
        return TOP + (high - value) / (high - low) * span_y

    parts = [_since_band(plot, frame, to_x), _grid(low, high, step, to_y), _x_axis(plot, frame, to_x)]
    measured = 0
    for series in plot.series:
        css = series.role if series.is_reference else f"s{measured}"
        if plot.has_bars and not series.is_reference:
            parts.append(paths.bars(plot.xs, series.values, to_x, to_y, css))
        else:
            if measured == 0 and plot.axis == "utc" and low <= 0 <= high and not series.is_reference:
                parts.append(paths.line(plot.xs, series.values, to_x, to_y, f"{css} fill", base=to_y(0)))
            parts.append(paths.line(plot.xs, series.values, to_x, to_y, css))
        measured += not series.is_reference
    parts += [f'<path class="{v.role}" d="M{LEFT} {to_y(v.value):.1f}H{WIDTH - RIGHT}"/>' for v in plot.levels]
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
        labels.append(f'<text x="{LEFT - 6}" y="{y + 3.5:.1f}" text-anchor="end">{number_text(value)}</text>')
    return "".join(lines + labels)


def _x_axis(plot: Plot, frame: Frame, to_x: Callable[[float], float]) -> str:
    ticks = _day_ticks(plot.xs) if plot.axis == "day" else _utc_ticks(plot.xs[0], plot.xs[-1], frame.timezone)
    y = HEIGHT - BOTTOM + 14
    labels = "".join(
        f'<text x="{min(max(to_x(at), LEFT + 8), WIDTH - RIGHT - 14):.1f}" y="{y}" text-anchor="middle">{label}</text>'
        for at, label in ticks
    )
    axis = "day" if plot.axis == "day" else f"local time, {escape(frame.timezone)}"
    return f'{labels}<text class="unit" x="{WIDTH - RIGHT}" y="{HEIGHT - 4}" text-anchor="end">{axis}</text>'


def _day_ticks(xs: Sequence[float]) -> Iterator[tuple[float, str]]:
    first, last = int(xs[0]), int(xs[-1])
    step = max(1, math.ceil((last - first) / 5))
    for ordinal in range(last, first - 1, -step):  # from the right: the latest day is the one that is asked about
        day = date.fromordinal(ordinal)
        yield float(ordinal), f"{day.day} {day:%b}"


@lru_cache(maxsize=256)  # sites of a zone share the span of their week
def _utc_ticks(first_s: float, last_s: float, zone: str) -> tuple[tuple[float, str], ...]:
    hours = (last_s - first_s) / 3600
    every = next((h for h in (1, 2, 3, 4, 6, 12, 24) if hours / h <= 7), 24 * math.ceil(hours / 24 / 6))
    local = tzinfo_of(zone)
    at = datetime.fromtimestamp(math.ceil(first_s / 900) * 900, UTC)
    ticks: list[tuple[float, str]] = []
    shown_day = None
    while at.timestamp() <= last_s:
        wall = at.astimezone(local)
        is_due = wall.minute == 0 and wall.hour % min(every, 24) == 0
        if is_due and (every <= 24 or shown_day is None or (wall.date() - shown_day).days * 24 >= every):
            shown_day = wall.date()
            ticks.append((at.timestamp(), f"{wall:%H:%M}" if every < 24 else f"{wall.day} {wall:%b}"))
        at += timedelta(minutes=15)
    return tuple(ticks)


def _has_band(plot: Plot, frame: Frame) -> bool:
    if frame.since is None or plot.axis != "day":
        return False
    return plot.xs[0] < frame.since.toordinal() - 0.5 < plot.xs[-1]


def _since_band(plot: Plot, frame: Frame, to_x: Callable[[float], float]) -> str:
    if frame.since is None or not _has_band(plot, frame):
        return ""
    x = to_x(frame.since.toordinal() - 0.5)
    label = f"since {frame.since.day} {frame.since:%b}"
    fits_right = x + 4 + len(label) * TEXT_WIDTH < WIDTH - RIGHT
    place = f'x="{x + 4:.1f}"' if fits_right else f'x="{x - 4:.1f}" text-anchor="end"'
    return (
        f'<path class="band" d="M{x:.1f} {TOP}H{WIDTH - RIGHT}V{HEIGHT - BOTTOM}H{x:.1f}z"/>'
        f'<path class="edge" d="M{x:.1f} {TOP - 8}V{HEIGHT - BOTTOM}"/>'
        f'<text {place} y="{TOP - 3}">{label}</text>'
    )


def _legend(plot: Plot) -> str:
    unit = plot.unit
    x, parts, measured = float(LEFT), [], 0
    entries = []
    for series in plot.series:
        entries.append((series.role if series.is_reference else f"s{measured}", series.name))
        measured += not series.is_reference
    entries += [(level.role, f"{level.name} {number_text(level.value)} {unit}".rstrip()) for level in plot.levels]
    for css, name in entries:
        text = name[:26]
        if x + 18 + len(text) * TEXT_WIDTH > WIDTH:
            break
        parts.append(f'<path class="{css}" d="M{x:.0f} 11h14"/><text x="{x + 18:.0f}" y="15">{escape(text)}</text>')
        x += 18 + len(text) * TEXT_WIDTH + 12
    return f'<text x="{LEFT - 6}" y="15" text-anchor="end" class="unit">{escape(unit)}</text>' + "".join(parts)


def _describe(plot: Plot, frame: Frame) -> str:
    unit = plot.unit
    words = []
    for series in plot.series:
        lowest, highest = number_text(min(series.known)), number_text(max(series.known))
        words.append(f"{series.name} from {lowest} to {highest} {unit}".rstrip())
    words += [f"{level.name} {number_text(level.value)} {unit}".rstrip() for level in plot.levels]
    return f"{'; '.join(words)}; {_span(plot, frame.timezone)}."


def _span(plot: Plot, zone: str) -> str:
    if plot.axis == "day":
        first, last = (date.fromordinal(int(x)) for x in (plot.xs[0], plot.xs[-1]))
        return f"from {_day_text(first)} to {_day_text(last)}"
    begin, end = (datetime.fromtimestamp(x, UTC).astimezone(tzinfo_of(zone)) for x in (plot.xs[0], plot.xs[-1]))
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{_day_text(end.date())} {end:%H:%M}"
    return f"from {_day_text(begin.date())} {begin:%H:%M} to {until}, local time ({zone})"


def _day_text(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _value_bars(one: ExceptionFacts) -> tuple[str, str]:
    """The value beside its threshold, where the evidence holds no series."""
    value, limit = one.value or 0.0, one.threshold
    entries = [("found", value, "s0 bar")]
    if limit is not None and math.isfinite(limit):
        entries.append(("threshold", limit, "rb"))
    max_value = max(abs(v) for _, v, _ in entries) or 1.0
    room, parts = WIDTH - 70 - 100, []
    for i, (name, amount, css) in enumerate(entries):
        y, width = 14 + i * 34, max(abs(amount) / max_value * room, 1)
        shown = f"{number_text(amount)} {one.unit}".strip()
        parts.append(
            f'<text x="64" y="{y + 15}" text-anchor="end">{name}</text>'
            f'<path class="{css}" d="M70 {y}h{width:.0f}v22H70z"/>'
            f'<text x="{76 + width:.0f}" y="{y + 15}" class="unit">{escape(shown)}</text>'
        )
    described = ", ".join(f"{name} {number_text(amount)} {one.unit}".strip() for name, amount, _ in entries)
    return "".join(parts), f"{described}."
