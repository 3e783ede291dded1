"""What is a number: checked one by one against Python's float with a grammar of its own."""

import re

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.numbers import to_numbers

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


def one(text: str | None, decimal: str = ".", missing: tuple[str, ...] = ()) -> float | str | None:
    """The number, None for a missing cell, or "bad"."""
    values, bad = to_numbers(pl.Series([text], dtype=pl.String), decimal, missing)
    return "bad" if bad is not None and bad[0] else values[0]


@pytest.mark.parametrize(
    ("text", "value"), [("5", 5), ("-0.5", -0.5), ("+5", 5), ("1e3", 1000), ("2.5E-1", 0.25), ("", None), (None, None)]
)
def test_numbers(text: str | None, value: float | None) -> None:
    assert one(text) == value


@pytest.mark.parametrize(
    "text",
    ["NaN", "nan", "inf", "-Infinity", "1_000", " 5 ", "5 ", "\t5", "0x10", "1e", "-", "+", ".", "1.2.3", "1,5",
     "1.234,5", "1 000", "five", "５", "1e999", "true", "--5", "5%", "12:30"],
)  # fmt: skip
def test_no_numbers(text: str) -> None:
    assert one(text) == "bad"


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,5", 1.5), ("-0,25", -0.25), ("7", 7), ("1.5", "bad"), ("1.234,5", "bad"), ("1,2,3", "bad"), ("", None)],
)
def test_a_decimal_comma_leaves_no_room_for_points(text: str, value: float | str | None) -> None:
    assert one(text, ",") == value


@pytest.mark.parametrize("token", ["--", "N/A", "-999", "NaN", "inf", "-999,0"])
def test_missing_tokens_are_null_whatever_they_look_like(token: str) -> None:
    values, bad = to_numbers(pl.Series([token, "5", ""]), ",", (token,))
    assert values.to_list() == [None, 5.0, None] and bad is None


def test_only_the_whole_cell_is_a_token() -> None:
    assert one("-999.5", missing=("-999",)) == -999.5
    assert one("N/A ", missing=("N/A",)) == "bad"


@settings(deadline=None)
@given(st.text(alphabet="0123456789.,+-eE _naifx", max_size=8) | st.floats(allow_nan=False).map(repr))
def test_any_text_is_what_python_and_the_grammar_say(text: str) -> None:
    if text == "":
        expected: float | str | None = None
    elif NUMBER.fullmatch(text) and abs(float(text)) != float("inf"):
        expected = float(text)
    else:
        expected = "bad"
    assert one(text) == expected
