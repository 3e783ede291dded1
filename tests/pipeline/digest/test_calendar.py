"""The to-dos, read back by a library of their own (`icalendar`), and their lines by RFC 5545."""

from datetime import UTC, datetime

import icalendar
import polars as pl

from pipeline.digest import to_calendar
from tests.support.digest_facts import DAY, HOSTILE, morning, sites


def to_dos(text: str) -> list[icalendar.Todo]:
    return [one for one in icalendar.Calendar.from_ical(text).walk() if one.name == "VTODO"]


def test_a_visit_is_a_to_do_with_all_that_it_needs():
    register = sites().with_columns(
        address=pl.lit("Mill Lane 3; back yard, gate 2"), latitude=48.2, longitude=16.4, phone=pl.lit("+43 1 555")
    )
    facts = morning(register=register, made_at=datetime(2026, 4, 15, 4, 30, tzinfo=UTC))
    (one,) = to_dos(to_calendar(facts))
    assert one["UID"] == "S1-time-zone-wrong-1@noonmark.invalid"
    assert one["SUMMARY"] == "<script>alert('x')</script> & \"Sons\": Clock off"
    assert one["LOCATION"] == "Mill Lane 3; back yard, gate 2"
    assert one["PRIORITY"] == 5
    assert one.decoded("DTSTART") == DAY
    assert one.decoded("DTSTAMP") == datetime(2026, 4, 15, 4, 30, tzinfo=UTC)
    assert (one["GEO"].latitude, one["GEO"].longitude) == (48.2, 16.4)
    said = str(one["DESCRIPTION"])
    assert "Measured: 80 %" in said and "CAUTION: Live in daylight." in said and "+43 1 555" in said
    assert said.splitlines()[-1] == "2. Set it."


def test_lines_are_folded_at_75_octets_and_never_within_a_character():
    register = sites().with_columns(address=pl.lit("Größenstraße " * 20))
    text = to_calendar(morning(register=register))
    lines = text.encode().split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) <= 75  # RFC 5545, 3.1
    assert all(line.decode("utf-8") is not None for line in lines)
    assert to_dos(text)[0]["LOCATION"] == ("Größenstraße " * 20).strip()


def test_the_same_visit_keeps_its_name_and_an_empty_morning_is_a_calendar_too():
    assert to_dos(to_calendar(morning()))[0]["UID"] == to_dos(to_calendar(morning(title="other")))[0]["UID"]
    assert to_dos(to_calendar(morning([]))) == []
    assert HOSTILE.strip()[-1] not in to_calendar(morning())
