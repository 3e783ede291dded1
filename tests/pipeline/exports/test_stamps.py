"""Stamps of every form, against Python's own strptime and fromisoformat."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.stamps import Stamps, parse

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001
FORMS = [
    "%Y-%m-%d %H:%M",
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%dT%H:%M:%S.%f",
    "%d.%m.%Y %H:%M",
    "%d/%m/%y %H:%M:%S",
    "%m/%d/%Y %I:%M %p",
    "%d-%b-%Y %H:%M",
    "%B %d, %Y %I:%M:%S %p",
    "%Y%m%d%H%M",
    "%Y%m%d%H",
    "%Y-%j %H:%M",
    "%Y-%m-%d %H:%M:%S,%f",
    "day %d of %m in %Y at 100%% %Hh%M",
]
MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2068, 12, 31, 23, 59, 59))  # noqa: DTZ001


def clock(stamps: Stamps, place: int = 0) -> datetime | None:
    return EPOCH + timedelta(microseconds=int(stamps.wall_us[place])) if stamps.is_stamp[place] else None


def one(text: str, form: str) -> datetime | None:
    return clock(parse(pl.Series([text]), form))


@pytest.mark.parametrize("form", FORMS)
@settings(deadline=None)
@given(moments=st.lists(MOMENTS, min_size=1, max_size=5))
def test_what_strftime_writes_is_read_as_strptime_reads_it(form: str, moments: list[datetime]) -> None:
    texts = [moment.strftime(form) for moment in moments]
    stamps = parse(pl.Series(texts), form)
    assert [clock(stamps, n) for n in range(len(texts))] == [datetime.strptime(t, form) for t in texts]  # noqa: DTZ007


@settings(deadline=None)
@given(moment=MOMENTS, minutes=st.integers(-14 * 60, 14 * 60), sep=st.sampled_from("T "), spec=st.sampled_from(
    ["minutes", "seconds", "milliseconds", "microseconds"]))  # fmt: skip
def test_iso_stamps_with_and_without_offset(moment: datetime, minutes: int, sep: str, spec: str) -> None:
    text = moment.isoformat(sep, spec)
    assert one(text, "iso8601") == datetime.fromisoformat(text)
    sign, size = "-" if minutes < 0 else "+", abs(minutes)
    with_offset = f"{text}{sign}{size // 60:02}:{size % 60:02}"
    stamps = parse(pl.Series([with_offset, text, f"{text}Z"]), "iso8601")
    assert stamps.has_offset.tolist() == [True, False, True]
    assert stamps.offset_s.tolist() == [minutes * 60, 0, 0]
    utc = clock(stamps) - timedelta(seconds=int(stamps.offset_s[0]))  # type: ignore[operator]
    assert utc.replace(tzinfo=UTC) == datetime.fromisoformat(with_offset)


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("2025-06-01 24:00", "%Y-%m-%d %H:%M", "2025-06-02T00:00"),
        ("31.12.2025 24:00:00", "%d.%m.%Y %H:%M:%S", "2026-01-01T00:00"),
        ("2024-02-28T24:00:00", "iso8601", "2024-02-29T00:00"),
        ("202506012400", "%Y%m%d%H%M", "2025-06-02T00:00"),
        ("1.6.2025 5:07", "%d.%m.%Y %H:%M", "2025-06-01T05:07"),
        ("01-JUN-2025 10:00", "%d-%b-%Y %H:%M", "2025-06-01T10:00"),
        ("12/31/2025 12:00 am", "%m/%d/%Y %I:%M %p", "2025-12-31T00:00"),
        ("2025-06-01 10:00:00,25", "iso8601", "2025-06-01T10:00:00.250"),
        ("20250601T100000", "iso8601", "2025-06-01T10:00"),  # the basic form
        ("20250601T100000Z", "iso8601", "2025-06-01T10:00"),
        (" 1.06.2025 05:00", "%e.%m.%Y %H:%M", "2025-06-01T05:00"),
    ],
)
def test_stamps_that_strptime_does_not_read(text: str, form: str, expected: str) -> None:
    assert one(text, form) == datetime.fromisoformat(expected)


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("2025-02-29 10:00", "%Y-%m-%d %H:%M"),
        ("2025-06-31 10:00", "%Y-%m-%d %H:%M"),
        ("2025-13-01 10:00", "%Y-%m-%d %H:%M"),
        ("2025-06-01 25:00", "%Y-%m-%d %H:%M"),
        ("2025-06-01 24:01", "%Y-%m-%d %H:%M"),
        ("2025-06-01 10:60", "%Y-%m-%d %H:%M"),
        ("2025-06-01 10:00:00", "%Y-%m-%d %H:%M"),
        ("2025-06-01 10:00 ", "%Y-%m-%d %H:%M"),
        ("01.06.2025 10:00", "%Y-%m-%d %H:%M"),
        ("２０２５-06-01 10:00", "%Y-%m-%d %H:%M"),
        ("2025-366 10:00", "%Y-%j %H:%M"),
        ("06/01/2025 13:00 PM", "%m/%d/%Y %I:%M %p"),
        ("06/01/2025 00:30 AM", "%m/%d/%Y %I:%M %p"),
        ("01-Mai-2025 10:00", "%d-%b-%Y %H:%M"),
        ("2025-06-01", "iso8601"),
        ("2025-06-01T10:00:00+25:00", "iso8601"),
        ("", "iso8601"),
        ("NaN", "epoch_s"),
        ("soon", "epoch_ms"),
    ],
)
def test_no_stamps(text: str, form: str) -> None:
    assert one(text, form) is None


def test_offsets_in_a_format() -> None:
    texts = ["2025-06-01 10:00 +0530", "2025-06-01 10:00 -03:00", "2025-06-01 10:00 +02", "2025-06-01 10:00 Z"]
    stamps = parse(pl.Series(texts), "%Y-%m-%d %H:%M %z")
    assert stamps.offset_s.tolist() == [19_800, -10_800, 7_200, 0]
    assert stamps.has_offset.all()


def test_epochs_count_from_1970() -> None:
    expected = datetime(2025, 6, 1, 10, tzinfo=UTC)
    seconds = int(expected.timestamp())
    for text, form in ((f"{seconds}", "epoch_s"), (f"{seconds}.0", "epoch_s"), (f"{seconds}000", "epoch_ms")):
        assert one(text, form) == expected.replace(tzinfo=None)
    assert one(f"{seconds}.5", "epoch_s") == expected.replace(tzinfo=None) + timedelta(seconds=0.5)


def test_two_digit_years_turn_at_69() -> None:
    """POSIX strptime: 69-99 is 1969-1999, 00-68 is 2000-2068."""
    stamps = parse(pl.Series(["01.01.68 00:00", "01.01.69 00:00"]), "%d.%m.%y %H:%M")
    assert stamps.year.tolist() == [2068, 1969]


def test_mixed_forms_in_one_column() -> None:
    texts = ["2025-06-01 10:00", "2025-06-01T10:05:00Z", None, "x", "2025-06-01 10:10:00.5"]
    stamps = parse(pl.Series(texts, dtype=pl.String), "iso8601")
    assert stamps.is_stamp.tolist() == [True, True, False, False, True]
    assert np.diff(stamps.wall_us[[0, 1, 4]]).tolist() == [300_000_000, 300_500_000]


@settings(deadline=None)
@given(st.text(max_size=20), st.sampled_from([*FORMS, "iso8601", "epoch_s", "epoch_ms"]))
def test_no_text_raises(text: str, form: str) -> None:
    parse(pl.Series([text]), form)
