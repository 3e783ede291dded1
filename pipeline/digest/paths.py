"""Lines and bars as SVG path data, in the shortest form."""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise

MAX_POINTS = 160  # per series: more can't be told apart at a picture's width, and the page stays small


def _thin(xs: Sequence[float], values: Sequence[float | None]) -> list[tuple[float, float | None]]:
    """At most MAX_POINTS points: of each bucket the value farthest from zero, so that peaks survive."""
    size = math.ceil(len(xs) / MAX_POINTS)
    if size == 1:
        return list(zip(xs, values, strict=True))
    thinned: list[tuple[float, float | None]] = []
    for i in range(0, len(xs), size):
        known = [(x, v) for x, v in zip(xs[i : i + size], values[i : i + size], strict=True) if v is not None]
        thinned.append(max(known, key=lambda point: abs(point[1] or 0)) if known else (xs[i], None))
    return thinned


def line(
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
    xs, ys = [round(x * 10) for x, _ in points], [round(y * 10) for _, y in points]
    first_x, first_y, last_x = xs[0], ys[0], xs[-1]
    steps = "".join(
        [_signed(bx - ax) + _signed(by - ay) for ax, bx, ay, by in zip(xs, xs[1:], ys, ys[1:], strict=False)]
    )
    start = f"M{first_x / 10:g} {first_y / 10:g}"
    if base is not None:
        return f"{start}l{steps}V{base:.1f}H{first_x / 10:g}z" if first_x != last_x else ""
    return f"{start}l{steps}" if steps else f"{start}h.1"  # with round caps: a dot


@lru_cache(maxsize=8192)  # steps of a picture are few, and come again in every other
def _signed(tenths: int) -> str:
    """A number that needs no separator in front of it but its sign or a space."""
    return f"{' ' if tenths >= 0 else ''}{tenths / 10:g}"


def bars(
    xs: Sequence[float],
    values: Sequence[float | None],
    to_x: Callable[[float], float],
    to_y: Callable[[float], float],
    css: str,
) -> str:
    """A path of one bar per value, from zero up or down to it."""
    width = max((to_x(xs[0] + 1) - to_x(xs[0])) * 0.72, 0.8)
    drawn = [
        f"M{to_x(x) - width / 2:.1f} {to_y(0):.1f}V{to_y(value):.1f}h{width:.1f}V{to_y(0):.1f}z"
        for x, value in zip(xs, values, strict=True)
        if value
    ]
    return f'<path class="{css} bar" d="{"".join(drawn)}"/>'
