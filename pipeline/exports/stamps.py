"""From the text of time stamps to wall-clock microseconds.

Polars' own parser takes the plain all-digit forms; whatever it leaves (24:00, month names, AM and PM, fractions,
offsets, and every stamp that is wrong) goes through one regular expression built from the format, on distinct texts.
"""

import re
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.exports.numbers import to_numbers

FIRST_YEAR, LAST_YEAR = 1990, 2100  # a stamp outside is a clock that was never set
US, DAY_US = 1_000_000, 86_400_000_000
EPOCH_UNITS_US = {"epoch_s": US, "epoch_ms": 1_000}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_LONG_MONTHS = "january|february|march|april|may|june|july|august|september|october|november|december"
_DIRECTIVES = {
    "%Y": "(?P<Y>[0-9]{4})",
    "%y": "(?P<y>[0-9]{2})",
    "%m": "(?P<m>[0-9]{1,2})",
    "%d": "(?P<d>[0-9]{1,2})",
    "%e": " ?(?P<d>[0-9]{1,2})",
    "%H": "(?P<H>[0-9]{1,2})",
    "%I": "(?P<I>[0-9]{1,2})",
    "%M": "(?P<M>[0-9]{1,2})",
    "%S": "(?P<S>[0-9]{1,2})",
    "%f": "(?P<f>[0-9]{1,9})",
    "%p": "(?P<p>[AaPp])[Mm]",
    "%b": f"(?P<b>(?i:{'|'.join(MONTHS)}))",
    "%B": f"(?P<b>(?i:{_LONG_MONTHS}))",
    "%j": "(?P<j>[0-9]{1,3})",
    "%z": "(?P<z>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)",
    "%%": "%",
}
_ISO = (
    "(?P<Y>[0-9]{4})-?(?P<m>[0-9]{2})-?(?P<d>[0-9]{2})[Tt ](?P<H>[0-9]{2}):?(?P<M>[0-9]{2})"
    "(?::?(?P<S>[0-9]{2})(?:[.,](?P<f>[0-9]{1,9}))?)?(?: ?(?P<z>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?))?"
)
_PLAIN = {"%Y": 4, "%m": 2, "%d": 2, "%H": 2, "%M": 2, "%S": 2}  # widths of what Polars reads alike
_ISO_PLAIN = {16: "%Y-%m-%d{}%H:%M", 19: "%Y-%m-%d{}%H:%M:%S"}


class Stamps(NamedTuple):
    """The clock that each stamp shows. Where `is_stamp` is False, `wall_us` is 0."""

    wall_us: np.ndarray  # int64, microseconds since 1970-01-01 00:00 of that clock
    offset_s: np.ndarray  # int64, the offset from UTC written in the stamp
    has_offset: np.ndarray  # bool
    is_stamp: np.ndarray  # bool
    year: np.ndarray  # int64


def parse(text: pl.Series, form: str) -> Stamps:
    """Stamps from texts of a strptime format, `iso8601`, `epoch_s` or `epoch_ms`; nulls are no stamps."""
    count = len(text)
    wall = np.zeros(count, np.int64)
    offset = np.zeros(count, np.int64)
    has_offset = np.zeros(count, bool)
    if form in EPOCH_UNITS_US:
        numbers, _ = to_numbers(text, ".", ())
        micros = (numbers * EPOCH_UNITS_US[form]).fill_null(float("nan")).to_numpy()
        known = np.abs(micros) < 2.0**62
        wall[known] = np.round(micros[known]).astype(np.int64)
        return Stamps(wall, offset, has_offset, known, _years(wall))
    known = np.zeros(count, bool)
    if (plain := _plain_form(text, form)) is not None:
        width, chrono = plain
        read = pl.select(pl.when(text.str.len_bytes() == width).then(text)).to_series()
        with suppress(pl.exceptions.ComputeError):  # an order of directives that it can't read is left to the rest
            stamps = read.str.to_datetime(chrono, strict=False, time_unit="us").to_physical()
            known = stamps.is_not_null().to_numpy()
            wall = stamps.fill_null(0).to_numpy().copy()
    if not known.all() and len(rest := np.flatnonzero(~known & text.is_not_null().to_numpy())):
        _parse_distinct(text.gather(rest), form, rest, wall, offset, has_offset, known)
    return Stamps(wall, offset, has_offset, known, _years(wall))


def _years(wall_us: np.ndarray) -> np.ndarray:
    return wall_us.astype("datetime64[us]").astype("datetime64[Y]").astype(np.int64) + 1970


def _plain_form(text: pl.Series, form: str) -> tuple[int, str] | None:
    """Width and format of stamps that Polars' parser reads exactly as we do: digits and marks of a fixed width."""
    if form == "iso8601":
        first = text.drop_nulls().head(1)
        example = first[0] if len(first) else ""
        return (len(example), _ISO_PLAIN[len(example)].format(example[10])) if len(example) in _ISO_PLAIN else None
    directives = re.findall("%.", form)
    if "%M" not in directives or not {"%Y", "%m", "%d", "%H"} <= set(directives) <= _PLAIN.keys():
        return None
    return len(re.sub("%.", "", form).encode()) + sum(_PLAIN[d] for d in directives), form


@lru_cache(maxsize=64)
def _pattern(form: str) -> tuple[str, frozenset[str]]:
    """An anchored regular expression that both Python and Rust read, and its groups."""
    if form == "iso8601":
        pattern = _ISO
    else:
        pattern = "".join(
            _DIRECTIVES[piece] if piece.startswith("%") else re.escape(piece)
            for piece in re.findall("%.|[^%]+", form, re.DOTALL)
        )
    return f"^{pattern}$", frozenset(re.compile(pattern).groupindex)


def _parse_distinct(
    text: pl.Series,
    form: str,
    rows: np.ndarray,
    wall: np.ndarray,
    offset: np.ndarray,
    has_offset: np.ndarray,
    known: np.ndarray,
) -> None:
    """Read the texts, each distinct one once, and write what they say into the arrays at `rows`."""
    pattern, names = _pattern(form)
    distinct = text.unique()
    groups = distinct.str.extract_groups(pattern).struct.unnest()
    parsed = _from_groups(groups, names)
    places = pl.DataFrame({"text": distinct, "place": np.arange(len(distinct))})
    joined = pl.DataFrame({"text": text}).join(places, on="text", how="left", maintain_order="left")
    place = joined["place"].to_numpy()
    for target, values in zip((wall, offset, has_offset, known), parsed, strict=True):
        target[rows] = values[place]


def _from_groups(groups: pl.DataFrame, names: frozenset[str]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """wall_us, offset_s, has_offset, is_stamp of the parts that a format names."""
    count = len(groups)

    def part(name: str, default: int) -> np.ndarray:
        if name not in names:
            return np.full(count, default, np.int64)
        return groups[name].cast(pl.Int64, strict=False).fill_null(default).to_numpy().astype(np.int64)

    matched = groups["Y" if "Y" in names else "y"].is_not_null().to_numpy()
    short = part("y", 0)
    year = part("Y", 0) if "Y" in names else short + np.where(short >= 69, 1900, 2000)  # POSIX
    day_us, day_ok = _days(groups, names, year, part)
    minute, second = part("M", 0), part("S", 0)
    fraction = np.zeros(count, np.int64)
    if "f" in names:
        fraction = groups["f"].str.pad_end(9, "0").str.head(6).cast(pl.Int64).fill_null(0).to_numpy()
    if "I" in names:
        hour = part("I", 0)
        hour_ok = (hour >= 1) & (hour <= 12)
        hour = hour % 12 + np.where((groups["p"].str.to_lowercase() == "p").fill_null(False).to_numpy(), 12, 0)
    else:
        hour = part("H", 0)
        hour_ok = (hour <= 23) | ((hour == 24) & (minute == 0) & (second == 0) & (fraction == 0))  # the day's end
    ok = matched & day_ok & hour_ok & (minute <= 59) & (second <= 59)
    wall = day_us + ((hour * 60 + minute) * 60 + second) * US + fraction

    offset, has_offset = np.zeros(count, np.int64), np.zeros(count, bool)
    if "z" in names:
        written = groups["z"]
        has_offset = written.is_not_null().to_numpy() & ok
        digits = written.str.replace(":", "", literal=True).str.extract(r"([0-9]+)").str.pad_end(4, "0")
        clock = digits.cast(pl.Int64).fill_null(0).to_numpy()
        sign = np.where(written.str.starts_with("-").fill_null(False).to_numpy(), -1, 1)
        offset = sign * (clock // 100 * 3600 + clock % 100 * 60)
        ok &= (clock // 100 <= 18) & (clock % 100 <= 59)
    return np.where(ok, wall, 0), offset, has_offset & ok, ok


def _days(
    groups: pl.DataFrame, names: frozenset[str], year: np.ndarray, part: Callable[[str, int], np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Microseconds of the day's midnight since 1970, and whether there is such a day."""
    years = (year - 1970).astype("datetime64[Y]")
    if "j" in names:
        days = years.astype("datetime64[D]") + (part("j", 0) - 1)
        return _midnight_us(days), days.astype("datetime64[Y]") == years
    if "b" in names:
        numbers = {name: n for n, name in enumerate(MONTHS, 1)}
        named = groups["b"].str.to_lowercase().str.head(3)
        month = named.replace_strict(numbers, default=0, return_dtype=pl.Int64).fill_null(0).to_numpy()
    else:
        month = part("m", 0)
    months = years.astype("datetime64[M]") + (month - 1)
    days = months.astype("datetime64[D]") + (part("d", 0) - 1)
    is_day = (months.astype("datetime64[Y]") == years) & (days.astype("datetime64[M]") == months)
    return _midnight_us(days), is_day


def _midnight_us(days: np.ndarray) -> np.ndarray:
    return days.astype(np.int64) * DAY_US
